"""What a dialogue asks of the world around it, and what it receives in return. Pure data.

A dialogue is a generator: it yields an act and is sent its result. Whoever performs the acts keeps these rules: nothing
is written before :class:`Isolate` was answered with its word, everything written on is written off on every way out.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

from rig.choice import DONE, Choice
from rig.commission.found import Finding, Step
from rig.commission.strokes import Sample
from rig.commission.wires import BusLink, Film, Place, View
from rig.field.blocks import Block

ISOLATED = "isolated"
"""The word by which a person states that the pump's supply is isolated."""
WATER = "water"
"""The word by which a person states that the rig is ready for its first water."""
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Say:
    """Show the person a text. Result: None."""

    text: str


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask the person something. Result: the key of an offered answer, or the typed text, without blanks around it."""

    text: str
    choices: tuple[Choice, ...] = ()
    typed: bool = True
    """Whether another answer than the offered ones is taken."""


@dataclass(frozen=True, slots=True)
class Watch:
    """Ask, and read the places again and again until the answer, and twice after it. Result: :class:`Watched`."""

    text: str
    places: frozenset[Place] | None = None
    """None: all that answer."""
    choices: tuple[Choice, ...] = DONE
    typed: bool = False


@dataclass(frozen=True, slots=True)
class Watched:
    """A person's answer, and what the wires showed until then."""

    answer: str
    film: Film


@dataclass(frozen=True, slots=True)
class Look:
    """Read the places for a time. Result: a film."""

    seconds: float
    places: frozenset[Place] | None = None


@dataclass(frozen=True, slots=True)
class Ports:
    """List the serial ports. Result: pairs of path and description."""


@dataclass(frozen=True, slots=True)
class Peek:
    """Read one block of a unit. Result: :class:`Seen`."""

    link: BusLink
    block: Block


@dataclass(frozen=True, slots=True)
class Seen:
    """Answer to a read. ``absent``: a gateway says that there is no such unit; ``closed``: no connection."""

    kind: Literal["values", "refused", "absent", "silent", "closed"]
    values: tuple[int, ...] = ()
    code: int = 0
    """Of the exception that refuses."""
    took_s: float = 0.0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Isolate:
    """Make sure that the person has stated, in this session, that the pump is isolated. Result: whether so."""

    text: str


@dataclass(frozen=True, slots=True)
class Switch:
    """Write one output, which is then renewed while the wires are watched. Result: the fault, empty if it was taken."""

    place: Place
    on: bool


@dataclass(frozen=True, slots=True)
class AllOff:
    """Write everything off that was written. Result: the fault, empty if all is off."""


@dataclass(frozen=True, slots=True)
class Put:
    """Write a number to holding registers. Result: the fault."""

    view: View
    raw: float


@dataclass(frozen=True, slots=True)
class Silence:
    """Send nothing for a time. Result: None."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Faults:
    """Check a configuration. Result: a line for each mistake."""

    document: dict[str, object]


@dataclass(frozen=True, slots=True)
class Turn:
    """Run the pump for two seconds by an output of a configuration, after :data:`WATER`. Result: :class:`Turned`."""

    document: dict[str, object]
    output: str


@dataclass(frozen=True, slots=True)
class Turned:
    """A short run. Times in seconds of the rig's own time."""

    fault: str = ""
    samples: tuple[Sample, ...] = ()
    on_s: float = 0.0
    off_s: float = 0.0
    peak_kpa: float | None = None
    verdict: str = ""
    """What is wrong with the meter's or the contactor's signals for this direction; empty if nothing is."""


@dataclass(frozen=True, slots=True)
class Rehearse:
    """Let the controller run the pump's relay, the pump isolated, until it stops by itself. Result: Rehearsed."""

    document: dict[str, object]
    litres: float


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """How long the relay was on, and why the controller let go of it."""

    seconds: float
    reason: str
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Standing:
    """Look at the configuration file in place. Result: its first line, empty if there is none."""


@dataclass(frozen=True, slots=True)
class Write:
    """Write the configuration file. Result: None."""

    text: str


@dataclass(frozen=True, slots=True)
class Keep:
    """Save a finished step, so that it is not lost with the power. Result: the finding with time and person."""

    step: Step
    finding: Finding


@dataclass(frozen=True, slots=True)
class Seal:
    """Enter the commissioning sheet into the book. Result: the serial number of the record."""

    sheet: Finding


@dataclass(frozen=True, slots=True)
class Prove:
    """Prove the meter with a known can by the configuration as written. Result: :class:`Proven`."""

    can: str


@dataclass(frozen=True, slots=True)
class Proven:
    """The outcome of a proving, in a line; and whether its factor was taken."""

    text: str
    taken: bool


Act = (
    Say | Ask | Watch | Look | Ports | Peek | Isolate | Switch | AllOff | Put | Silence | Faults | Turn | Rehearse
    | Standing | Write | Prove | Keep | Seal
)  # fmt: skip
Talk = Generator[Act, Any, T]
