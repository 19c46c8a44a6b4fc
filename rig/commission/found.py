"""What a step has found: parts of the configuration with their reasons, rows of the sheet, tests; and the progress."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from rig.commission.switching import Bit
from rig.commission.wires import Place, Wire, Wires
from rig.field.points import REGISTERS, Strict

Keys = dict[str, object]
Step = Literal["look", "meter", "stop", "gauge", "more", "relays", "timeout", "power", "air", "rig", "dry", "wet",
               "write", "prove", "sheet"]  # fmt: skip
STEPS: dict[Step, str] = {
    "look": "what answers on the wires; reading only",
    "meter": "turn the rotor by hand: the meter's count",
    "stop": "press the emergency stop: its input",
    "gauge": "open to air, and at a known pressure: the gauge",
    "more": "what else is wired: level, scale, floats, temperature, buttons",
    "relays": "click the relays one by one, the pump isolated",
    "timeout": "the relay module's own time-out, proven by silence",
    "power": "the modules' supply off and on: is the count kept?",
    "air": "a tank of air for the look before a fill, if there is one: gauge and valve",
    "rig": "hose, pump, relief, tote: what the plates and a tape say",
    "dry": "dry tests, the pump isolated",
    "wet": "water into an open can: relief, direction, flow, lag, loss",
    "write": "the configuration file",
    "prove": "prove the meter with a known can",
    "sheet": "the commissioning sheet, in the book",
}
"""The steps in their order."""
_OF_ALL: tuple[Step, ...] = ("write", "prove", "sheet")
"""Steps that find nothing for the configuration."""


class Row(Strict):
    """A value for the sheet: what, how much, by what it is known."""

    what: str
    value: str
    how: str = ""


class Checked(Strict):
    """A test: what was expected, what was seen, and whether that is good."""

    what: str
    expected: str
    seen: str
    good: bool


class Finding(Strict):
    """The outcome of a step."""

    at: str = ""
    """When it was finished, ISO, UTC; set by whoever performs the acts."""
    by: str = ""
    wires: dict[str, Wire] = Field(default_factory=dict)
    points: dict[str, Keys] = Field(default_factory=dict)
    tables: dict[str, Keys] = Field(default_factory=dict)
    """Keys of the configuration by table; times and quantities as text with their unit."""
    why: dict[str, str] = Field(default_factory=dict)
    """Comments of the configuration by dotted key."""
    rows: tuple[Row, ...] = ()
    tests: tuple[Checked, ...] = ()


class Progress(Strict):
    """All finished steps: a half-done commissioning goes on from here."""

    version: Literal[1] = 1
    simulated: float | None = None
    """Speed of a simulated rig; None for a real one."""
    done: dict[Step, Finding] = Field(default_factory=dict)

    @property
    def next(self) -> Step | None:
        """The first step that is not done; None once all are."""
        return next((step for step in STEPS if step not in self.done), None)

    def with_done(self, step: Step, finding: Finding) -> Progress:
        """The progress with one more step done; what is made of all steps is then made anew."""
        base = self if step in _OF_ALL else self.without(step)
        return self.model_copy(update={"done": {**base.done, step: finding}})

    def without(self, step: Step) -> Progress:
        """The progress with a step to be repeated, and with it what is made of all steps."""
        # The step of the tank asks by what the relays were found to be.
        again = {step, "write", "sheet"} | ({"air"} if step == "relays" else set())
        return self.model_copy(update={"done": {name: each for name, each in self.done.items() if name not in again}})


@dataclass(frozen=True, slots=True)
class Known:
    """What a step may know: the steps before it, and facts from outside."""

    progress: Progress
    today: str
    """The day, ISO."""

    @property
    def wires(self) -> Wires:
        """The links with their modules."""
        look = self.progress.done.get("look")
        return {} if look is None else look.wires

    @property
    def points(self) -> dict[str, Keys]:
        """All points found so far."""
        return {name: keys for each in self._ordered() for name, keys in each.points.items()}

    @property
    def tables(self) -> dict[str, Keys]:
        """All keys found so far, by table."""
        found: dict[str, Keys] = {}
        for each in self._ordered():
            for table, keys in each.tables.items():
                found[table] = {**found.get(table, {}), **keys}
        return found

    @property
    def why(self) -> dict[str, str]:
        """All comments found so far."""
        return {key: text for each in self._ordered() for key, text in each.why.items()}

    def taken(self) -> set[Place]:
        """Places that are known to be something, wholly or in part."""
        return {place for keys in self.points.values() for place in places_of_point(keys)}

    def taken_bits(self) -> set[Bit]:
        """The bits of them that are known to be something; None for all."""
        return {(place, keys.get("bit")) for keys in self.points.values() for place in places_of_point(keys)}

    def _ordered(self) -> Iterator[Finding]:
        done: Mapping[Step, Finding] = self.progress.done
        return (done[step] for step in STEPS if step in done)


def places_of_point(keys: Keys) -> Iterator[Place]:
    """The places that a point of the configuration covers."""
    first = place_of(keys)
    for step in range(REGISTERS[keys.get("type", "bool")]):  # type: ignore[index]
        yield first.next(step)


def place_of(keys: Keys) -> Place:
    """The first place of a point of the configuration."""
    return Place(keys["link"], keys["unit"], keys["table"], keys["address"])  # type: ignore[arg-type]
