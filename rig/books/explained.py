"""`rig stock explain`, `rig office stock explain`: a sentence a day on what is missing in each tote, with its evidence.

Words of what :mod:`rig.ledger.explaining` finds; computes nothing.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import reduce
from typing import TYPE_CHECKING

from rig.books.where import day_of, local, print_answer
from rig.cli.table import OK
from rig.ledger.explaining import FALSE_ALARM_DAYS, USUAL_DAYS, Cause, Estimate, Explained, Finding, explain
from rig.ledger.moment import local_day
from rig.run.mistakes import nearest
from rig.run.refused import Refused
from rig.sentence import Sentence, Wording
from rig.shop.posting import place_of
from rig.shop.stock_history import History

if TYPE_CHECKING:
    from rig.ledger.book import Book

_MOST_DAYS = 400
_YEAR_DAYS = 365.25
_LONG_YEARS = 1000


_VOLUME = Wording("explained.volume", "{size:volume} ± {u:volume}")
_PERCENT = Wording("explained.percent", "{size:number} ± {u:number} %")


@dataclass(frozen=True, slots=True)
class _Words:
    """A cause in words: where liquid is missing, and where there is too much."""

    missing: Wording
    too_much: Wording
    unit: str = "l"
    """End of its names in a document."""
    scale: float = 1.0

    def amount(self, found: Estimate) -> Sentence:
        """Its size with the uncertainty at 95 %."""
        size, u = self.scale * abs(found.size), self.scale * found.u
        return _PERCENT(size=round(size, 2), u=round(u, 2)) if self.unit == "percent" else _VOLUME(size=size, u=u)

    def of(self, found: Estimate) -> Sentence:
        """The cause with its size."""
        return (self.missing if found.size >= 0 else self.too_much)(much=self.amount(found))


_WORDS: dict[Cause, _Words] = {
    "meter": _Words(
        Wording("explained.meter_low", "the meter counts {much} too little"),
        Wording("explained.meter_high", "the meter counts {much} too much"),
        "percent",
        100.0,
    ),
    "leak": _Words(
        Wording("explained.leaks", "it leaks {much} a day"),
        Wording("explained.gains", "it gains {much} a day"),
        "l_per_day",
    ),
    "hose": _Words(
        Wording("explained.hose_loses", "each use of the hose loses {much}"),
        Wording("explained.hose_brings", "each use of the hose brings {much}"),
        "l_per_use",
    ),
    "loaded": _Words(
        Wording("explained.less_loaded", "{much} less is loaded than booked"),
        Wording("explained.more_loaded", "{much} more is loaded than booked"),
        "percent",
        100.0,
    ),
    "drawn": _Words(
        Wording("explained.more_drawn", "{much} more is loaded out than booked"),
        Wording("explained.less_drawn", "{much} less is loaded out than booked"),
        "percent",
        100.0,
    ),
    "step": _Words(
        Wording("explained.left", "{much} left it without a booking"),
        Wording("explained.came", "{much} came in without a booking"),
    ),
    "misread": _Words(
        Wording("explained.read_low", "a reading is {much} too low"),
        Wording("explained.read_high", "a reading is {much} too high"),
    ),
}
_TELLS_APART: tuple[tuple[frozenset[Cause], Wording], ...] = (
    (frozenset({"step", "misread"}), Wording("explained.read_again", "read it again")),
    (
        frozenset({"loaded"}),
        Wording("explained.weigh_loads", "weigh some loads and book them with --within"),
    ),
    (
        frozenset({"drawn"}),
        Wording("explained.weigh_drawn", "weigh what is loaded out of it and book it with --within"),
    ),
    (frozenset({"leak"}), Wording("explained.idle_days", "read it before and after days without work")),
    (
        frozenset({"hose", "meter"}),
        Wording("explained.small_and_large", "read it between small wheels and large ones"),
    ),
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
        raise Refused(
            Wording("explained.days", "--days {days}: write a number from 1 to {most}")(
                days=options.days, most=_MOST_DAYS
            )
        )
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
            Wording(
                "explained.no_scipy",
                "an explanation needs scipy: install this program with its extra, `ballast-rig[fit]`; "
                "`rig balance` does without",
            )()
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
        words = Wording("explained.no_tote", "no tote '{tote}'{near}; `rig stock` shows them")
        raise Refused(words(tote=tote, near=nearest(tote, names) if names else ""))
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


def sentence(history: History, said: Explained | None) -> Sentence:
    """What is to be said of a vessel today."""
    title = history.title
    if said is None:
        return Wording("explained.not_dipped", "{title}: not dipped in this time, so nothing can be said")(title=title)
    if said.readings < 2:
        words = Wording(
            "explained.dipped_once", "{title}: dipped once, on {day}; what is missing shows from the next dip on"
        )
        return words(title=title, day=_day(history.readings[0].at))
    differs = (
        Wording("explained.missing", "{title}: {volume:volume} missing after {dips:number} dips in {days:number} days")
        if said.missing_l >= 0
        else Wording(
            "explained.too_much", "{title}: {volume:volume} too much after {dips:number} dips in {days:number} days"
        )
    )
    head = differs(title=title, volume=abs(said.missing_l), dips=said.readings, days=round(said.days))
    if said.findings:
        also = Wording("explained.also", "{one}; and {other}")
        what = reduce(lambda one, other: also(one=one, other=other), [_found(each, history) for each in said.findings])
        return Wording("explained.head", "{head}: {what}")(head=head, what=what)
    within = Wording(
        "explained.within", "{head}, no more than dips and bookings are uncertain by (± {u:volume}){alone}"
    )
    alone = Wording("explained.alone", "; by itself, {cause}")
    causes = [alone(cause=_WORDS[each.cause].of(each)) for each in said.alone if each.cause in ("leak", "meter")]
    return within(head=head, u=said.u_l, alone=_run_on(causes))


def _run_on(parts: Sequence[str]) -> str:
    """Parts that bring their own marks, one after another; empty where there are none."""
    words = Wording("explained.run_on", "{one}{other}")
    return reduce(lambda one, other: words(one=one, other=other) if one else other, parts, "")


def _found(found: Finding, history: History) -> Sentence:
    clauses = [_clause(each, history) for each in found.causes]
    chance = _rarely(found.chance_days)
    if len(clauses) == 1:
        words = Wording("explained.found", "{cause} (by chance alone it would look so {chance})")
        return words(cause=clauses[0], chance=chance)
    names = {each.cause for each in found.causes}
    tell = Wording("explained.to_tell", "; to tell which, {what}")
    advice = next((tell(what=what()) for those, what in _TELLS_APART if those <= names), "")
    either = Wording("explained.or", "{one}, or {other}")
    words = Wording(
        "explained.either",
        "either {causes} (by chance alone it would look so {chance}; the dips do not show which{advice})",
    )
    causes = reduce(lambda one, other: either(one=one, other=other), clauses)
    return words(causes=causes, chance=chance, advice=advice)


def _clause(found: Estimate, history: History) -> Sentence:
    """A cause in words, with its beginning."""
    cause = _WORDS[found.cause].of(found)
    if found.cause == "misread":
        return Wording("explained.on", "{cause}, on {day}")(cause=cause, day=_day(found.since))
    if found.cause == "step":
        later = (each.at for each in history.readings if each.at > found.since_last)
        words = Wording("explained.between", "{cause}, between {since} and {until}")
        return words(cause=cause, since=local(found.since_first), until=local(next(later)))
    if found.since == history.readings[0].at:
        return cause
    return Wording("explained.since", "{cause} since about {day}")(cause=cause, day=_day(found.since))


def _rarely(days: float) -> Sentence:
    years = days / _YEAR_DAYS
    if years < _LONG_YEARS:
        return Wording("explained.once", "at most once in {years:number} years")(years=round(years))
    return Wording("explained.seldom", "less than once in {years:number} years")(years=_LONG_YEARS)


def _day(at: str) -> str:
    return local_day(at)
