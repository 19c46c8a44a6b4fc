"""Alarms: what the controller's own table says of each, with the written causes and tests by its name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

from rig.books.wording import PHASE_WORDS
from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARDS
from rig.control.words.procedure import Phase, State
from rig.guide.topic import Topic, of_page

PAGE = "reference/alarms"
_TEST, _FAULT = "\nTest: ", re.compile(r"\nSimulated: `([^`]+)`(?: with `([^`]+)`)?$")
_HOLDS = "Holds the fill: everything goes off, and a person goes on once the cause is gone."
_TRIPS = "Trips: everything goes off and stays off until the cause is gone and a person resets it."
_ACCEPTED = "You may look and go on past it: it is recorded, and not reported again in this fill."


@dataclass(frozen=True, slots=True)
class Simulated:
    """A fault, as the simulator takes it, and the example that it is shown with."""

    fault: str
    config: str


def alarm_topics() -> Iterator[Topic]:
    """A topic for each row of the controller's table."""
    for guard in GUARDS:
        yield Topic(f"alarms/{guard.name}", guard.text, partial(_text, guard))


def simulated(name: str) -> Simulated | None:
    """What shows this alarm on a simulated rig; None where no fault does by itself."""
    found = _FAULT.search(of_page(PAGE)[name])
    return None if found is None else Simulated(found[1], found[2] or "demo")


def _text(guard: Guard) -> str:
    causes, _, test = _FAULT.sub("", of_page(PAGE)[guard.name]).partition(_TEST)
    parts = [
        f"**First:** {guard.first}",
        f"{_TRIPS if guard.action == 'trip' else _HOLDS} {_when(guard)}",
        *([_ACCEPTED] * guard.may_accept),
        f"**Likely causes,** the likeliest first:\n\n{causes.strip()}",
        f"**To test it:** {test.strip()}",
    ]
    if shown := simulated(guard.name):
        how = "[simulated rig](how-to/try-it-on-a-simulated-rig)"
        parts.append(f"On a {how} with [{shown.config}](examples/{shown.config}): `--fault {shown.fault}`.")
    return "\n\n".join([*parts, f"`{guard.name}` is one of [all alarms]({PAGE})."])


def _when(guard: Guard) -> str:
    """When it is watched, and how soon it acts."""
    phases = [phase for phase in Phase if (State.RUNNING, phase) in guard.scope]
    left_out = [phase for phase in Phase if phase not in phases]
    waits = any(state is not State.RUNNING for state, _ in guard.scope)
    if not waits:
        when = f"in the steps {_steps(phases)}" if left_out else "while a fill runs"
    elif left_out:
        when = f"always but in the step {_steps(left_out)}"
    else:
        when = "always" if (State.IDLE, Phase.SETTLE) in guard.scope else "from the start of a fill to its end"
    soon = f"once it has lasted {guard.delay_s:g} s" if guard.delay_s else "as soon as it is seen"
    return f"Watched {when}; acts {soon}."


def _steps(phases: list[Phase]) -> str:
    return ", ".join(PHASE_WORDS[phase] for phase in phases)
