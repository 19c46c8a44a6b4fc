"""The step that finds whatever else is wired, as the person names it. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from rig.commission.acts import Talk
from rig.commission.found import Finding, Known
from rig.commission.gauge_step import GAUGES, gauge
from rig.commission.number_step import analogue
from rig.commission.switch_step import SWITCHES, switch
from rig.commission.talk import GivenUp, choice

_MORE = {
    "1": ("tote_level", "the tote's level"), "2": ("tote_mass", "a scale under the tote"),
    "3": ("fluid_temp", "the liquid's temperature"), "4": ("tyre_pressure", "a gauge at the gun"),
    "5": ("tote_low", "a float: the tote is empty"), "6": ("tote_full", "a float: the tote is about to run over"),
    "7": ("liquid_in_vent", "a sensor of liquid in the vent line"), "8": ("stop_button", "a stop button at the gun"),
    "9": ("start_button", "a start button at the gun"),
}  # fmt: skip


def find_more(known: Known) -> Talk[Finding]:
    """Whatever else the person says is wired, one by one."""
    whole = Finding()
    while True:
        have = {*known.points, *whole.points}
        words = {key: text for key, (name, text) in _MORE.items() if name not in have}
        number = yield from choice("What else is wired?", {**words, "0": "nothing more"})
        if number == "0":
            return whole
        name = _MORE[number][0]
        seen = replace(known, progress=known.progress.with_done("more", whole))
        try:
            found = yield from _found_by(name)(seen, name)
        except GivenUp:
            continue
        whole = whole.model_copy(update={
            "points": {**whole.points, **found.points}, "why": {**whole.why, **found.why},
            "rows": (*whole.rows, *found.rows),
        })  # fmt: skip


def _found_by(name: str) -> Callable[[Known, str], Talk[Finding]]:
    """The dialogue that finds a point."""
    if name in SWITCHES:
        return switch
    return gauge if name in GAUGES else analogue
