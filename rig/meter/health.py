"""The meter's condition by the fills since the last proving: a control chart and a verdict for each reference.

The meter is assumed right just after a proving, so a reference's difference then is its own bias: learned in the first
fills, unless it is a true standard. It must not know where comparisons come from.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rig.meter.chart import (
    BASELINE_FILLS,
    LIMIT,
    WITHIN_FILLS,
    Chart,
    Direction,
    chance_to_see,
    grown,
    least_drift,
    seen,
)

_WATCH = 0.7 * LIMIT
"""A sound meter exceeds it in one to two fills of a hundred, by simulation."""
_DRIFT = 0.01
"""The drift whose chance of detection is stated."""
_LEARNED_FILLS = 20
"""Number of fills after which a learned bias is good enough to be worth waiting for."""

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
    """The meter's condition against one reference."""

    reference: str
    condition: Condition
    direction: Direction | None
    """Direction of the meter's error; None where none is detected."""
    fills: int
    drift_percent: float
    """Estimated drift, by the chart."""
    sees_percent: float | None
    """Least drift that this reference detects within 10 fills, nine times in ten; None where it detects none yet."""
    sees_1_percent: float | None
    """Probability that a drift of 1 % is detected within 10 fills; None while the bias is learned."""
    repeats: float
    """Lag-1 autocorrelation of the errors, as the judgement assumes it; high while the fills are few."""
    excess: float
    """Ratio of the fills' scatter to the reference's claim; 1 where it is not significant."""
    bias_percent: float | None
    """The reference's own bias; None for a standard."""
    out_at: int | None
    """The fill, counted from the proving, at which the limit was crossed."""
    high: float
    low: float
    limit: float
    text: str


def verdicts(
    fills: Iterable[Sequence[Comparison]], standards: Collection[str] = (), doubts: Mapping[str, float] | None = None
) -> tuple[Verdict, ...]:
    """One verdict for each reference, from the fills since the last proving, oldest first.

    A difference from one of the ``standards`` counts as the meter's error; the others' bias is learned. ``doubts`` has
    each reference's own uncertainty (relative, at 95 %): a bias beyond that is reported.
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
    least = None if condition == "learning" else least_drift(chart)
    return Verdict(
        reference=name,
        condition=condition,
        direction=direction,
        fills=chart.fills,
        drift_percent=100 * chart.drift(),
        sees_percent=None if least is None else 100 * least,
        sees_1_percent=None if condition == "learning" else chance_to_see(chart, _DRIFT),
        repeats=chart.repeats(),
        excess=chart.excess,
        bias_percent=100 * chart.mean if chart.learns else None,
        out_at=chart.out_at if chart.out else None,
        high=chart.high,
        low=chart.low,
        limit=LIMIT,
        text=_text(name, condition, direction, chart, least)
        + _bias_text(name, condition, chart, doubt)
        + _scatter_text(chart),
    )


def _condition(chart: Chart) -> Condition:
    if chart.out is not None:
        return "out"
    if chart.learns and chart.fills <= BASELINE_FILLS:
        return "learning"
    return "watch" if max(chart.high, chart.low) > _WATCH else "fine"


def _text(name: str, condition: Condition, direction: Direction | None, chart: Chart, least: float | None) -> str:
    if condition == "learning":
        return f"against {name}: fill {chart.fills} of the {BASELINE_FILLS} that set its own bias; says nothing yet"
    if direction is None:
        return f"against {name}: fine over {chart.fills} fills; {_sight_text(chart, least)}"
    word = "out of limits since fill" if condition == "out" else "to be watched, fill"
    return (
        f"against {name}: {word} {chart.out_at or chart.fills}, the meter reads {direction}, about "
        f"{100 * abs(chart.drift()):.1f} %: {_CAUSE[direction]}, or the {name} is off"
    )


def _sight_text(chart: Chart, least: float | None) -> str:
    """What can be seen now, and after more learning where that is better."""
    now = round(10 * chance_to_see(chart, _DRIFT))
    later = round(10 * chance_to_see(grown(chart, _LEARNED_FILLS), _DRIFT)) if chart.learns else now
    often = {0: "hardly ever", 10: "almost always"}.get(now, f"in {now} of 10 cases")
    wait = f" (after {_LEARNED_FILLS} fills in {later})" if later > now else ""
    large = "" if least is None else f", one of {100 * least:.1f} % in 9 of 10"
    return f"a drift of {100 * _DRIFT:.0f} % would be found within {WITHIN_FILLS} fills {often}{wait}{large}"


def _bias_text(name: str, condition: Condition, chart: Chart, doubt: float | None) -> str:
    """Report a constant difference, which no chart detects: one of the two was off from the start."""
    if doubt is None or not chart.learns or condition == "learning":
        return ""
    if abs(chart.mean) <= doubt + 2 * chart.weight**-0.5:
        return ""
    return f"; from the first fill on the meter read {100 * chart.mean:+.1f} % against it: one of the two is off"


def _scatter_text(chart: Chart) -> str:
    return f"; it scatters {chart.excess:.1f} times as much as it should" if chart.excess > 1 else ""


def advice(found: Sequence[Verdict], *, proven: bool) -> str:
    """The next action, in one sentence."""
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
