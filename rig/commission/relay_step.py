"""The step that finds the outputs: one relay at a time, the pump isolated, read back, and seen by the person. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rig.choice import Choice
from rig.commission.acts import AllOff, Isolate, Switch, Talk
from rig.commission.found import Checked, Finding, Keys, Known, Row
from rig.commission.switching import Bit, switches_of
from rig.commission.talk import GivenUp, ask, choice, look, say, yes
from rig.commission.wires import Film, Place
from rig.field.points import Table

ISOLATE = (
    "Now relays are switched. Isolate the pump: plug pulled or breaker locked, valves shut, nobody at the gun. An air "
    "tank: its hand valve shut, its hose open into nothing. Contactors may click, and nothing may turn."
)
_CLICK_S, _OFF_S = 1.0, 0.5
_MOVED = {
    "1": ("pump_run", "the pump's contactor forward"), "2": ("pump_reverse", "the pump's contactor in reverse"),
    "3": ("motor_run", "the pump's run contactor, with another one for the direction"),
    "4": ("motor_direction", "the contactor of the pump's direction"), "5": ("vent_valve", "the vent valve at the gun"),
    "6": ("fill_valve", "a valve that shuts the hose off"), "7": ("flush_valve", "a bypass of the meter"),
    "8": ("beacon", "the beacon"), "9": ("heartbeat", "the input of the pulse timers"),
    "a": ("air_valve", "the air valve of a tank for the look with air"),
}  # fmt: skip
_WITH_FEEDBACK = ("pump_run", "pump_reverse", "motor_run", "motor_direction", "fill_valve", "vent_valve")
PUMPS = (("pump_run", "pump_reverse"), ("motor_run", "motor_direction"))
_PLACE = re.compile(
    r"(?P<link>\S+)\s+(?:unit\s+)?(?P<unit>\d+)\s+(?P<table>coil|discrete|holding|input)\s+(?P<first>\d+)"
    r"(?:\s*(?:-|to)\s*(?P<last>\d+))?"
)


def read_places(text: str) -> list[Place]:
    """Places such as ``bus1 unit 1 coil 0-7``; empty if it is no such text."""
    found = _PLACE.fullmatch(text.strip())
    if found is None:
        return []
    first, last = int(found["first"]), int(found["last"] or found["first"])
    table: Table = found["table"]  # type: ignore[assignment]  # one of the pattern's words
    return [Place(found["link"], int(found["unit"]), table, at) for at in range(first, min(last, 65535) + 1)]


def isolated() -> Talk[None]:
    """Make sure that the pump is isolated; GivenUp without the person's word."""
    if not (yield Isolate(ISOLATE)):
        yield from say("  Nothing was switched.")
        raise GivenUp


@dataclass(frozen=True, slots=True)
class Clicked:
    """What the wires showed of one click."""

    place: Place
    before: Film
    on: Film
    off: Film
    fault: str

    @property
    def readable(self) -> bool:
        """Whether the output can be read back."""
        return bool(self.before) and self.place in self.before[-1].words

    @property
    def agrees(self) -> bool:
        """Whether it read on while it was on, and off before and after."""
        shown = [film[-1].words.get(self.place, 0) if film else 0 for film in (self.before, self.on, self.off)]
        return [bool(each) for each in shown] == [False, True, False]


def find_relays(known: Known) -> Talk[Finding]:
    """The outputs, each by a click; the contactors' feedback contacts with them."""
    yield from isolated()
    places = yield from _candidates(known)
    points: dict[str, Keys] = {}
    rows, tests = list[Row](), list[Checked]()
    for place in places:
        clicked = yield from _click(place)
        if clicked.fault:
            yield from say(f"  {place}: {clicked.fault}")
            continue
        name = yield from _what_moved(clicked, points)
        if not name:
            continue
        points[name] = _output(place, readable=clicked.readable)
        seen = f"{_read_words(clicked)}; seen to move alone"
        tests.append(Checked(what=f"{name} clicked", expected="on, off, and nothing else", seen=seen,
                            good=clicked.agrees or not clicked.readable))  # fmt: skip
        rows.append(Row(what=name, value=str(place), how="clicked, seen by a person"))
        points |= yield from _feedback(name, clicked, known.taken_bits() | {(each, None) for each in places})
    by_hand = yield from _complete(points)
    return Finding(
        points=points,
        tables={"rig": {"by_hand": True}} if by_hand else {},
        why={f"points.{name}": "clicked, and seen to move" for name in points},
        rows=tuple(rows),
        tests=tuple(tests),
    )


