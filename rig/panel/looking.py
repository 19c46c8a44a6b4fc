"""The look with air as the page shows it: each step, and what its room says of the chosen wheel. It moves nothing."""

from __future__ import annotations

from dataclasses import replace

from rig.run.air_look import Looked, growth_by, room_by
from rig.run.assembly import Question, cavity_asked
from rig.run.messages import Controller
from rig.sentence import Sentence, Wording
from rig.shop.questions import widths_of
from rig.wheel import Cavity, read_size
from rig.wheel.known import KNOWN_SIZES
from rig.wheel.room import Fit, Room, fits, missing_l

_SHOWN = 4
_AGREES = Wording("look.agrees", "Look with air: room {room:volume} ± {band:volume}, agrees")
_DOUBTS = Wording("look.doubts", "Look with air: room {room:volume} ± {band:volume}, contradicts")
_ROOM = Wording(
    "look.room", "Look with air: room {room:volume} ± {band:volume} at {pressure:pressure}. On this rim it fits:"
)
_EMPTY = Wording("look.empty", "{percent:number} %: {size}, nothing inside")
_LOADED = Wording("look.loaded", "{percent:number} %: {size}, about {litres:volume} inside already")
_STEPS: dict[str, Wording] = {
    "settle": Wording("air_look.settle", "Both pressures come to rest. Stand aside of the tyre."),
    "open": Wording("air_look.opened", "The air valve is open."),
    "equalise": Wording("air_look.equalise", "Air goes over into the tyre. Stand aside of it."),
    "shut": Wording("air_look.shuts", "The air valve shuts."),
    "creep": Wording(
        "air_look.creep",
        "The valve is shut. The air takes the temperature of its surroundings: a minute or two.",
    ),
    "joined": Wording("air_look.joined", "The air valve is open once more, for one pressure in both."),
}
"""What goes on where no hand is needed."""
_DONE: dict[str, Wording] = {
    "air_connect": Wording("air_look.connected", "Connected, aside"),
    "air_open": Wording("air_look.is_open", "It is open"),
    "air_shut": Wording("air_look.is_shut", "It is shut"),
}
"""The answer to each prompt."""


def with_look(
    rig: Controller, question: Question, position: str, job: str, width: str = "", girth: str = ""
) -> Question:
    """The question with the room that a look has measured in this wheel, if there was one.

    ``width`` and ``girth`` are those before and after, as typed; QuantityError for a text that is none.
    """
    looked = rig.snapshot().live.looked
    if looked is None or not looked.is_of(question.size, position, job):
        return question
    if looked.room is None or not width.strip():
        return replace(question, room=looked.room)
    girths_m = widths_of(girth) if girth.strip() else None
    growth = growth_by(looked.look, widths_of(width), cavity_asked(question), girths_m)
    return replace(question, room=room_by(rig.settings, looked.setup, looked.look, growth))


def room_view(room: Room | None, cavity: Cavity, existing_l: float) -> dict[str, object] | None:
    """The room, whether it contradicts the chosen wheel, and which sizes of its rim have it; None: not measured."""
    if room is None:
        return None
    rim_in, chosen = cavity.designation.rim_in, cavity.designation.text
    sizes = {size for size in KNOWN_SIZES if read_size(size).rim_in == rim_in} | {chosen}
    likely = fits(room, sorted(sizes))
    found, own = likely[:_SHOWN], next(each for each in likely if each.size == chosen)
    # What the chosen size would hold is always shown.
    found += [] if own in found else [own]
    agrees, figures = missing_l(room, cavity, existing_l) is None, {"room": room.litres, "band": room.u_l}
    return {
        "agrees": agrees,
        "says": (_AGREES if agrees else _DOUBTS)(**figures),
        "found": [_ROOM(**figures, pressure=room.at_kpa), *(_fit(each) for each in found)],
    }


def _fit(fit: Fit) -> Sentence:
    percent = round(100 * fit.probability)
    if fit.liquid_l is None:
        return _EMPTY(percent=percent, size=fit.size)
    return _LOADED(percent=percent, size=fit.size, litres=fit.liquid_l)


def look_view(looked: Looked | None) -> dict[str, object] | None:
    """The look under way; None where there is none, or it has ended."""
    if looked is None or looked.look.over:
        return None
    look, prompt = looked.look, looked.prompt
    _, tank, tyre = look.last or (0.0, None, None)
    return {
        "size": looked.wanted.wheel.size,
        "position": looked.wanted.position,
        "valve": look.valve,
        "tank_kpa": None if tank is None else round(tank, 1),
        "tyre_kpa": None if tyre is None else round(tyre, 2),
        "limit_kpa": round(looked.setup.tyre_limit_kpa, 2),
        "trip_kpa": round(looked.setup.tyre_trip_kpa, 2),
        "prompt": None if prompt is None else {"name": prompt.name, "done": _DONE[prompt.name]()},
        "text": _STEPS[look.phase]() if prompt is None else prompt.text,
    }
