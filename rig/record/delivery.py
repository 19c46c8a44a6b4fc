"""What the record of work with the pump says of its own litres and pressure, in words: the one place for both.

Whoever bills, matches, teaches or prints reads it here. It must not know how a volume was counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.record.work import Counted, Delivery, Work, delivery_of
from rig.sentence import Wording
from rig.units import show_pressure, show_volume

_SETTLES_KPA = 5.0
"""Bounds farther from the reading are stated beside it: more than the accuracy of a usual gauge, 0.7 psi."""


_EVEN = 0.1
"""Sides that differ by less than this share of the wider one are stated as one figure."""


@dataclass(frozen=True, slots=True)
class Statement:
    """Whether a record can be billed by itself, and why not."""

    delivery: Delivery
    billable: bool
    not_billable_because: str | None


_NOTHING = Wording(
    "figure.nothing",
    "nothing that could be measured was moved ({volume:volume} ± {u:volume}; least quantity {least:volume})",
)
_NOT_KNOWN = Wording(
    "figure.not_known",
    "where the litres are is not known within 5 % ({volume:volume} ± {u:volume}): a person's figure is needed, by "
    "scale, level or chart",
)


def statement(net_l: float, net_u_l: float, least_l: float) -> Statement:
    """What a record states of its litres; the arguments as in :func:`delivery_of`."""
    delivery = delivery_of(net_l, net_u_l, least_l)
    why = {
        "known": None,
        "nothing": _NOTHING(volume=abs(net_l), u=net_u_l, least=least_l),
        "not known": _NOT_KNOWN(volume=abs(net_l), u=net_u_l),
    }
    return Statement(delivery, delivery == "known", why[delivery])


def reason_said(text: str) -> str:
    """A stored reason as the sentence that it was; as it is, where no wording of this version fits."""
    return _NOTHING.read(text) or _NOT_KNOWN.read(text) or text


def moved_words(work: Work, show: Callable[[float], str] = show_volume) -> str:
    """What went in, or came out of a wheel, as a person reads it: the figure only where the record knows it."""
    drawn = work.recovered_l is not None
    if work.known_as == "known":
        return show(work.moved_l)
    if work.measured_by in ("pulses", "total"):
        passed_l = work.forward_l - work.returned_l
        counted = f"{show(-passed_l if drawn else passed_l)} passed the meter"
    else:
        counted = f"{show(work.moved_l)} counted"
    what = "not known" if work.known_as == "not known" else "nothing that could be measured"
    return f"{what} ({counted}, {within_words(work)})"


def within_words(work: Work) -> str:
    """How far the litres moved may be off, at 95 %: ``± 0.4 L``, or the two sides where they differ."""
    low_l, high_l = work.within_l
    less_l, more_l = work.net_l - low_l, high_l - work.net_l
    if abs(less_l - more_l) < _EVEN * work.net_u_l:
        return f"± {work.net_u_l:z.1f} L"
    if work.recovered_l is not None:
        less_l, more_l = more_l, less_l
    return _sides(less_l, more_l)


def _sides(less_l: float, more_l: float) -> str:
    shown = [f"{sign}{litres:.1f}" for sign, litres in (("-", less_l), ("+", more_l)) if round(litres, 1) > 0]
    return f"{' '.join(shown) or '± 0.0'} L"


def reasons_words(work: Work) -> str:
    """What the litres in doubt consist of, the largest parts first; empty where the record does not state it."""
    parts = [each for each in work.doubts or () if round(max(each.less_l, each.more_l), 1) > 0]
    parts.sort(key=lambda each: -max(each.less_l, each.more_l))
    return "; ".join(f"{each.reason.replace('_', ' ')} {_sides(each.less_l, each.more_l)}" for each in parts[:3])


def pressure_left_words(work: Counted, show: Callable[[float], str] = show_pressure) -> str:
    """What the tyre holds at the end as a person reads it: a rest after the last movement, else that none was read."""
    left, low, high = work.final_static_kpa, work.final_low_kpa, work.final_high_kpa
    between = "" if low is None or high is None else f"; between {show(low)} and {show(high)}"
    if left is None or not work.pressure_is_a_rest:
        return f"not read at rest{between} by the air space" if between else "not read at rest"
    settles = low is not None and high is not None and max(left - low, high - left) > _SETTLES_KPA
    return f"{show(left)} at rest{between} once it has settled" if settles else f"{show(left)} at rest"
