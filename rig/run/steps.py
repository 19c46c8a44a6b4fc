"""Wiring check of inputs and pump, step by step: a person acts, and the resulting signals are judged.

The pump runs for two seconds at a time, with water and an open can, forward and then in reverse: no tyre before both
directions are verified. Everything is off before, between and after.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from rig.field.field import Field
from rig.field.turning import RUN
from rig.field.values import Value
from rig.meter_kind import KINDS
from rig.run.live import turned
from rig.run.names import COUNTS, FEEDBACK, HEARTBEAT, METER_POINT
from rig.run.readings import conversions
from rig.run.relays import LONGEST_S, Ask, NotAnswered, all_off, switching
from rig.run.settings import Settings
from rig.units import KPA_PER_PSI, show_pressure

_SCAN_S = 0.1
_OPEN_KPA = KPA_PER_PSI
"""Limit of a gauge's reading in open air: a tenth of what an absolute one shows."""
_LEAST_STEPS = 2
"""A meter that moved less has not moved: one step may flicker."""
_WATER = "water"
_READY = (
    "Now the pump, forward and in reverse, two seconds each. WATER only, suction under it, the gun open and held in an "
    "open can half full of water, no tyre on it; a person at the emergency stop. Then the supply on.\n"
    f"Type {_WATER!r} when it is so, or s to leave the pump out:"
)
_WAYS = "o = it came out of the gun, i = it was drawn in, n = nothing"


@dataclass(slots=True)
class Course:
    """Course of one value while a person acted."""

    first: float
    last: float
    low: float
    high: float
    forward: float = 0.0
    """Sum of all its rises, and of all its falls; counter wrap-around included."""
    back: float = 0.0

    @property
    def moved(self) -> float:
        """From first to last."""
        return self.forward - self.back


@dataclass(frozen=True, slots=True)
class Trial:
    """One step and its result."""

    name: str
    good: bool
    found: str


class Courses:
    """Every point's course since the step began."""

    def __init__(self, settings: Settings) -> None:
        self._bits = {name: 16 * point.registers for name, point in settings.points.items() if name in COUNTS}
        self._units = conversions(settings.quantities, settings.rig.atmosphere)
        self.of: dict[str, Course] = {}

    def take(self, values: Mapping[str, Value]) -> None:
        """Take in one scan; faulty values are left out."""
        for name, value in values.items():
            if value.fault:
                continue
            unit = self._units.get(name)
            now = value.raw if unit is None else unit.of(value.scaled)
            course = self.of.get(name)
            if course is None:
                self.of[name] = Course(now, now, now, now)
                continue
            step = now - course.last
            if name in self._bits:
                step = turned(step, self._bits[name])
            course.forward += max(step, 0.0)
            course.back += max(-step, 0.0)
            course.last, course.low, course.high = now, min(course.low, now), max(course.high, now)


Judge = Callable[[Mapping[str, Course]], str]
"""Returns the fault shown by the courses; empty if there is none."""


@dataclass(frozen=True, slots=True)
class Step:
    """An action by a person, and how its result is judged."""

    name: str
    text: str
    judge: Judge


def steps_of(settings: Settings) -> list[Step]:
    """The steps of this rig that switch nothing, in the order in which they are done."""
    wired = {*settings.read, *settings.line_points}
    steps = [_open_air(name) for name in ("line_pressure", "tyre_pressure") if name in wired]
    if KINDS[settings.meter.kind].in_line:
        steps += [_meter(settings, way) for way in (1, -1)]
    return steps + [_switch(name, text, rests) for name, text, rests in _SWITCHES if name in wired]


_SWITCHES = (
    ("estop_ok", "Press the emergency stop, wait two seconds, release it.", 1),
    ("stop_button", "Press the stop button at the gun and let it go.", 0),
    ("start_button", "Press the start button at the gun and let it go.", 0),
    ("tote_low", "Lower the float near the dip tube by hand, as if the tote were empty, and let it rise.", 0),
    ("tote_full", "Lift the float at the tote's rim by hand and let it fall.", 0),
    ("liquid_in_vent", "Wet the sensor in the vent line, then dry it.", 0),
)
"""Yes or no inputs, the action for each, and the reading at rest."""


