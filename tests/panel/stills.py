"""The page before prepared moments: snapshots that the facade made of virtual fills, shown one at a time.

Whole fills take minutes; what a screen looks like in a state is seen in a moment. Only the rig is not there: page,
routes, sign-in and pictures are those of the service.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from near import Near
from pages import people_added
from shop_books import fill_now, journal_with
from virtual_fills import fill_of, rig_settings
from virtual_fills import removal_of as removal

from rig.control.belief.state import in_tyre_l
from rig.control.moves.decide import Decision
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.changed import changed
from rig.control.words.procedure import Phase, State
from rig.control.words.values import Request, RequestKind
from rig.fluid import read_fluid
from rig.panel.listening import listening
from rig.panel.people import People
from rig.panel.server import served
from rig.panel.sessions import Sessions
from rig.panel.web import Page
from rig.record.work import Ended
from rig.run.assembly import Memory, Question, vessel_setup
from rig.run.facade import Facade, Live, Shown, Snapshot
from rig.run.settings import Settings
from rig.shop.posting import journal_to_read
from sim.faults import read_fault
from sim.virtual import VirtualFill, VirtualRig

QUESTION = Question("16.9-28")
ABOUT = Shown(QUESTION.size, "rear left", None, "beet", "Jo", 12.0)
DONE = "done-0001"
LEVERS = {
    "rig__by_hand": True,
    **{
        f"points__hand_{name}": {"link": "io", "table": "coil", "address": address}
        for name, address in (("lever_forward", 20), ("lever_back", 21), ("vent_open", 22))
    },
    "points__pump_reverse": None,
    "points__vent_valve": None,
}
Until = Callable[[VirtualFill, Decision], bool]


def _phase(phase: Phase, least_l: float = 0.0) -> Until:
    return lambda fill, now: (
        now.state.phase is phase
        and now.state.state is State.RUNNING
        and abs(in_tyre_l(fill.setup, now.state)) >= least_l
        and (phase is not Phase.SETTLE or now.facts.rests)
    )


def _state(state: State) -> Until:
    return lambda _, now: now.state.state is state


def _prompt(fill: VirtualFill, now: Decision) -> bool:
    return now.prompt is not None


def _vessel() -> VirtualFill:
    settings = rig_settings()
    setup = vessel_setup(settings, read_fluid("water"), 15.0, 40.0, "test", Memory())
    return VirtualFill(VirtualRig(settings, [read_fault("hose_off@0")]), setup)


def _asked(fill: VirtualFill, *kinds: RequestKind) -> VirtualFill:
    """Run to a moment and queue requests."""
    fill.run(until=lambda now: _phase(Phase.FILL, 60.0)(fill, now))
    for kind in kinds:
        fill.ask(Request(f"still-{kind}", kind, by="Jo"))
    return fill


def _too_high(fill: VirtualFill) -> VirtualFill:
    """A tyre whose trip lies below the pressure that it has reached."""
    now = _asked(fill).run(most_s=0.0)
    assert now.facts.tyre_kpa is not None
    fill.setup = replace(fill.setup, trip_kpa=now.facts.tyre_kpa - 2.0)
    return fill


_fill = lambda *faults, **changes: fill_of(rig_settings(**changes), QUESTION, faults)  # noqa: E731

MOMENTS: dict[str, Callable[[], tuple[VirtualFill, Until]]] = {
    "filling": lambda: (_fill(), _phase(Phase.FILL, 60.0)),
    "settling": lambda: (_fill(), _phase(Phase.SETTLE, 60.0)),
    "air out": lambda: (_fill(), _phase(Phase.VENT, 30.0)),
    "prompt": lambda: (_fill(), _prompt),
    "held": lambda: (_asked(_fill(), "hold"), _state(State.HELD)),
    "alarm": lambda: (_fill("meter_dead@60"), _state(State.HELD)),
    "tripped": lambda: (_fill("estop@60"), _state(State.ABORTED)),
    "pressure trip": lambda: (_too_high(_fill()), _state(State.ABORTED)),
    "by hand": lambda: (_fill(**LEVERS), _prompt),
    "emptying": lambda: (removal("11L-15", 60.0, 0, []), _phase(Phase.EMPTY, 10.0)),
    "rinse": lambda: (_vessel(), _phase(Phase.FILL, 5.0)),
    "proving run": lambda: (_vessel(), _phase(Phase.FILL, 10.0)),
}
"""Fills to run, and the moment to stop at."""
STATES = ("ready check", *MOMENTS, "done", "stale")


@cache
def moment(name: str) -> Snapshot:
    """What the facade shows at that moment of a virtual fill."""
    fill, until = MOMENTS[name]()
    last = fill.run(until=lambda now: until(fill, now))
    assert until(fill, last), f"{name} was not reached: {last.state.state}, {last.state.alarms}"
    facade = Facade(fill.rig.settings)
    in_vessel = fill.setup.into == "open vessel"
    facade.begins(ABOUT if not in_vessel else Shown(fluid="water", by="Jo"), QUESTION)
    facade(fill.setup, last)
    shown = facade.snapshot()
    assert shown.setup is not None
    own = replace(shown.setup, fill_id=name)
    return replace(shown, setup=own, question=None if in_vessel else QUESTION)


def alarmed(name: str) -> Snapshot:
    """The moment of an alarm, with another one in its place."""
    shown = moment("alarm")
    assert shown.decision is not None
    assert shown.setup is not None
    state = shown.decision.state
    state = changed(state, alarms=changed(state.alarms, first_out=name))
    if GUARD_NAMED[name].action == "trip":
        state = changed(state, state=State.ABORTED)
    decision = replace(shown.decision, state=state)
    return replace(shown, decision=decision, setup=replace(shown.setup, fill_id=name))


class Still(Facade):
    """A facade that shows a kept snapshot, as fresh as a running loop's; None: what it would show by itself."""

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        self.kept: Snapshot | None = None
        self.age_s = 0.0
        self.beat(Live(moment("filling").decision.facts.reading))  # type: ignore[union-attr]

    def snapshot(self) -> Snapshot:
        """The kept one."""
        return replace(self.kept or super().snapshot(), seen_s=time.monotonic() - self.age_s)


