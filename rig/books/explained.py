"""`rig stock explain`, `rig office stock explain`: a sentence a day on what is missing in each tote, with its evidence.

Words of what :mod:`rig.ledger.explaining` finds; computes nothing.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from rig.books.where import day_of, local, print_answer
from rig.cli.table import OK
from rig.ledger.explaining import FALSE_ALARM_DAYS, USUAL_DAYS, Cause, Estimate, Explained, Finding, explain
from rig.ledger.moment import local_day
from rig.run.mistakes import nearest
from rig.run.refused import Refused
from rig.shop.posting import place_of
from rig.shop.stock_history import History

if TYPE_CHECKING:
    from rig.ledger.book import Book

_MOST_DAYS = 400
_YEAR_DAYS = 365.25
_LONG_YEARS = 1000


@dataclass(frozen=True, slots=True)
class _Words:
    """A cause in words: where liquid is missing, and where there is too much."""

    missing: str
    too_much: str
    unit: str = "l"
    """End of its names in a document."""
    scale: float = 1.0

    def amount(self, found: Estimate) -> str:
        """Its size with the uncertainty at 95 %."""
        size, u = self.scale * abs(found.size), self.scale * found.u
        return f"{size:.2f} ± {u:.2f} %" if self.unit == "percent" else f"{size:.1f} ± {u:.1f} L"

    def of(self, found: Estimate) -> str:
        """The cause with its size."""
        return (self.missing if found.size >= 0 else self.too_much).format(self.amount(found))


_WORDS: dict[Cause, _Words] = {
    "meter": _Words("the meter counts {} too little", "the meter counts {} too much", "percent", 100.0),
    "leak": _Words("it leaks {} a day", "it gains {} a day", "l_per_day"),
    "hose": _Words("each use of the hose loses {}", "each use of the hose brings {}", "l_per_use"),
    "loaded": _Words("{} less is loaded than booked", "{} more is loaded than booked", "percent", 100.0),
    "drawn": _Words("{} more is loaded out than booked", "{} less is loaded out than booked", "percent", 100.0),
    "step": _Words("{} left it without a booking", "{} came in without a booking"),
    "misread": _Words("a reading is {} too low", "a reading is {} too high"),
}  # fmt: skip
_TELLS_APART: tuple[tuple[frozenset[Cause], str], ...] = (
    (frozenset({"step", "misread"}), "read it again"),
    (frozenset({"loaded"}), "weigh some loads and book them with --within"),
    (frozenset({"drawn"}), "weigh what is loaded out of it and book it with --within"),
    (frozenset({"leak"}), "read it before and after days without work"),
    (frozenset({"hose", "meter"}), "read it between small wheels and large ones"),
)
"""What would tell causes apart; the first row whose causes are all among them."""


def add_explain_options(stock: argparse.ArgumentParser) -> None:
    """Options of ``explain``."""
    stock.add_argument(
        "--days", type=int, default=USUAL_DAYS, metavar="N", help="of `explain`: from the readings of so many days"
    )
    stock.add_argument("--date", metavar="YYYY-MM-DD", help="of `explain`: as known on that local day (default: today)")


def explain_command(
    options: argparse.Namespace, book: Book, histories: Callable[[Book, str, str], list[History]]
) -> int:
    """Print a sentence for each vessel of a book."""
    refuse_without_scipy()
    if not 1 <= options.days <= _MOST_DAYS:
        raise Refused(f"--days {options.days}: write a number from 1 to {_MOST_DAYS}")
    _, until = day_of(options)
    since = (datetime.fromisoformat(until) - timedelta(days=options.days)).isoformat(timespec="milliseconds")
    vessels = histories(book, since, until)
    asked = _asked(vessels, options.tote)
    found = [pair for pair in explained(vessels) if pair[0] in asked]
    document = {
        "since": since, "until": until, "totes": [explained_document(each, said) for each, said in found],
    }  # fmt: skip
    print_answer(options, document, "\n".join(sentence(each, said) for each, said in found) or "no tote is known")
    return OK


def refuse_without_scipy() -> None:
    """Refused where the library that explains is not installed."""
    try:
        import scipy.linalg  # noqa: F401
    except ImportError as error:
        raise Refused(
            "an explanation needs scipy: install this program with its extra, `ballast-rig[fit]`; "
            "`rig balance` does without"
        ) from error


def explained(vessels: Sequence[History]) -> list[tuple[History, Explained | None]]:
    """Each of a book's vessels with what its readings say; None without a reading."""
    counts = Counter(each.truck for each in vessels if each.truck and each.readings)
    # One vessel among several of a truck has its share of the truck's false alarms.
    return [
        (each, explain(each.readings, FALSE_ALARM_DAYS * (counts[each.truck] or 1)) if each.readings else None)
        for each in vessels
    ]


