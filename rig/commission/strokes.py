"""What a short run of the pump shows: its flow, how late it comes and how long it runs on; and a gauge's lag. Pure."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

_TAU = 0.3679
"""What is left of a sudden change after one time constant: 1/e."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One scan of a run: litres past the meter since the begin, and the gauge."""

    at_s: float
    litres: float
    kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Stroke:
    """A run of the pump. Litres have the sign of the count."""

    flow_lps: float
    start_s: float
    """From the relay to full speed, of a speed that rises in proportion to time."""
    coast_s: float
    """From the relay to standstill, of one that falls so."""
    litres: float
    loss_kpa: float | None
    """What the gauge shows above rest while it flows."""


def stroke_of(samples: Sequence[Sample], on_s: float, off_s: float) -> Stroke | None:
    """The run between the times at which its relay was switched; None where too little was seen to judge.

    The second half of the run is taken for steady.
    """
    middle_s = on_s + (off_s - on_s) / 2
    steady = [each for each in samples if middle_s <= each.at_s <= off_s]
    before = [each for each in samples if each.at_s <= on_s]
    after = [each for each in samples if each.at_s > off_s]
    if len(steady) < 3 or not before or not after:
        return None
    line = statistics.linear_regression([each.at_s for each in steady], [each.litres for each in steady])
    if line.slope == 0:
        return Stroke(0.0, 0.0, 0.0, after[-1].litres - before[-1].litres, None)
    starts_s = (before[-1].litres - line.intercept) / line.slope
    overrun_l = after[-1].litres - (line.intercept + line.slope * off_s)
    return Stroke(
        flow_lps=line.slope,
        start_s=max(0.0, 2 * (starts_s - on_s)),
        coast_s=max(0.0, 2 * overrun_l / line.slope),
        litres=after[-1].litres - before[-1].litres,
        loss_kpa=_rise(before, steady),
    )


def _rise(before: Sequence[Sample], steady: Sequence[Sample]) -> float | None:
    rest, flowing = ([each.kpa for each in part if each.kpa is not None] for part in (before, steady))
    return statistics.median(flowing) - statistics.median(rest) if rest and flowing else None


def lag_of(numbers: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """Time constant of a gauge from a sudden change, and the time between its readings; None without a change.

    ``numbers`` are times and values from before the change until after it.
    """
    if len(numbers) < 6:
        return None
    first = statistics.median(value for _, value in numbers[:3])
    last = statistics.median(value for _, value in numbers[-3:])
    whole = first - last
    waver = max(abs(value - first) for _, value in numbers[:3])
    if abs(whole) <= 10 * waver or not whole:
        return None
    began = max((at for at, (_, value) in enumerate(numbers) if (value - last) / whole > 0.95), default=0)
    fallen = next((at_s for at_s, value in numbers[began:] if (value - last) / whole <= _TAU), None)
    gap_s = statistics.median(after - before for (before, _), (after, _) in pairwise(numbers))
    return None if fallen is None else (fallen - numbers[began][0], gap_s)