@dataclass
class Stills:
    """The served page and what it shows."""

    facade: Still
    url: str
    done: Ended
    sessions: Sessions

    def show(self, name: str) -> None:
        """Go to a state; the next picture has it."""
        self.facade.age_s = 60.0 if name == "stale" else 0.0
        if name in MOMENTS:
            self.facade.kept = moment(name)
        elif name in GUARD_NAMED:
            self.facade.kept = alarmed(name)
        elif name == "done":
            self.facade.kept = replace(Facade.snapshot(self.facade), ended=self.done)
        elif name == "ready check":
            self.facade.kept = None


@contextmanager
def stills(folder: Path, **changes: object) -> Iterator[Stills]:
    """The page with people, a book with one fill, and no rig."""
    folder.mkdir(exist_ok=True)
    wheels = {"wheels__loader-rear": {"size": QUESTION.size}, **changes}
    settings = rig_settings(rig__data=str(folder / "rig-data"), **wheels)
    people_added(folder)
    journal_with(folder / "rig-data", fill_now(DONE, job=None, delivery="known", billable=True))
    work = journal_to_read(folder / "rig-data").fill(DONE).work
    assert work is not None
    facade = Still(settings)
    page = Page(Near(facade), People(folder / "rig-data"), "rig.toml", "")
    bound = listening("127.0.0.1", 0)
    with served(page.app(), settings.panel, bound):
        url = f"http://127.0.0.1:{bound.getsockname()[1]}"
        yield Stills(facade, url, Ended(work=work, in_book=True, number=1), page.door.sessions)
        page.hub.ended = True
