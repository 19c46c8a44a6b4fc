"""The steps of the relay module's own time-out, and of what a power loss does to the count. Pure."""

from __future__ import annotations

from rig.choice import Choice
from rig.commission.acts import AllOff, Put, Silence, Switch, Talk
from rig.commission.found import Checked, Finding, Keys, Known, Row, place_of
from rig.commission.relay_step import isolated, outputs_of, read_places
from rig.commission.talk import ask, choice, look, quantity, say, watch, yes
from rig.commission.wires import Film, View
from rig.units import parse

_KINDS = {
    "r": "it has a register for it",
    "f": "it has one, built in or set by switches",
    "n": "it has none, or nobody knows",
}
NO_TIMEOUT = (
    "Nothing on this board switches the pump off when the computer or its bus stops. Wire two off-delay timers behind "
    'a pulsing relay (heartbeat), as WIRING.md shows under "A board without a time-out", or take a board with a '
    "time-out."
)
_MARGIN = 1.25


def find_timeout(known: Known) -> Talk[Finding]:
    """The register of the module's time-out, written and proven by silence; or what must be wired instead."""
    if not outputs_of(known.points):
        return Finding(rows=(Row(what="Output time-out", value="no outputs"),))
    kind = yield from choice("Does the relay module switch its outputs off by itself when the bus is quiet?", _KINDS)
    if kind == "n":
        return (yield from _none(known))
    yield from isolated()
    time = yield from quantity("After how long a silence?", "time", "2 s", above_zero=True)
    points, view, raw = (yield from _register(known, time)) if kind == "r" else ({}, None, 0.0)
    fixed: Keys = {"timeout_fixed": True} if kind == "f" else {}
    test = yield from _proven(known, parse(time, "time"), view, raw)
    return Finding(
        points=points,
        tables={"limits": {"output_timeout": time, **fixed}},
        why={"points.output_timeout": "address and step by the module's manual; written and read back"},
        rows=(Row(what="Output time-out", value=time, how="written and read back" if points else "built in"),),
        tests=(test,),
    )


def _none(known: Known) -> Talk[Finding]:
    yield from say(f"  {NO_TIMEOUT}")
    beats = "heartbeat" in known.points
    seen = "a pulsing relay is wired instead" if beats else "none; nothing is wired instead"
    test = Checked(what="Output time-out", expected="outputs drop when the bus is quiet", seen=seen, good=beats)
    return Finding(rows=(Row(what="Output time-out", value="none", how=NO_TIMEOUT),), tests=(test,))


def _register(known: Known, time: str) -> Talk[tuple[dict[str, Keys], View, float]]:
    """Ask for the register, write it, and read it back until it holds what was written."""
    first = place_of(known.points[outputs_of(known.points)[0]])
    while True:
        answer = yield from ask(
            f"Its register by the manual, counted from 0, for example {first.link} unit {first.unit} holding 0"
        )
        places = read_places(answer)
        if not places or places[0].table != "holding" or places[0].link not in known.wires:
            yield from say("  A link, its unit, holding, and the address.")
            continue
        step = yield from quantity("One step of it is", "time", "100 ms", above_zero=True)
        step_s = parse(step, "time")
        view, raw = View(places[0], "u16"), round(parse(time, "time") / step_s)
        fault: str = yield Put(view, raw)
        film = yield from look(0.5, view.places)
        shown = view.of(film[-1].words) if film else None
        if not fault and shown == raw:
            point = {**view.point(), "scale": step_s, "quantity": "s"}
            return {"output_timeout": point}, view, raw
        yield from say(f"  {fault or f'it was written as {raw} and reads {shown}'}: look at the address and the step.")


def _proven(known: Known, time_s: float, view: View | None, raw: float) -> Talk[Checked]:
    """A relay on, then silence: it must be off before anything is sent again."""
    name = outputs_of(known.points)[0]
    point = known.points[name]
    place = place_of(point)
    yield AllOff()
    if view is not None:
        yield Put(view, raw)
    fault: str = yield Switch(place, on=True)
    before = yield from look(0.5, [place])
    yield from say(f"  Listen to {name}: silence for {_MARGIN * time_s + 0.5:.1f} s.")
    yield Silence(_MARGIN * time_s + 0.5)
    after = yield from look(0.3, [place])
    yield AllOff()
    read = "" if point.get("write_only") else _read_words(before, after, fault)
    heard = yield from yes(f"Did {name} drop out by itself during the silence?")
    seen = "; ".join(filter(None, (read, "seen to drop" if heard else "NOT seen to drop")))
    good = heard and read in ("", _DROPPED)
    if not good:
        yield from say(f"  Not proven: {seen}. {NO_TIMEOUT}")
    return Checked(what="Output time-out by silence", expected=f"off within {time_s:g} s", seen=seen, good=good)


_DROPPED = "read on before and off after"


def _read_words(before: Film, after: Film, fault: str) -> str:
    on, off = (bool(next(iter(film[0].words.values()), 0)) if film else None for film in (before[-1:], after[:1]))
    if fault or on is not True:
        return f"it was never on ({fault or 'read off'})"
    return _DROPPED if off is False else "read on after the silence"


# --- power ------------------------------------------------------------------------------------------------------------


_WATCHED = ("meter_count", "meter_reverse_count", "meter_total", "output_timeout")


def find_power(known: Known) -> Talk[Finding]:
    """What a loss of power does to the meter's count, and to the time-out that was written."""
    views = {name: _view(known.points[name]) for name in _WATCHED if name in known.points}
    if not views:
        return Finding(rows=(Row(what="Count over a power loss", value="no count"),))
    places = [place for view in views.values() for place in view.places]
    before = yield from look(1.0, places)
    watched = yield from watch(
        "Switch the modules' supply off, wait ten seconds, and switch it on again. Are they up?",
        Choice("n", "it cannot be switched off"), places=places,
    )  # fmt: skip
    if watched.answer.lower() in ("n", "no"):
        return Finding(rows=(Row(what="Count over a power loss", value="not tried"),))
    after = yield from look(1.0, places)
    tests = [_kept(name, view, before, after) for name, view in views.items()]
    return Finding(tests=tuple(tests))


def _view(point: Keys) -> View:
    return View(place_of(point), point["type"], point.get("order", "ABCD"))  # type: ignore[arg-type]


def _kept(name: str, view: View, before: Film, after: Film) -> Checked:
    """What became of a number."""
    was, now = (view.of(film[-1].words) if film else None for film in (before, after))
    lost = now == 0 and was != 0
    if name == "output_timeout":
        # It is written before every start, and a loss holds a fill: either is good.
        seen = "not read" if now is None or was is None else "kept" if was == now else f"{was:g} became {now:g}"
        what = "Time-out over a power loss"
        return Checked(what=what, expected="kept, or lost and seen", seen=seen, good=now is not None)
    what = f"{name} over a power loss"
    expected = "kept, or zero"
    if now is None or was is None:
        return Checked(what=what, expected=expected, seen="it was not read", good=False)
    if now == was or lost:
        return Checked(what=what, expected=expected, seen="kept" if now == was else "zero", good=True)
    seen = f"AN OLD COUNT: {was:.0f} became {now:.0f}; a fill is held there, and what passed meanwhile is not known"
    return Checked(what=what, expected=expected, seen=seen, good=False)
