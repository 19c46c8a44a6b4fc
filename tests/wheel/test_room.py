"""The room by two vessels, against gas with a temperature that is integrated here; what the probabilities are worth.

The gas: both vessels obey the first law, mass through a restriction from tank to tyre at the tank's enthalpy, heat from
the walls with a time constant of 5 to 40 s (natural convection, McAdams: 12 to 21 s for 100 to 340 L).
The casing grows by 0 to 0.3 % of its volume per psi (an assumption, no source). Integrated in small steps for all draws
at once, apart from the program's own formulas.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from rig.cli.commands import main
from rig.units import KPA_PER_PSI
from rig.wheel import cavity_of, read_size
from rig.wheel.cavity import geometric_cavity
from rig.wheel.dimensions import Measured
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.room import (
    Growth,
    Room,
    TwoVessels,
    fits,
    growth_by_lengths,
    growth_by_width,
    missing_l,
    room_of,
)

AIR, GAMMA, PSI = 101.325, 1.4, KPA_PER_PSI
STEP_S, REST_S = 0.05, 120.0


def let_over(
    rng: np.random.Generator, room_l: np.ndarray, tank_l: float, tank_kpa: float, tyre_kpa: float, goal_kpa: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gauge pressures of tank and tyre, and the room, two minutes after air went over up to the goal."""
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
    return n_tank * t_tank / tank_l - AIR, p_tyre - AIR, room_l * (1 + growth * (p_tyre - AIR))


def measured(seed: int, room_l: np.ndarray, gauge_psi: float) -> tuple[list[Room], np.ndarray]:
    """Looks with a 60 L tank at 120 psi, from 5 to 20 psi, by a gauge worth ``gauge_psi`` at 95 %, each read once."""
    rng = np.random.default_rng(seed)
    sd = gauge_psi * PSI / 2
    tank, tyre, grown_l = let_over(rng, room_l, 60.0, 120 * PSI, 5 * PSI, 20 * PSI)
    noise = rng.normal(0.0, sd, (4, len(room_l)))
    reads = zip(120 * PSI + noise[0], tank + noise[1], 5 * PSI + noise[2], tyre + noise[3], strict=True)
    u_kpa = (gauge_psi * PSI, gauge_psi * PSI)
    rooms = [
        room_of(TwoVessels(60.0, (float(a), float(b)), (float(c), float(d)), AIR, 0.6, u_kpa, u_kpa))
        for a, b, c, d in reads
    ]
    return rooms, grown_l


@pytest.mark.parametrize("gauge_psi", [0.15, 0.5])
def test_the_room_lies_within_its_uncertainty(gauge_psi: float) -> None:
    """Half of it is the growth of the casing, which nobody knows of a wheel."""
    rooms, true_l = measured(2, np.random.default_rng(1).uniform(80, 260, 1000), gauge_psi)
    inside = np.mean([abs(room.litres - true) <= room.u_l for room, true in zip(rooms, true_l, strict=True)])
    assert inside >= 0.94
    width = np.median([room.u_l / room.litres for room in rooms])
    print(f"gauge {gauge_psi} psi: inside {inside:.1%}, median width {width:.1%}")
    assert width < (0.05 if gauge_psi < 0.5 else 0.08)


@pytest.mark.parametrize(("share", "least"), [(0.0, 0.98), (0.35, 0.98)])
def test_of_a_named_size_the_likelier_is_true(share: float, least: float) -> None:
    """Cavities drawn by the size's own band; a third of the cavity inside, or nothing."""
    cavity = cavity_of(read_size("11.2-24"))
    sd_l = (cavity.high_l - cavity.low_l) / 4
    drawn_l = np.random.default_rng(3).normal(cavity.volume_l, sd_l, 1000)
    rooms, _ = measured(4, (1 - share) * drawn_l, 0.15)
    right = [(fits(room, ["11.2-24"])[0].liquid_l is None) == (share == 0.0) for room in rooms]
    assert np.mean(right) >= least


def test_probabilities_of_all_sizes_add_up_and_the_true_one_is_among_the_first() -> None:
    cavity = cavity_of(read_size("16.9-28"))
    found = fits(room(cavity.volume_l, 0.01 * cavity.volume_l), KNOWN_SIZES)
    assert sum(each.probability for each in found) == pytest.approx(1.0)
    assert "16.9-28" in [each.size for each in found[:6] if each.liquid_l is None]


