"""Cautions on a wheel's pressures before, in and after a planned fill. It must not know liquids."""

from __future__ import annotations

from collections.abc import Iterator

from rig.caution import COMMON_PRACTICE, Caution
from rig.plan.strokes import Foreseen, Window
from rig.sentence import Wording
from rig.units import KPA_PER_PSI

_MOST_AT_START_KPA = 15 * KPA_PER_PSI


def pressure_cautions(
    start_kpa: float | None, working_kpa: float | None, foreseen: Foreseen, window: Window
) -> Iterator[Caution]:
    """Cautions on the pressures at the start, of the plan and at work, gauge kPa; None where one is not known."""
    if not foreseen.reaches_target:
        text = Wording("caution.not_reached", "the plan does not reach the target inside the pressure window")
        yield Caution("danger", text(), Wording("source.plan", "the plan's own model")())
    if start_kpa is not None and start_kpa > _MOST_AT_START_KPA:
        text = Wording("caution.let_down_first", "let the tyre down below {most:pressure} first")
        source = Wording("source.procedure", "tyre maker's procedure, margin ours")
        yield Caution("caution", text(most=_MOST_AT_START_KPA), source())
    working, final = working_kpa, foreseen.final_kpa
    if working is None or not foreseen.reaches_target:
        return
    if working > window.ceiling_kpa:
        text = Wording(
            "caution.air_up_after",
            "working pressure {working:pressure} is above the filling ceiling: air up after the liquid is in",
        )
        yield Caution("note", text(working=working), COMMON_PRACTICE)
    elif abs(working - final) > KPA_PER_PSI:
        text = (
            Wording(
                "caution.air_up",
                "air the tyre up from {final:pressure} to {working:pressure} with the valve at the top",
            )
            if final < working
            else Wording(
                "caution.let_down",
                "let the tyre down from {final:pressure} to {working:pressure} with the valve at the top",
            )
        )
        yield Caution("note", text(final=final, working=working), COMMON_PRACTICE)
