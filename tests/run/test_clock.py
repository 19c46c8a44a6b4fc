"""The controller's clock against a wall that the test moves."""

from __future__ import annotations

import pytest

from rig.run.clock import Clock


class Wall:
    """A wall clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now_s = 5000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def wall() -> Wall:
    return Wall()


def test_on_a_real_rig_it_goes_with_the_wall_and_drops_nothing(wall: Wall) -> None:
    clock = Clock(wall=wall)
    start_s = clock.tick()
    for step_s in (0.1, 0.0, 0.7, 30.0, 4000.0):
        before_s = clock.tick()
        wall.now_s += step_s
        assert clock.tick() - before_s == pytest.approx(step_s)
        assert clock.gap_s == pytest.approx(step_s)
    assert clock.tick() - start_s == pytest.approx(4030.8)


def test_a_simulated_rig_runs_faster_by_its_scale(wall: Wall) -> None:
    clock = Clock(30.0, wall)
    start_s = clock.tick()
    for _ in range(100):
        wall.now_s += 0.01
        clock.tick()
    assert clock.tick() - start_s == pytest.approx(30.0)


def test_the_gap_is_wall_time_whatever_the_scale(wall: Wall) -> None:
    clock = Clock(30.0, wall)
    wall.now_s += 0.25
    clock.tick()
    assert clock.gap_s == pytest.approx(0.25)
    clock.tick()
    assert clock.gap_s == 0.0


def test_a_stall_of_a_simulated_rig_is_capped_but_its_gap_is_told(wall: Wall) -> None:
    clock = Clock(30.0, wall)
    before_s = clock.tick()
    wall.now_s += 10.0
    assert clock.tick() - before_s == pytest.approx(0.5)
    assert clock.gap_s == pytest.approx(10.0)
    # What was lost is not made up for afterwards.
    wall.now_s += 0.01
    assert clock.tick() - before_s == pytest.approx(0.8)


def test_it_never_goes_back_and_never_shows_zero(wall: Wall) -> None:
    clock = Clock(wall=wall)
    seen = [clock.tick()]
    for step_s in (0.0, 1e-6, 0.2):
        wall.now_s += step_s
        seen.append(clock.tick())
    assert seen == sorted(seen)
    assert seen[0] > 0


def test_the_default_wall_is_monotonic() -> None:
    clock = Clock()
    first_s = clock.tick()
    assert clock.tick() >= first_s
    assert clock.gap_s >= 0