def room(litres: float, sd_l: float) -> Room:
    """A room by a casing that does not grow."""
    return Room(litres, sd_l, AIR, 20 * PSI, Growth(0.0, 0.0))


def test_a_room_larger_than_the_cavity_is_no_liquid_below_zero() -> None:
    (loaded,) = [each for each in fits(room(400.0, 2.5), ["16.9-28"]) if each.liquid_l is not None]
    assert loaded.liquid_l == 0.0


def test_a_room_contradicts_a_wheel_one_time_in_300_on_each_side() -> None:
    """Normal distribution: 2.71 standard deviations (tables of the standard normal, 1/300 = 0.0033)."""
    cavity = cavity_of(read_size("16.9-28"))
    spread_l = room(cavity.volume_l, 3.0).expected(cavity).stdev
    for share, doubted in ((2.6, False), (2.8, True)):
        for sign in (-1, 1):
            found = missing_l(room(cavity.volume_l - 60.0 + sign * share * spread_l, 3.0), cavity, 60.0)
            assert (found is not None) is doubted
            assert found is None or found * sign < 0


def test_a_casing_that_grows_is_allowed_for_by_its_air_before() -> None:
    """By hand: 100 L at 0 psi grow to 103 L at 20 psi, 0.15 % a psi; the tank gives 103 L x 34.7 psia - 100 x 14.7."""
    psia = AIR / PSI
    gave = 103.0 * (20 + psia) - 100.0 * psia
    read = TwoVessels(
        60.0, (100 * PSI, (100 - gave / 60) * PSI), (0.0, 20 * PSI), AIR, growth=Growth(0.0015 / PSI, 0.0)
    )
    found = room_of(read)
    assert found.in_casing(100.0).mean == pytest.approx(103.0)
    assert found.litres == pytest.approx(103.0, rel=1e-3)


def test_open_to_the_air_needs_no_gauge() -> None:
    def sd_l(before_kpa: float) -> float:
        read = TwoVessels(60.0, (690.0, 480.0), (before_kpa, 138.0), tyre_u_kpa=(5.0, 1.0), growth=Growth(0.0, 0.0))
        return room_of(read).sd_l

    assert sd_l(0.0) < 0.5 * sd_l(0.01)


def test_a_width_measures_the_growth() -> None:
    """By hand: 1.5 % over 10 psi is 0.15 % a psi, half of it either way (rectangular: over root 3), and the caliper.

    With what is known of any casing, 0.15 % and as much either way (rectangular), by the weighted mean of two values
    that are independent: inverse variances add up (any textbook of statistics).
    """
    any_casing, half = 0.0015 / 3**0.5, 0.5 * 0.0015 / 3**0.5
    found = growth_by_width(0.4, 0.406, 10 * PSI)
    assert found.per_kpa * PSI == pytest.approx(0.0015)
    least, most = (1 / (any_casing**-2 + seen**-2) ** 0.5 for seen in (half, 1.03 * half))
    assert least < found.sd_per_kpa * PSI < most
    # Wider by 6 %: nobody has seen a casing that grows by 0.6 % a psi, so most of it is the tape's place.
    assert 0.0015 < growth_by_width(0.4, 0.424, 10 * PSI).per_kpa * PSI < 0.003


def test_width_and_girth_tell_what_the_crown_does() -> None:
    """A casing that only bulges, and one whose crown grows as well, against the volumes of both sections."""
    wheel, rise = cavity_of(read_size("16.9-28")), 20 * PSI
    o = wheel.outline
    for wider, longer in ((1.02, 1.0), (1.01, 1.004), (1.015, 0.999)):
        measured = Measured(o.diameter_m * longer, o.section_m * wider, o.rim_width_m)
        grown = geometric_cavity(wheel.designation, measured).volume_l
        true_per_kpa = (grown / geometric_cavity(wheel.designation).volume_l - 1) / rise
        girth = 3.14159 * o.diameter_m
        found = growth_by_lengths(wheel, (0.43, 0.43 * wider), (girth, girth * longer), rise)
        assert abs(found.per_kpa - true_per_kpa) < found.sd_per_kpa
        assert found.sd_per_kpa < growth_by_width(0.43, 0.43 * wider, rise).sd_per_kpa


