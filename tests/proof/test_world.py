"""Draws of the plant's own properties: only where they are asked for, each by itself, within what they say."""

from __future__ import annotations

import json

import pytest

from sim.__main__ import main
from sim.assembly import plant_params
from sim.campaign import run_case
from sim.heat_table import warmed
from sim.scenarios import AS_THEN, PARTS, Case, drawn
from sim.table import sim_of
from sim.virtual import VirtualRig
from sim.world import WORLD

SOUND = ("fault1", "fault2", "crash", "person", "order")


@pytest.mark.parametrize("wide", [False, True])
def test_known_seeds_keep_their_fills(wide: bool) -> None:
    assert set(WORLD) < set(AS_THEN) <= set(PARTS)
    for seed in range(20):
        plain = drawn(Case(seed, WORLD, wide=wide))
        assert drawn(Case(seed, WORLD, wide=wide, thermal=True)).settings == plain.settings
        if not wide:
            assert drawn(Case(seed)).settings == plain.settings
        assert sim_of(plain.settings).heat_time is None


def test_each_part_changes_its_own_keys_alone() -> None:
    changed = dict[str, set[str]]()
    for part in WORLD[:-1]:
        for seed in range(3, 60, 8):
            before, after = (
                sim_of(drawn(Case(seed, tuple(p for p in WORLD if p != kept), thermal=True)).settings)
                for kept in ("nothing", part)
            )
            pairs = zip(before.model_dump().items(), after.model_dump().items(), strict=True)
            changed.setdefault(part, set()).update(name for (name, old), (_, new) in pairs if old != new)
    assert all(changed.values())
    once = [name for names in changed.values() for name in names if name not in ("heat_time", "exponent")]
    assert len(once) == len(set(once))


@pytest.mark.full
def test_tyre_and_tote_are_up_to_30_k_apart_and_nothing_is_frozen() -> None:
    apart, times_s = [], []
    for seed in range(200):
        settings = drawn(Case(seed, thermal=True)).settings
        params = plant_params(settings)
        heat = params.tyre.heat
        assert heat is not None
        apart.append(params.fluid.temperature_c - heat.wall_c)
        times_s.append(heat.time_s)
    assert min(apart) < -20.0
    assert max(apart) > 20.0
    assert all(abs(kelvin) <= 30.1 for kelvin in apart)
    assert 5.0 <= min(times_s) < 7.0
    assert 37.0 < max(times_s) <= 40.0


@pytest.mark.full
def test_a_record_is_compared_with_those_of_the_same_plants() -> None:
    plain, hot = (run_case(Case(4, (*SOUND, "wheel", "fluid", "stall"), thermal=thermal)) for thermal in (False, True))
    assert plain.account is not None
    assert hot.account is not None
    assert set(hot.account.strata) - set(plain.account.strata) >= {"gas with heat"}


def test_a_stall_lets_the_rig_go_on_while_the_controller_s_clock_stands() -> None:
    assert WORLD[-1] == "stall"
    stalls = [drawn(Case(seed, thermal=True)).stall for seed in range(200)]
    assert 5 <= sum(stall is not None for stall in stalls) <= 40
    assert all(drawn(Case(seed, ("stall",), thermal=True)).stall is None for seed in range(200))
    rig = VirtualRig(drawn(Case(1, PARTS)).settings, stall=(3.0, 7.0))
    for _ in range(60):
        rig.advance(0.1)
    assert rig.plant.time_s == pytest.approx(rig.now_s - 1.0 + 7.0)
    assert rig.now_s == pytest.approx(7.0)


@pytest.mark.full
def test_a_thermal_campaign_is_run_again_by_its_command(capsys: pytest.CaptureFixture[str]) -> None:
    case = Case(4, (*SOUND, "wheel", "fluid"), thermal=True)
    assert " --thermal " in case.command
    main(["campaign", *case.command.split()[4:], "--json"])
    assert json.loads(capsys.readouterr().out)["ticks"] == run_case(case).ticks


@pytest.mark.full
def test_a_cell_of_the_heat_table_is_the_same_fill_with_another_gas() -> None:
    plain, cooled = warmed(3, None, 0.0), warmed(3, 20.0, 0.0)
    assert plain.outcome == "complete"
    assert cooled.trace != plain.trace
