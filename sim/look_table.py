"""What a look with air is worth: the controller's own procedure on a tank and a tyre with heat, look by look.

A published size, its true cavity by the size's own band; gauges, tank, growth, heat and temperatures as drawn by
:func:`drawn`. Printed are coverage and width of the stated room, and how often a wheel is judged loaded that holds
nothing, or a fifth of its cavity.
"""

from __future__ import annotations

import math
import random
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache, partial
from statistics import median
from typing import TYPE_CHECKING

from rig.control.moves.air_look import AirLook, AirReading, AirSetup, advance
from rig.run.air_look import tank_suits_kpa, vessels_of
from rig.run.air_tank_table import AirTankTable
from rig.units import KPA_PER_PSI
from rig.wheel import Cavity, cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.room import Growth, Room, growth_by_lengths, growth_by_width, missing_l, room_of
from sim.plant.air_tank import AirTank
from sim.plant.params import AirTankParams, FluidParams, HeatParams, TyreParams
from sim.plant.sensors import GaugeError, Noise, split_of
from sim.plant.tyre import Tyre

if TYPE_CHECKING:
    from collections.abc import Callable

_PSI = KPA_PER_PSI
_AIR_KPA = 101.325
_TANK_L = 60.0
_RATING_PSI, _TYRE_SPAN_PSI = 150.0, 30.0
"""The tank's rating, and the range of the tyre's gauge."""
_SCAN_S, _SHORT_S = 0.2, 0.05
_LEAST_L, _MOST_L = 80.0, 400.0
_WIDTH_M = 0.4
_SHARE_OF_LENGTHS = 0.86, 3.0
"""Relative growth of the volume per relative growth of width and of girth, as the sections of tractor tyres have it."""
_NARROW = 0.08
"""Band of a size whose published volumes agree."""


@dataclass(frozen=True, slots=True)
class Way:
    """How a look is made. Pressures in psi."""

    name: str
    start: float = 0.0
    limit: float = 20.0
    tank: float | None = 120.0
    """None: what suits the wheel as published."""
    span: float = 150.0
    """Range of the tank's gauge."""


WAYS = (
    Way("5 to 20 psi", start=5.0),
    Way("0 to 20 psi"),
    Way("0 to 15 psi", limit=15.0),
    Way("0 to 7 psi", limit=7.0),
    Way("0 to 30 psi", limit=30.0, tank=140.0),
    Way("5 to 20 psi, joined", start=5.0, tank=None),
    Way("0 to 15 psi, joined", limit=15.0, tank=None),
    Way("0 to 20 psi, joined", tank=None),
    Way("0 to 20 psi, joined, tank's gauge to 100 psi", tank=None, span=100.0),
    Way("0 to 30 psi, joined", limit=30.0, tank=None),
)
GAUGES = (0.25, 0.5, 1.0)
"""Per cent of the range, at 95 %."""


KNOWN = ("nothing measured", "width measured", "tank weighed too", "girth too")
"""What is known besides the pressures: the tank by its plate, then weighed full of water; lengths of the casing."""
_SHARES = (0.0, 0.2)


@dataclass(frozen=True, slots=True)
class Seen:
    """One look: the rooms as stated by :data:`KNOWN`, the truth, and the wheel."""

    why: str
    rooms: tuple[Room, ...] = ()
    true_l: float = 0.0
    size: str = ""
    took_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Drawn:
    """A world of one look."""

    cavity: Cavity
    tyre: TyreParams
    tank: AirTankParams
    seed: int


@lru_cache(maxsize=1)
def published() -> tuple[Cavity, ...]:
    """Cavities of published sizes that such a tank suits."""
    found = (cavity_of(read_size(size)) for size in KNOWN_SIZES)
    return tuple(each for each in found if each.basis == "table" and _LEAST_L < each.volume_l < _MOST_L)


