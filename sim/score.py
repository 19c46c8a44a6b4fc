"""How well a campaign's records state their uncertainty: interval score and coverage, by stratum.

The score of a central 95 % interval is its width plus 2/α times what the truth lies outside it, α = 0.05: both a vague
and a wrong statement cost (Gneiting and Raftery, J. Am. Stat. Assoc. 102 (2007) 359). Here in percent of the fill's
target, so that large and small wheels count alike.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import fmean, median, stdev

ALPHA = 0.05
BASELINE = Path(__file__).parent / "score_baseline.json"
"""Scores of an earlier campaign, that later ones are printed against."""
_LEAST_FILLS, _MANY_FILLS = 20, 200
"""Fewest fills of a stratum that is printed, and of one that is judged."""
_WORSE = 1.25


@dataclass(frozen=True, slots=True)
class Account:
    """What a record states of its litres, and the truth."""

    net_l: float
    within_l: tuple[float, float]
    """The least and the most at 95 %."""
    true_l: float
    target_l: float
    strata: tuple[str, ...]
    """What the fill had: sound or faulty, each fault, its meter, its layout."""

    @property
    def off_l(self) -> float:
        """Error of the net volume, without its sign."""
        return abs(self.net_l - self.true_l)

    @property
    def u_l(self) -> float:
        """Half the width of the stated interval."""
        low_l, high_l = self.within_l
        return (high_l - low_l) / 2

    @property
    def holds(self) -> bool:
        """Whether the truth lies in it."""
        low_l, high_l = self.within_l
        return low_l <= self.true_l <= high_l

    @property
    def score(self) -> float:
        """Interval score in percent of the target."""
        return 100 * interval_score(*self.within_l, self.true_l) / self.target_l


@dataclass(frozen=True, slots=True)
class Row:
    """One stratum's figures; percent of the target unless stated otherwise."""

    stratum: str
    fills: int
    coverage: float
    """Share of the fills whose truth lies in the stated interval, 0 to 1."""
    score: float
    """Mean interval score."""
    score_u: float
    """Its standard error."""
    width: float
    """Median half-width."""
    used: float
    """Median of error over half-width: 0.34 for calibrated normal 95 % statements."""


def interval_score(low: float, high: float, true: float, alpha: float = ALPHA) -> float:
    """Score of a central ``1 - alpha`` interval, in its unit; smaller is better."""
    return (high - low) + 2 / alpha * (max(0.0, low - true) + max(0.0, true - high))


def scored(accounts: Iterable[Account]) -> list[Row]:
    """The strata with enough fills, all fills first, then by name."""
    by_stratum: dict[str, list[Account]] = {}
    for each in accounts:
        for stratum in ("all", *each.strata):
            by_stratum.setdefault(stratum, []).append(each)
    names = sorted(by_stratum, key=lambda name: (name != "all", name))
    return [_row(name, by_stratum[name]) for name in names if len(by_stratum[name]) >= _LEAST_FILLS]


def _row(stratum: str, accounts: Sequence[Account]) -> Row:
    return Row(
        stratum=stratum,
        fills=len(accounts),
        coverage=round(fmean(each.holds for each in accounts), 4),
        score=round(fmean(each.score for each in accounts), 3),
        score_u=round(stdev(each.score for each in accounts) / math.sqrt(len(accounts)), 3),
        width=round(median(100 * each.u_l / each.target_l for each in accounts), 3),
        used=round(median(each.off_l / each.u_l if each.u_l else 0.0 for each in accounts), 3),
    )


def as_documents(rows: Sequence[Row]) -> list[dict[str, object]]:
    """The rows for a JSON document, each with the ratio of its score to the baseline's where that has the stratum."""
    before = _baseline()
    return [{**asdict(row), "over_baseline": _over(row, before)} for row in rows]


def print_scores(rows: Sequence[Row], say: Callable[[str], None]) -> None:
    """Print a line for each stratum."""
    before = _baseline()
    say(f"{'stratum':<28}{'fills':>7}{'coverage':>10}{'score':>9}{'± median':>10}{'error/±':>9}{'over baseline':>15}")
    for row in rows:
        over = _over(row, before)
        say(
            f"{row.stratum:<28}{row.fills:>7}{row.coverage:>10.3f}{row.score:>9.2f}{row.width:>10.2f}{row.used:>9.3f}"
            f"{'-' if over is None else format(over, '.2f'):>15}"
        )


def worse(rows: Sequence[Row]) -> list[str]:
    """Strata of many fills whose truth is covered too seldom, or whose score is well above the baseline's; in words.

    Three standard errors are allowed for chance, and a quarter of the baseline for other seeds.
    """
    before, found = _baseline(), []
    for row in rows:
        if row.fills < _MANY_FILLS:
            continue
        chance = 3 * math.sqrt(ALPHA * (1 - ALPHA) / row.fills)
        if row.coverage < 1 - ALPHA - chance:
            found.append(f"{row.stratum}: the stated interval holds the truth in {row.coverage:.1%} only")
        if row.stratum in before and row.score - 3 * row.score_u > _WORSE * before[row.stratum]:
            found.append(f"{row.stratum}: score {row.score:.2f}, baseline {before[row.stratum]:.2f}")
    return found


def _baseline() -> dict[str, float]:
    rows = json.loads(BASELINE.read_text(encoding="utf-8"))["rows"] if BASELINE.exists() else []
    return {row["stratum"]: row["score"] for row in rows}


def _over(row: Row, before: dict[str, float]) -> float | None:
    return round(row.score / before[row.stratum], 3) if before.get(row.stratum) else None
