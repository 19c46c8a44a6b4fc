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
from rig.sentence import Sentence, Wording

_WATCH = 0.7 * LIMIT
"""A sound meter exceeds it in one to two fills of a hundred, by simulation."""
_DRIFT = 0.01
"""The drift whose chance of detection is stated."""
_LEARNED_FILLS = 20
"""Number of fills after which a learned bias is good enough to be worth waiting for."""

Condition = Literal["learning", "fine", "watch", "out"]

_CAUSE: dict[Direction, Wording] = {
    "low": Wording("meter.cause_low", "pulses are lost: the meter is fouled or slipping"),
    "high": Wording("meter.cause_high", "it counts what is not there: air or froth in the line, stray pulses"),
}
_DIRECTION: dict[Direction, Wording] = {
    "low": Wording("meter.reads_low", "low"), "high": Wording("meter.reads_high", "high"),
}  # fmt: skip
_NAMED = {
    "pulses": Wording("reference.pulses", "pulses"), "total": Wording("reference.total", "total"),
    "rate": Wording("reference.rate", "rate"), "scale": Wording("reference.scale", "scale"),
    "tote level": Wording("reference.tote_level", "tote level"),
    "run time": Wording("reference.run_time", "run time"),
}  # fmt: skip
"""References that have words in another language; any other is called by its name."""
_NOTHING = Sentence("", "", "", {})


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
    text: Sentence


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
        text=_WHOLE(
            what=_text(called(name), condition, direction, chart, least),
            bias=_bias_text(condition, chart, doubt),
            scatter=_scatter_text(chart),
        ),
    )


def _condition(chart: Chart) -> Condition:
    if chart.out is not None:
        return "out"
    if chart.learns and chart.fills <= BASELINE_FILLS:
        return "learning"
    return "watch" if max(chart.high, chart.low) > _WATCH else "fine"


_WHOLE = Wording("meter.verdict", "{what}{bias}{scatter}")


def called(name: str) -> Sentence:
    """The name of a reference."""
    return _NAMED[name]() if name in _NAMED else Sentence(name, "", name, {})


def _text(
    name: Sentence, condition: Condition, direction: Direction | None, chart: Chart, least: float | None
) -> Sentence:
    if condition == "learning":
        words = Wording(
            "meter.learning",
            "against {name}: fill {fill:number} of the {most:number} that set its own bias; says nothing yet",
        )
        return words(name=name, fill=chart.fills, most=BASELINE_FILLS)
    if direction is None:
        words = Wording("meter.fine", "against {name}: fine over {fills:number} fills; {sight}")
        return words(name=name, fills=chart.fills, sight=_sight_text(chart, least))
    watch = Wording(
        "meter.watch",
        "against {name}: to be watched, fill {fill:number}, the meter reads {direction}, about {percent:number} %: "
        "{cause}, or the {name} is off",
    )
    out = Wording(
        "meter.out",
        "against {name}: out of limits since fill {fill:number}, the meter reads {direction}, about {percent:number} "
        "%: {cause}, or the {name} is off",
    )
    return (out if condition == "out" else watch)(
        name=name,
        fill=chart.out_at or chart.fills,
        direction=_DIRECTION[direction](),
        percent=round(100 * abs(chart.drift()), 1),
        cause=_CAUSE[direction](),
    )


def _sight_text(chart: Chart, least: float | None) -> Sentence:
    """What can be seen now, and after more learning where that is better."""
    now = round(10 * chance_to_see(chart, _DRIFT))
    later = round(10 * chance_to_see(grown(chart, _LEARNED_FILLS), _DRIFT)) if chart.learns else now
    wait, large = _NOTHING, _NOTHING
    if later > now:
        wait = Wording("meter.later", " (after {fills:number} fills in {cases:number})")(
            fills=_LEARNED_FILLS, cases=later
        )
    if least is not None:
        large = Wording("meter.large", ", one of {percent:number} % in 9 of 10")(percent=round(100 * least, 1))
    words = Wording(
        "meter.sight", "a drift of {percent:number} % would be found within {fills:number} fills {often}{wait}{large}"
    )
    return words(percent=100 * _DRIFT, fills=WITHIN_FILLS, often=_often(now), wait=wait, large=large)


def _often(cases: int) -> Sentence:
    if cases in (0, 10):
        never, always = Wording("meter.never", "hardly ever"), Wording("meter.always", "almost always")
        return (always if cases else never)()
    return Wording("meter.cases", "in {cases:number} of 10 cases")(cases=cases)


def _bias_text(condition: Condition, chart: Chart, doubt: float | None) -> Sentence:
    """Report a constant difference, which no chart detects: one of the two was off from the start."""
    if doubt is None or not chart.learns or condition == "learning":
        return _NOTHING
    if abs(chart.mean) <= doubt + 2 * chart.weight**-0.5:
        return _NOTHING
    more = Wording(
        "meter.more", "; from the first fill on the meter read {percent:number} % more than it: one of the two is off"
    )
    less = Wording(
        "meter.less", "; from the first fill on the meter read {percent:number} % less than it: one of the two is off"
    )
    return (more if chart.mean > 0 else less)(percent=round(100 * abs(chart.mean), 1))


def _scatter_text(chart: Chart) -> Sentence:
    words = Wording("meter.scatter", "; it scatters {times:number} times as much as it should")
    return words(times=round(chart.excess, 1)) if chart.excess > 1 else _NOTHING


def advice(found: Sequence[Verdict], *, proven: bool) -> Sentence:
    """The next action, in one sentence."""
    out = [each for each in found if each.condition == "out"]
    directions = {each.direction for each in out}
    if not proven:
        return Wording("meter.not_proven", "The meter is not proven: prove it (rig prove).")()
    if len(out) > 1 and len(directions) == 1 and out[0].direction is not None:
        words = Wording(
            "meter.agree",
            "{names} agree that the meter reads {direction}: clean strainer and meter, then prove it.",
        )
        return words(names=_together(out), direction=_DIRECTION[out[0].direction]())
    if out:
        words = Wording(
            "meter.look",
            "Look at the {names} first; if nothing is found there, clean strainer and meter, then prove it.",
        )
        return words(names=_together(out))
    if any(each.condition == "watch" for each in found):
        return Wording("meter.clean", "Clean the strainer, watch the next fills; prove it when it goes on.")()
    nothing, none = (
        Wording("meter.nothing", "Nothing to do."),
        Wording("meter.none", "No comparisons yet: a scale or a tote level would show a drift."),
    )
    return (nothing if found else none)()


def _together(verdicts: Sequence[Verdict]) -> Sentence:
    first, *others = (called(each.reference) for each in verdicts)
    for other in others:
        first = Wording("meter.and", "{one} and {other}")(one=first, other=other)
    return first