def drawn(seed: int, way: Way, percent: float, share: float, split: str = "each pressure") -> Drawn:
    """A wheel with a share of liquid inside, a tank, and their gauges."""
    rng = rng_of(seed, "world")
    cavity = rng.choice(published())
    growth = rng.uniform(0, 0.003)
    stated_l = rng.gauss(cavity.volume_l, (cavity.high_l - cavity.low_l) / 4)
    true_l = stated_l / (1 + growth * rng.uniform(8, 20))
    tyre_c, apart_k = rng.uniform(0, 30), rng.uniform(-2, 2)
    tyre = TyreParams(
        cavity_l=true_l, growth_per_psi=growth, growth_delayed=rng.uniform(0, 0.3),
        growth_s=rng.uniform(20, 60), start_kpa=way.start * _PSI, existing_l=share * true_l,
        heat=HeatParams(time_s=math.exp(rng.uniform(math.log(5), math.log(40))), wall_c=tyre_c),
    )  # fmt: skip
    start_kpa = _suits(way, cavity) if way.tank is None else way.tank * _PSI
    tank = AirTankParams(
        volume_l=rng.gauss(_TANK_L, 0.005 * _TANK_L), wall_c=tyre_c + apart_k, heat_s=rng.uniform(5, 20),
        start_kpa=start_kpa,
        valve_bore_m=rng.uniform(0.0025, 0.004),
        gauge_error_kpa=percent / 200 * way.span * _PSI, gauge_split=split_of(split, way.span * _PSI),
        gauge_noise_kpa=5e-4 * way.span * _PSI,
    )  # fmt: skip
    return Drawn(cavity, tyre, tank, seed)


def _suits(way: Way, cavity: Cavity) -> float:
    """The tank's pressure as the prompt advises it, within the range of its gauge."""
    suits = tank_suits_kpa(_TANK_L, cavity.volume_l, way.limit * _PSI, way.start * _PSI)
    return min(suits, (way.span - 5) * _PSI)


def looked(seed: int, way: Way, percent: float, share: float, split: str = "each pressure") -> Seen:
    """One look."""
    world = drawn(seed, way, percent, share, split)
    setup = AirSetup(
        tyre_limit_kpa=way.limit * _PSI, tyre_trip_kpa=1.25 * way.limit * _PSI, tank_rating_kpa=_RATING_PSI * _PSI,
        tank_u_kpa=percent / 100 * way.span * _PSI, tyre_u_kpa=percent / 100 * _TYRE_SPAN_PSI * _PSI,
        open_longest_s=180.0,
    )  # fmt: skip
    bench = _Bench(world, percent, split)
    look = bench.run(setup)
    if look.before is None or look.after is None:
        return Seen(look.why or "", took_s=bench.now_s)
    width, girth = _by_lengths(world, look.after.tyre.kpa - look.before.tyre.kpa)
    plate, weighed = (
        _tank(_TANK_L, 0.01),
        _tank(world.tank.volume_l * (1 + rng_of(seed, "scale").gauss(0, 0.001)), 0.002),
    )
    try:
        rooms = tuple(
            room_of(vessels_of(tank, _AIR_KPA, setup, look, growth))
            for tank, growth in ((plate, Growth()), (plate, width), (weighed, width), (weighed, girth))
        )
    except ValueError as error:
        return Seen(str(error), took_s=bench.now_s)
    tyre = bench.tyre
    true_l = tyre.cavity_l(tyre.pressure()) - tyre.liquid_l
    return Seen("", rooms, true_l, world.cavity.designation.text, bench.now_s)


def rng_of(seed: int, what: str) -> random.Random:
    """The random numbers for one part of a look."""
    return random.Random(f"look {what} {seed}")  # a simulation, not a secret


def _tank(volume_l: float, u: float) -> AirTankTable:
    return AirTankTable.model_validate(
        {"volume": f"{volume_l} L", "volume_u": f"{u * volume_l} L", "rating": f"{_RATING_PSI} psi"}
    )


def _by_lengths(world: Drawn, rise_kpa: float) -> tuple[Growth, Growth]:
    """The growth as a person measures it: by the width at one place, half a millimetre at 95 %; by the girth as well.

    A length's share in the growth is that of the published section, a quarter off either way.
    """
    rng = rng_of(world.seed, "width")
    grown = world.tyre.growth_per_psi / _PSI * rise_kpa
    wider = grown / rng.uniform(0.5, 1.5)
    widths_m = _read(rng, _WIDTH_M, wider, 0.00025)
    per_width, per_girth = (share * rng.uniform(0.75, 1.25) for share in _SHARE_OF_LENGTHS)
    longer = (grown - per_width * wider) / per_girth
    girths_m = _read(rng, math.pi * world.cavity.outline.diameter_m, longer, 0.0005)
    return growth_by_width(*widths_m, rise_kpa), growth_by_lengths(world.cavity, widths_m, girths_m, rise_kpa)