def test_one_pressure_after_is_one_reading() -> None:
    """By hand: 60 L at 87 psi and 201 L at nothing meet at 20 psi. 0.15 psi too much there is 0.15 of the 67 psi too
    little out of the tank and 0.15 of the 20 psi too much in the tyre: 0.97 % of the room;
    the tank's 0.75 psi, once, 1.12 %.
    """

    def sd_share(tank_after_psi: float, tank_u_psi: float, tyre_u_psi: float) -> float:
        read = TwoVessels(
            60.0, (87 * PSI, tank_after_psi * PSI), (0.0, 20 * PSI), AIR, 0.0, (tank_u_psi * PSI,) * 2,
            (tyre_u_psi * PSI,) * 2, 0.0, Growth(0.0, 0.0),
        )  # fmt: skip
        found = room_of(read)
        assert found.apparent_l == pytest.approx(201.0, rel=1e-4)
        return 2 * (found.sd_l**2 - room_of(replace(read, tank_u_kpa=(0, 0), tyre_u_kpa=(0, 0))).sd_l ** 2) ** 0.5 / 201

    assert sd_share(20.0, 0.0, 0.15) == pytest.approx(0.15 / 67 + 0.15 / 20, rel=0.02)
    assert sd_share(20.0, 0.75, 0.0) == pytest.approx(0.75 / 67, rel=0.02)
    # Two readings of the tank's own gauge, each wrong by itself.
    assert sd_share(20.0001, 0.75, 0.0) == pytest.approx(2**0.5 * 0.75 / 67, rel=0.02)


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
    # 60 L x 55 psi over 15 psi is 220 L, less 0.15 % of it for each psi of the 19.7 psia that were inside before.
    assert found["room_l"] == pytest.approx(220 / (1 + 0.0015 * 19.7), rel=1e-3)
    assert found["room_at_kpa"] == pytest.approx(20 * PSI, abs=0.01)
    assert sum(each["probability"] for each in found["fits"]) <= 1.0
    status, out = look(capsys, *READ, "14.9-24")
    assert "At rest before each reading" in out
    assert "14.9-24, nothing inside" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "write what was read"),
        (("--air", "5 psi -> 6 psi", "--tank", "60 L: 120 psi -> 110 psi"), "let more air over"),
        ((*READ, "--rim", "99"), "no size of that rim is known"),
        ((*READ, "--live"), "name the rig by --config"),
    ],
)
def test_what_cannot_be_measured_is_refused(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    status, out = look(capsys, *words)
    assert (status, said in out) == (3, True)


def test_a_measured_width_narrows_the_room(capsys: pytest.CaptureFixture[str]) -> None:
    _, plain = look(capsys, "--json", *READ)
    _, known = look(capsys, "--json", *READ, "--width", "400 mm -> 404 mm")
    assert json.loads(known)["room_u_l"] < 0.9 * json.loads(plain)["room_u_l"]
    status, out = look(capsys, *READ, "--width", "404 mm -> 400 mm")
    assert (status, "grows by a few per cent" in out) == (2, True)


def test_a_measured_girth_narrows_it_further(capsys: pytest.CaptureFixture[str]) -> None:
    width = ("--width", "370 mm -> 374 mm")
    _, wide = look(capsys, "--json", *READ, "14.9-24", *width)
    _, both = look(capsys, "--json", *READ, "14.9-24", *width, "--girth", "3970 mm -> 3973 mm")
    assert json.loads(both)["room_u_l"] < 0.97 * json.loads(wide)["room_u_l"]
    for words, said in ((width, "name the size"), (("14.9-24",), "measure the section width")):
        status, out = look(capsys, *READ, *words, "--girth", "3970 mm -> 3973 mm")
        assert (status, said in out) == (3, True)


def test_the_tank_s_gauge_may_be_another(capsys: pytest.CaptureFixture[str]) -> None:
    _, plain = look(capsys, "--json", *READ)
    _, coarse = look(capsys, "--json", *READ, "--tank-gauge", "2 psi")
    assert json.loads(coarse)["room_u_l"] > json.loads(plain)["room_u_l"]
