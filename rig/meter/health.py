"""What the fills since the last proving say of the meter: a chart for each reference, and a verdict in plain words.

Right after a proving the meter is right, so what a reference then differs by is the reference's own bias: learned in
the first fills, unless it is a true standard. It must not know where comparisons come from.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rig.meter.chart import BASELINE_FILLS, LIMIT, WITHIN_FILLS, Chart, Direction, least_drift, seen

_WATCH = 0.7 * LIMIT
"""A sound meter is seldom above it: in two fills of a hundred."""

Condition = Literal["learning", "fine", "watch", "out"]

_CAUSE: dict[Direction, str] = {
    "low": "pulses are lost: the meter is fouled or slipping",
    "high": "it counts what is not there: air or froth in the line, stray pulses",
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """The meter against one reference in one fill: ``ratio`` is meter over reference, ``u`` its relative sigma."""

    reference: str
    ratio: float
    u: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """How the meter stands against one reference."""

    reference: str
    condition: Condition
    direction: Direction | None
    """Which way the meter reads; None where nothing is seen."""
    fills: int
    drift_percent: float
    """About how far it is off, by the chart."""
    sees_percent: float | None
    """The least drift that this reference shows within 10 fills, nine times in ten; None where it shows none yet."""
    excess: float
    """How many times more the fills scatter than the reference claims; 1 where that is not plain."""
    bias_percent: float | None
    """What the reference differs by on its own; None for a standard."""
    out_at: int | None
    """The fill, counted from the proving, in which the limit was crossed."""
    high: float
    low: float
    limit: float
    text: str


def verdicts(
    fills: Iterable[Sequence[Comparison]], standards: Collection[str] = (), doubts: Mapping[str, float] | None = None
) -> tuple[Verdict, ...]:
    """One verdict for each reference, from the fills since the last proving, oldest first.

    What one of the ``standards`` differs by is the meter's doing; the others' bias is learned. ``doubts`` says how far
    a reference may be off by itself (relative, at 95 %): a bias beyond that is told.
    """
    charts: dict[str, Chart] = {}
    for comparisons in fills:
        for each in comparisons:
            chart = charts.get(each.reference, Chart(learns=each.reference not in standards))
            charts[each.reference] = seen(chart, each.ratio - 1, each.u)
    return tuple(_verdict(name, chart, (doubts or {}).get(name)) for name, chart in charts.items())


def _verdict(name: str, chart: Chart, doubt: float | None) -> Verdict:
    condition, larger = _condition(chart), max(chart.high, chart.low)
    direction = chart.out or (("high" if chart.high > chart.low else "low") if larger > _WATCH else None)
    least = None if condition == "learning" else least_drift(chart.fills if chart.learns else None)
    sees = None if least is None else 100 * least * chart.sigma * chart.excess
    return Verdict(
        reference=name,
        condition=condition,
        direction=direction,
        fills=chart.fills,
        drift_percent=100 * chart.drift(),
        sees_percent=sees,
        excess=chart.excess,
        bias_percent=100 * chart.mean if chart.learns else None,
        out_at=chart.out_at if chart.out else None,
        high=chart.high,
        low=chart.low,
        limit=LIMIT,
        text=_text(name, condition, direction, chart, sees)
        + _bias_text(name, condition, chart, doubt)
        + _scatter_text(chart),
    )


def _condition(chart: Chart) -> Condition:
    if chart.out is not None:
        return "out"
    if chart.learns and chart.fills <= BASELINE_FILLS:
        return "learning"
    return "watch" if max(chart.high, chart.low) > _WATCH else "fine"


def _text(name: str, condition: Condition, direction: Direction | None, chart: Chart, sees: float | None) -> str:
    if condition == "learning":
        return f"against {name}: fill {chart.fills} of the {BASELINE_FILLS} that set its own bias; says nothing yet"
    can = "" if sees is None else f"; this rig sees a drift of {sees:.1f} % within {WITHIN_FILLS} fills by it"
    if direction is None:
        return f"against {name}: fine over {chart.fills} fills{can}"
    word = "out of limits since fill" if condition == "out" else "to be watched, fill"
    return (
        f"against {name}: {word} {chart.out_at or chart.fills}, the meter reads {direction}, about "
        f"{100 * abs(chart.drift()):.1f} %: {_CAUSE[direction]}, or the {name} is off{can}"
    )


def _bias_text(name: str, condition: Condition, chart: Chart, doubt: float | None) -> str:
    """What a constant difference says, which no chart sees: one of the two was off from the start."""
    if doubt is None or not chart.learns or condition == "learning":
        return ""
    if abs(chart.mean) <= doubt + 2 * chart.weight**-0.5:
        return ""
    return f"; from the first fill on the meter read {100 * chart.mean:+.1f} % against it: one of the two is off"


def _scatter_text(chart: Chart) -> str:
    return f"; it scatters {chart.excess:.1f} times as much as it should" if chart.excess > 1 else ""


def advice(found: Sequence[Verdict], *, proven: bool) -> str:
    """What to do next, in one sentence."""
    out = [each for each in found if each.condition == "out"]
    directions = {each.direction for each in out}
    names = " and ".join(each.reference for each in out)
    if not proven:
        return "The meter is not proven: prove it (rig prove)."
    if len(out) > 1 and len(directions) == 1:
        return f"{names} agree that the meter reads {out[0].direction}: clean strainer and meter, then prove it."
    if out:
        return f"Look at the {names} first; if nothing is found there, clean strainer and meter, then prove it."
    if any(each.condition == "watch" for each in found):
        return "Clean the strainer, watch the next fills; prove it when it goes on."
    return "Nothing to do." if found else "No comparisons yet: a scale or a tote level would show a drift."
