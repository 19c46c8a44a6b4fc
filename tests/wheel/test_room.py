"""The room by two vessels, against gas with a temperature that is integrated here; what the probabilities are worth.

The gas: both vessels obey the first law, mass through a restriction from tank to tyre at the tank's enthalpy, heat from
the walls with a time constant of 5 to 40 s (natural convection, McAdams: 12 to 21 s for 100 to 340 L).
The casing grows by 0 to 0.3 % of its volume per psi (an assumption, no source). Integrated in small steps for all draws
at once, apart from the program's own formulas.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from rig.cli.commands import main
from rig.units import KPA_PER_PSI
from rig.wheel import cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.room import Room, TwoVessels, fits, room_of

AIR, GAMMA, PSI = 101.325, 1.4, KPA_PER_PSI
STEP_S, REST_S = 0.05, 120.0


def let_over(
    rng: np.random.Generator, room_l: np.ndarray, tank_l: float, tank_kpa: float, tyre_kpa: float, goal_kpa: float
) -> tuple[np.ndarray, np.ndarray]:
    """Gauge pressures of tank and tyre two minutes after air was let over until the tyre showed the goal."""
    count = len(room_l)
    tau_tank, tau_tyre = rng.uniform(5, 20, count), rng.uniform(5, 40, count)
    rate = room_l * (goal_kpa - tyre_kpa) / rng.uniform(15, 40, count)
    p_tank, p_tyre = np.full(count, tank_kpa + AIR), np.full(count, tyre_kpa + AIR)
    t_tank, t_tyre = np.ones(count), np.ones(count)
    n_tank, n_tyre = p_tank * tank_l, p_tyre * room_l
    growth = rng.uniform(0.0, 0.003, count) / PSI
    n_tyre *= 1 + growth * tyre_kpa
    opened = np.ones(count, dtype=bool)
    for _ in range(int(60 / STEP_S)):
        opened &= (p_tyre < goal_kpa + AIR) & (p_tank > p_tyre)
        moved = np.where(opened, rate * STEP_S, 0.0)
        # First law of each, in amounts times relative temperature: enthalpy leaves the tank and comes into the tyre.
        u_tank, u_tyre = n_tank * t_tank - GAMMA * moved * t_tank, n_tyre * t_tyre + GAMMA * moved * t_tank
        n_tank, n_tyre = n_tank - moved, n_tyre + moved
        t_tank = 1 + (u_tank / n_tank - 1) * np.exp(-STEP_S / tau_tank)
        t_tyre = 1 + (u_tyre / n_tyre - 1) * np.exp(-STEP_S / tau_tyre)
        p_tyre = n_tyre * t_tyre / (room_l * (1 + growth * (p_tyre - AIR)))
        p_tank = n_tank * t_tank / tank_l
    assert not opened.any(), "the tank is too small, or a minute too short"
    t_tank, t_tyre = (1 + (t - 1) * np.exp(-REST_S / tau) for t, tau in ((t_tank, tau_tank), (t_tyre, tau_tyre)))
    for _ in range(20):
        p_tyre = n_tyre * t_tyre / (room_l * (1 + growth * (p_tyre - AIR)))
    return n_tank * t_tank / tank_l - AIR, p_tyre - AIR


def measured(seed: int, room_l: np.ndarray, gauge_psi: float) -> list[Room]:
    """Looks with a 60 L tank at 120 psi, from 5 to 20 psi, by a gauge worth ``gauge_psi`` at 95 %, each read once."""
    rng = np.random.default_rng(seed)
    sd = gauge_psi * PSI / 2
    tank, tyre = let_over(rng, room_l, 60.0, 120 * PSI, 5 * PSI, 20 * PSI)
    noise = rng.normal(0.0, sd, (4, len(room_l)))
    reads = zip(120 * PSI + noise[0], tank + noise[1], 5 * PSI + noise[2], tyre + noise[3], strict=True)
    return [
        room_of(TwoVessels(60.0, (float(a), float(b)), (float(c), float(d)), AIR, 0.6, gauge_psi * PSI))
        for a, b, c, d in reads
    ]


@pytest.mark.parametrize("gauge_psi", [0.15, 0.5])
def test_the_room_lies_within_its_uncertainty(gauge_psi: float) -> None:
    """Most of it is the growth of the casing, which nobody knows of a wheel."""
    true_l = np.random.default_rng(1).uniform(80, 260, 1000)
    rooms = measured(2, true_l, gauge_psi)
    inside = np.mean([abs(room.litres - true) <= room.u_l for room, true in zip(rooms, true_l, strict=True)])
    assert inside >= 0.94
    width = np.median([room.u_l / room.litres for room in rooms])
    print(f"gauge {gauge_psi} psi: inside {inside:.1%}, median width {width:.1%}")
    assert width < (0.08 if gauge_psi < 0.5 else 0.11)


@pytest.mark.parametrize(("share", "least"), [(0.0, 0.98), (0.35, 0.98)])
def test_of_a_named_size_the_likelier_is_true(share: float, least: float) -> None:
    """Cavities drawn by the size's own band; a third of the cavity inside, or nothing."""
    cavity = cavity_of(read_size("11.2-24"))
    sd_l = (cavity.high_l - cavity.low_l) / 4
    drawn_l = np.random.default_rng(3).normal(cavity.volume_l, sd_l, 1000)
    rooms = measured(4, (1 - share) * drawn_l, 0.15)
    right = [(fits(room, ["11.2-24"])[0].liquid_l is None) == (share == 0.0) for room in rooms]
    assert np.mean(right) >= least


def test_probabilities_of_all_sizes_add_up_and_the_true_one_is_among_the_first() -> None:
    cavity = cavity_of(read_size("16.9-28"))
    found = fits(Room(cavity.volume_l, 0.02 * cavity.volume_l), KNOWN_SIZES)
    assert sum(each.probability for each in found) == pytest.approx(1.0)
    assert "16.9-28" in [each.size for each in found[:6] if each.liquid_l is None]


def test_a_room_larger_than_the_cavity_is_no_liquid_below_zero() -> None:
    (loaded,) = [each for each in fits(Room(400.0, 5.0), ["16.9-28"]) if each.liquid_l is not None]
    assert loaded.liquid_l == 0.0


# --- the command ------------------------------------------------------------------------------------------------------


def look(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    status = main(["look", *words])
    seen = capsys.readouterr()
    return status, seen.out + seen.err


READ = ("--air", "5 psi -> 20 psi", "--tank", "60 L: 120 psi -> 65 psi", "--gauge", "0.15 psi")


def test_it_names_what_fits_with_probabilities(capsys: pytest.CaptureFixture[str]) -> None:
    status, out = look(capsys, "--json", *READ)
    found = json.loads(out)
    assert status == 0
    # 60 L x 55 psi over 15 psi is 220 L, less the growth of the casing.
    assert found["room_l"] == pytest.approx(220, rel=0.06)
    assert sum(each["probability"] for each in found["fits"]) <= 1.0
    status, out = look(capsys, *READ, "14.9-24")
    assert "Two minutes at rest" in out
    assert "14.9-24, nothing inside" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "write what was read"),
        (("--air", "5 psi -> 6 psi", "--tank", "60 L: 120 psi -> 110 psi"), "let more air over"),
        ((*READ, "--rim", "99"), "no size of that rim is known"),
    ],
)
def test_what_cannot_be_measured_is_refused(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    status, out = look(capsys, *words)
    assert (status, said in out) == (3, True)