def _open_air(name: str) -> Step:
    def judge(courses: Mapping[str, Course]) -> str:
        kpa = courses[name].last
        if abs(kpa) <= _OPEN_KPA:
            return ""
        unit = "it counts from vacuum: its unit is psia, bara or the like" if kpa > 10 * _OPEN_KPA else "set its zero"
        return f"in open air it shows {show_pressure(kpa)}; {unit}"

    return Step(name, f"{name}: take gun and hose off, so that the gauge is open to the air.", judge)


def _meter(settings: Settings, way: int) -> Step:
    point, reverse = METER_POINT[settings.meter.kind], settings.meter.reverse
    means = "Let a litre of water run through the meter" if settings.meter.on_air == "blind" else (
        "Blow into the meter, or turn its rotor,"
    )  # fmt: skip
    text = f"meter: {means} {'as the liquid goes into a tyre' if way > 0 else 'the other way'}."

    def judge(courses: Mapping[str, Course]) -> str:
        return meter_fault(courses, point, reverse, way)

    return Step("meter forward" if way > 0 else "meter back", text, judge)


def meter_fault(courses: Mapping[str, Course], point: str, reverse: str, way: int) -> str:
    """The fault of a meter after flow through it: ``way`` is 1 forward, -1 back."""
    course, second = courses[point], courses.get("meter_reverse_count")
    if point == METER_POINT["rate"]:
        forward, back = max(course.high, 0.0), max(-course.low, 0.0)
    else:
        forward, back = course.forward / _LEAST_STEPS, course.back / _LEAST_STEPS
    back += second.forward / _LEAST_STEPS if second is not None else 0.0
    least = 1.0 if point in COUNTS else 1e-6
    up, down = forward >= least, back >= least
    if way > 0 or reverse == "unsigned":
        if down and not forward > back:
            return "it counts down: swap its two channels, or turn the meter round"
        return "" if up else "nothing was counted: look at its supply, its wires, the input's type"
    if reverse == "none":
        return "it counts backwards too: write what it does as meter.reverse" if up or down else ""
    if up and not back > forward:
        return "it counts up backwards too: write meter.reverse = 'unsigned'"
    return "" if down else "nothing was counted: write meter.reverse = 'none', or look at its second channel"


def _switch(name: str, text: str, rests: int) -> Step:
    def judge(courses: Mapping[str, Course]) -> str:
        course = courses[name]
        acted = course.low if rests else course.high
        if acted == rests:
            return f"it read {rests:g} all the time: look at its wire and its address"
        return "" if course.last == rests else f"it reads {course.last:g} with nothing done: it is inverted, or stuck"

    return Step(name, f"{name}: {text}", judge)


async def take_steps(settings: Settings, ask: Ask, run_s: float = LONGEST_S) -> list[Trial]:
    """Go through all steps; a skipped one is left out.

    Raises :class:`NotAnswered` if the terminal is lost, :class:`Unreachable` if an output does not answer.
    """
    assert run_s <= LONGEST_S
    trials: list[Trial] = []
    async with switching(settings, each_alone=False) as (field, names):
        for step in steps_of(settings):
            answer, courses = await _watched(settings, field, ask, f"{step.text}\n  Enter = done, s = skip, q = end:")
            if answer.startswith("q"):
                return trials
            if not answer.startswith("s"):
                trials.append(_trial(step.name, field, partial(step.judge, courses.of)))
        pumps = [name for name in ("pump_run", "pump_reverse") if name in names]
        if not settings.rig.by_hand and pumps and await _said(ask, _READY) == _WATER:
            for name in pumps:
                trials.append(await _turn_pump(settings, field, names, name, ask, run_s))
    return trials


def _trial(name: str, field: Field, judge: Callable[[], str]) -> Trial:
    try:
        found = judge()
    except KeyError as error:
        point = str(error.args[0])
        found = f"{point} was not read: {field.faults.get(point, 'it has not been heard')}"
    return Trial(name, not found, found)


async def _said(ask: Ask, text: str) -> str:
    answer = await ask(text)
    if answer is None:
        raise NotAnswered("the terminal is gone: everything is off")
    return answer