def _candidates(known: Known) -> Talk[list[Place]]:
    """The outputs to try, as the person names them: what else a module takes writes for is not known."""
    found = list[Place]()
    for name, unit, first, last in _coils(known):
        text = (
            f"{name} unit {unit} has coils {first} to {last}. Which of them are relays, by the module's manual? For "
            "example 0-3"
        )
        while True:
            answer = (yield from ask(text, Choice("n", "none"))).lower()
            places = read_places(f"{name} {unit} coil {answer}") if answer not in ("n", "none") else []
            if places or answer in ("n", "none"):
                break
            yield from say("  Write for example 0-3, one number, or n.")
        found += places
    while True:
        answer = yield from ask(
            "Relays that are written otherwise, by the manual: for example bus1 unit 1 holding 0-3", Choice("", "none")
        )
        places = read_places(answer) if answer else []
        if not answer:
            return found
        if places and places[0].table in ("coil", "holding") and places[0].link in known.wires:
            found += places
        else:
            yield from say(f"  A link ({', '.join(known.wires)}), its unit, coil or holding, and the address.")


def _coils(known: Known) -> Iterator[tuple[str, int, int, int]]:
    for name, wire in known.wires.items():
        for module in wire.modules:
            for span in module.spans:
                if span.table == "coil":
                    yield name, module.unit, span.address, span.address + span.count - 1


def _click(place: Place) -> Talk[Clicked]:
    """Switch one relay on for a second, everything off before and after."""
    fault: str = yield AllOff()
    before = yield from look(_OFF_S)
    fault = fault or (yield Switch(place, on=True))
    on = yield from look(_CLICK_S)
    fault = (yield AllOff()) or fault
    off = yield from look(_OFF_S)
    return Clicked(place, before, on, off, fault)


def _what_moved(clicked: Clicked, points: dict[str, Keys]) -> Talk[str]:
    """The output by what the person saw; empty for nothing."""
    words = {key: text for key, (name, text) in _MOVED.items() if name not in points}
    answer = yield from choice(
        f"{clicked.place} was on for a second ({_read_words(clicked)}). What clicked or moved?",
        {**words, "r": "I did not look: again", "n": "nothing, or nothing of this rig", "x": "more than one thing"},
    )
    if answer == "r":
        again = yield from _click(clicked.place)
        return (yield from _what_moved(again, points))
    if answer == "x":
        yield from say("  One relay must move one thing: look at the wiring before anything else is switched.")
        raise GivenUp
    return _MOVED[answer][0] if answer in _MOVED else ""


def _read_words(clicked: Clicked) -> str:
    if not clicked.readable:
        return "it cannot be read back"
    return "read on, then off" if clicked.agrees else "ITS READ-BACK DOES NOT FOLLOW"


def _output(place: Place, *, readable: bool) -> Keys:
    keys: Keys = {"link": place.link, "unit": place.unit, "table": place.table, "address": place.address}
    return keys | ({} if readable else {"write_only": True})


def _feedback(name: str, clicked: Clicked, taken: set[Bit]) -> Talk[dict[str, Keys]]:
    """The input that followed the relay, if the person says that it is its contactor's contact."""
    if name not in _WITH_FEEDBACK:
        return {}
    found = switches_of(clicked.before, [clicked.on], [clicked.off], taken)
    for each in found:
        if (yield from yes(f"{each} followed {name}: is it the auxiliary contact of what moved?")):
            return {f"{name}_feedback": each.point(yes_at_rest=False)}
    return {}


def _complete(points: dict[str, Keys]) -> Talk[bool]:
    """Whether a lever works the pump; GivenUp where neither a lever nor relays do."""
    if any(set(pair) <= points.keys() for pair in PUMPS):
        return False
    if (yield from yes("No relays for both directions of the pump were found. Does a person work it by a lever?")):
        return True
    yield from say(
        "  Without them nothing can be filled: look at the wiring and the list of coils, and do this step again."
    )
    raise GivenUp


def outputs_of(points: dict[str, Keys]) -> Sequence[str]:
    """The names of the outputs among points."""
    return [name for name, _ in _MOVED.values() if name in points]