def _asked(vessels: list[History], tote: str | None) -> list[History]:
    found = [each for each in vessels if tote is None or place_of(each.tote) == place_of(tote)]
    if tote is not None and not found:
        names = [each.tote for each in vessels if each.tote]
        raise Refused(f"no tote {tote!r}{nearest(tote, names) if names else ''}; `rig stock` shows them")
    return found


def explained_document(history: History, said: Explained | None) -> dict[str, object]:
    """Sentence and figures of one vessel; of a vessel without a reading there are no figures."""
    head = {"truck": history.truck or None, "tote": history.tote, "sentence": sentence(history, said)}
    if said is None:
        return head | {"readings": 0}
    return head | {
        "readings": said.readings,
        "days": round(said.days, 3),
        "missing_l": round(said.missing_l + 0.0, 2),
        "u_l": round(said.u_l, 2),
        "chance_days": round(said.chance_days, 1),
        "findings": [
            {"chance_days": round(each.chance_days, 1), "causes": [_estimate_document(one) for one in each.causes]}
            for each in said.findings
        ],
        "alone": [_estimate_document(each) for each in said.alone],
    }


def _estimate_document(found: Estimate) -> dict[str, object]:
    words = _WORDS[found.cause]
    return {
        "cause": found.cause,
        "probability": round(found.probability, 4),
        f"size_{words.unit}": round(words.scale * found.size, 4),
        f"u_{words.unit}": round(words.scale * found.u, 4),
        "since": found.since,
        "since_first": found.since_first,
        "since_last": found.since_last,
    }


def sentence(history: History, said: Explained | None) -> str:
    """What is to be said of a vessel today."""
    if said is None:
        return f"{history.title}: not dipped in this time, so nothing can be said"
    if said.readings < 2:
        at = _day(history.readings[0].at)
        return f"{history.title}: dipped once, on {at}; what is missing shows from the next dip on"
    head = (
        f"{history.title}: {abs(said.missing_l):.1f} L {'missing' if said.missing_l >= 0 else 'too much'} "
        f"after {said.readings} dips in {said.days:.0f} days"
    )
    if said.findings:
        return f"{head}: {'; and '.join(_found(each, history) for each in said.findings)}"
    alone = [f"by itself, {_WORDS[each.cause].of(each)}" for each in said.alone if each.cause in ("leak", "meter")]
    return "; ".join([f"{head}, no more than dips and bookings are uncertain by (± {said.u_l:.1f} L)", *alone])


def _found(found: Finding, history: History) -> str:
    clauses = [_clause(each, history) for each in found.causes]
    chance = f"by chance alone it would look so {_rarely(found.chance_days)}"
    if len(clauses) == 1:
        return f"{clauses[0]} ({chance})"
    names = {each.cause for each in found.causes}
    advice = next((f"; to tell which, {text}" for those, text in _TELLS_APART if those <= names), "")
    return f"either {', or '.join(clauses)} ({chance}; the dips do not show which{advice})"


def _clause(found: Estimate, history: History) -> str:
    """A cause in words, with its beginning."""
    words = _WORDS[found.cause].of(found)
    if found.cause == "misread":
        return f"{words}, on {_day(found.since)}"
    if found.cause == "step":
        later = (each.at for each in history.readings if each.at > found.since_last)
        return f"{words}, between {local(found.since_first)} and {local(next(later))}"
    return words if found.since == history.readings[0].at else f"{words} since about {_day(found.since)}"


def _rarely(days: float) -> str:
    years = days / _YEAR_DAYS
    return f"at most once in {years:.0f} years" if years < _LONG_YEARS else f"less than once in {_LONG_YEARS} years"


def _day(at: str) -> str:
    return local_day(at)