def _read(rng: random.Random, length_m: float, longer: float, sigma_m: float) -> tuple[float, float]:
    """A length before and after, as read."""
    before_m, after_m = (length_m * (1 + each) + rng.gauss(0, sigma_m) for each in (0.0, longer))
    return before_m, after_m


class _Bench:
    """A tank and a tyre under the procedure."""

    def __init__(self, world: Drawn, percent: float, split: str) -> None:
        liquid_c = 15.0
        self.tyre = Tyre(world.tyre, FluidParams(temperature_c=liquid_c), _AIR_KPA)
        self.tank = AirTank(world.tank, liquid_c, _AIR_KPA, world.seed)
        sigma_kpa = percent / 200 * _TYRE_SPAN_PSI * _PSI
        self._error = GaugeError(sigma_kpa, -world.seed - 1, split_of(split, _TYRE_SPAN_PSI * _PSI))
        self._noise = Noise(5e-4 * _TYRE_SPAN_PSI * _PSI, f"{world.seed} tyre")
        self.now_s = 0.0

    def run(self, setup: AirSetup) -> AirLook:
        """The whole procedure, the person quick."""
        look = AirLook()
        while not look.over:
            self._step(opened=look.valve)
            kpa = self.tyre.pressure() - _AIR_KPA
            reading = AirReading(
                self.now_s, self.tank.shown_kpa(), kpa + self._error.at(kpa) + self._noise.kpa,
                valve_seen=look.valve, answered="air_connect",
            )  # fmt: skip
            look = advance(setup, look, reading)
        return look

    def _step(self, *, opened: bool) -> None:
        steps = round(_SCAN_S / _SHORT_S) if opened else 1
        for _ in range(steps):
            self.tank.step(_SCAN_S / steps, self.tyre if opened else None)
            self.tyre.settle(_SCAN_S / steps)
        self.tank.shake(_SCAN_S)
        self._noise.shake(_SCAN_S)
        self.now_s += _SCAN_S


def look_table(
    looks: int, seed: int, jobs: int, say: Callable[[str], None], only: str = "", split: str = "each pressure"
) -> None:
    """Print a line for each way, or ``only`` one, each gauge and content; ``looks`` of each."""
    stated = " | ".join(f"{name}: covered, median ±" for name in KNOWN)
    bands = f"judged loaded: band below {_NARROW:.0%} | wider band"
    say(f"| way | gauges | inside already | no result | {stated} | {bands} | median s |")
    say("| --- " * (7 + len(KNOWN)) + "|")
    with ProcessPoolExecutor(jobs) as pool:
        for way in (each for each in WAYS if only in ("", each.name)):
            for percent in GAUGES:
                for share in _SHARES:
                    one = partial(looked, way=way, percent=percent, share=share, split=split)
                    seen = list(pool.map(one, range(seed, seed + looks), chunksize=20))
                    inside = "a fifth" if share else "nothing"
                    say(f"| {way.name} | {percent:g} % | {inside} | {_cells(seen)} |")


def _cells(seen: list[Seen]) -> str:
    good = [each for each in seen if each.rooms]
    worth = [_worth([(each.rooms[which], each) for each in good]) for which in range(len(KNOWN))]
    judged = [_judged([each for each in good if _narrow(each) is narrow]) for narrow in (True, False)]
    took = median(each.took_s for each in good)
    return f"{len(seen) - len(good)} of {len(seen)} | {' | '.join([*worth, *judged])} | {took:.0f}"


def _worth(rooms: list[tuple[Room, Seen]]) -> str:
    stated = [(room.in_casing(cavity_of(read_size(each.size)).volume_l), each.true_l) for room, each in rooms]
    covered = sum(abs(room.mean - true_l) <= 2 * room.stdev for room, true_l in stated) / len(stated)
    return f"{covered:.0%}, {median(2 * room.stdev / room.mean for room, _ in stated):.1%}"


def _narrow(seen: Seen) -> bool:
    """Whether the size's published volumes agree."""
    return cavity_of(read_size(seen.size)).band < _NARROW


def _judged(seen: list[Seen]) -> str:
    """How often there is so much less room than the named size has that something must be inside; no width measured."""
    found = [missing_l(each.rooms[0], cavity_of(read_size(each.size)), 0.0) or 0.0 for each in seen]
    return f"{sum(each > 0 for each in found) / len(found):.1%} of {len(found)}" if found else "–"
