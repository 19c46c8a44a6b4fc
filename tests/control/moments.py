"""Scans of sound fills, and changes put into them, for tests of single conditions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

from virtual_fills import fill_of, rig_settings

from rig.control.belief.observe import Facts
from rig.control.moves.decide import Decision
from rig.control.words.procedure import Phase
from rig.control.words.values import Setup
from rig.run.assembly import Question

Moment = tuple[Setup, Facts]
Change = Callable[[Setup, Facts], Facts]


@cache
def moment(what: str) -> Moment:
    """A scan of a sound fill: with the pump filling, drawing air or reversing the hose off, or with the vent open."""
    wanted: dict[str, Callable[[Decision], bool]] = {
        "fill": lambda d: d.facts.forward and d.facts.run_s > 8 and d.facts.steady,
        "draw": lambda d: d.facts.reverse and d.facts.air_at_pump and d.facts.run_s > 4,
        "flush": lambda d: d.facts.phase is Phase.BACK_FLUSH and d.facts.reverse and d.facts.run_s > 1,
        "vent": lambda d: d.facts.venting,
    }
    fill = fill_of(rig_settings("draw-down" if what == "draw" else "vent"), Question("16.9-28"))
    return fill.setup, fill.run(until=wanted[what]).facts


def reads(**values: object) -> Change:
    return lambda _, facts: replace(facts, reading=replace(facts.reading, **values))


def reads_of(name: str, limit: Callable[[Setup], float], by: float) -> Change:
    return lambda setup, facts: replace(facts, reading=replace(facts.reading, **{name: limit(setup) + by}))


def is_(**values: object) -> Change:
    return lambda _, facts: replace(facts, **values)


def of(name: str, limit: Callable[[Setup, Facts], float], by: float) -> Change:
    return lambda setup, facts: replace(facts, **{name: limit(setup, facts) + by})


def seen(**outputs: bool) -> Change:
    return lambda _, facts: replace(
        facts, reading=replace(facts.reading, outputs_seen=replace(facts.outputs, **outputs))
    )


def both(*changes: Change) -> Change:
    def changed(setup: Setup, facts: Facts) -> Facts:
        for change in changes:
            facts = change(setup, facts)
        return facts

    return changed