async def _watched(settings: Settings, field: Field, ask: Ask, text: str) -> tuple[str, Courses]:
    """Put a question, and follow every point until the answer."""
    courses = Courses(settings)
    await field.scan()
    courses.take(field.values)
    asking = asyncio.ensure_future(_said(ask, text))
    while not asking.done():
        await asyncio.wait([asking], timeout=_SCAN_S)
        await field.scan()
        courses.take(field.values)
    return await asking, courses


async def _turn_pump(settings: Settings, field: Field, names: list[str], name: str, ask: Ask, run_s: float) -> Trial:
    """Run the pump briefly one way, and ask what was seen."""
    way = 1 if name == "pump_run" else -1
    await all_off(field, names)
    courses = Courses(settings)
    courses.take(field.values)
    if stop_pressed(field):
        return Trial(name, good=False, found=STOP_PRESSED)
    await run_briefly(settings, field, names, name, run_s, lambda: courses.take(field.values))
    await asyncio.sleep(min(settings.pump.coast, run_s))
    await field.scan()
    courses.take(field.values)
    answer = await _said(ask, f"{name}: which way did the water go? {_WAYS}:")
    return _trial(name, field, partial(_pump_fault, settings, courses.of, name, way, answer))


STOP_PRESSED = "the emergency stop is pressed: nothing was switched"


def stop_pressed(field: Field) -> bool:
    """Whether an input shows the emergency stop pressed."""
    estop = field.values.get("estop_ok")
    return estop is not None and not estop.raw


async def run_briefly(
    settings: Settings, field: Field, names: list[str], name: str, run_s: float, scanned: Callable[[], object]
) -> tuple[float, float]:
    """Run the pump by one output for ``run_s`` at most, all off afterwards; returns when it went on and off.

    ``scanned`` is called after each scan; where it returns True, the run ends at once.
    """
    assert run_s <= LONGEST_S
    opened = {"fill_valve": True} if "fill_valve" in names else {}
    beats = {HEARTBEAT: False} if HEARTBEAT in settings.points else {}
    await arm(settings, field)
    loop, on_s = asyncio.get_running_loop(), math.inf
    try:
        # A pump that first changes its direction starts later and runs for as long.
        last_s = loop.time() + run_s + settings.direction_settle_s + LONGEST_S
        while loop.time() < min(on_s + run_s, last_s):
            # Refresh outputs and heartbeat as in a fill.
            await field.write(opened | beats | {name: True})
            on_s = loop.time() if on_s == math.inf and name not in field.unrenewed else on_s
            await asyncio.sleep(min(_SCAN_S / settings.clock.scale, run_s / 4))
            await field.scan()
            if scanned() is True:
                break
            beats = {each: not on for each, on in beats.items()}
    finally:
        off_s = loop.time()
        await field.write(dict.fromkeys([*names, *beats], False))
    return on_s, off_s


async def arm(settings: Settings, field: Field) -> None:
    """Write the output module's own time-out, if any: the pump is live, and this computer may hang."""
    if "output_timeout" in settings.points:
        unit = conversions(settings.quantities)["output_timeout"]
        await field.write_number("output_timeout", (settings.limits.output_timeout - unit.offset) / unit.factor)


def _pump_fault(settings: Settings, courses: Mapping[str, Course], name: str, way: int, answer: str) -> str:
    if answer[:1] not in ("o", "i"):
        return "nothing turned: look at contactor, supply, breaker and emergency stop"
    if (answer[:1] == "o") is not (way > 0):
        return "the pump turns the other way: CUT ITS SUPPLY and swap its wires before anything else"
    feedback = FEEDBACK[RUN if RUN in settings.points else name]
    contactor = courses.get(feedback)
    if contactor is not None and not contactor.high:
        return f"{feedback} never showed it in: look at its auxiliary contact"
    point = METER_POINT.get(settings.meter.kind)
    if not KINDS[settings.meter.kind].in_line or point is None:
        return ""
    return meter_fault(courses, point, settings.meter.reverse, way)


def steps_text(trials: list[Trial]) -> str:
    """The results, a line for each step."""
    lines = [f"  {trial.name:<16} {'good' if trial.good else f'NOT GOOD: {trial.found}'}" for trial in trials]
    return "\n".join(lines) or "  no step was taken"
