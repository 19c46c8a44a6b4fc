"""Litres in doubt: for each reason, how many less or more may be in the tyre than the account's net volume.

The two sides are kept apart, because most faults err to one side only: what was counted on its way into a tyre that
lost its bead may not be there, but no more than that is. Doubts of different reasons may add up; one that may be the
same litres as others only raises their sum.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Doubt:
    """Litres that may be missing from the tyre, or in it besides the net volume."""

    reason: str
    less_l: float = 0.0
    more_l: float = 0.0


Doubts = tuple[Doubt, ...]
"""One for each reason, the one that grew last at the end."""


def less_of(doubts: Doubts) -> float:
    """How much less than the net may be in the tyre."""
    return sum([each.less_l for each in doubts])


def more_of(doubts: Doubts) -> float:
    """How much more."""
    return sum([each.more_l for each in doubts])


def added(doubts: Doubts, reason: str, less_l: float, more_l: float) -> Doubts:
    """The doubts with further litres for one reason, none of which another reason has in doubt."""
    if less_l <= 0 and more_l <= 0:
        return doubts
    before = next((each for each in doubts if each.reason == reason), Doubt(reason))
    new = Doubt(reason, before.less_l + max(less_l, 0.0), before.more_l + max(more_l, 0.0))
    return (*(each for each in doubts if each is not before), new)


def raised(doubts: Doubts, reason: str, less_l: float, more_l: float) -> Doubts:
    """The doubts with at least so many litres on either side: those of other reasons may be the same ones."""
    return added(doubts, reason, less_l - less_of(doubts), more_l - more_of(doubts))


def since(doubts: Doubts, before: Doubts) -> Doubts:
    """What has been put in doubt since ``before``."""
    then = {each.reason: each for each in before}
    grown = []
    for each in doubts:
        was = then.get(each.reason, Doubt(each.reason))
        less_l, more_l = max(each.less_l - was.less_l, 0.0), max(each.more_l - was.more_l, 0.0)
        if less_l or more_l:
            grown.append(Doubt(each.reason, less_l, more_l))
    return tuple(grown)


def settled(doubts: Doubts, before: Doubts, less_l: float, more_l: float) -> Doubts:
    """The doubts once it is known that what came since ``before`` is no more than so many litres to either side."""
    grown = since(doubts, before)
    less, more = _share(less_l, less_of(grown)), _share(more_l, more_of(grown))
    if less == more == 1.0:
        return doubts
    for each in grown:
        before = added(before, each.reason, less * each.less_l, more * each.more_l)
    return before


def _share(most_l: float, of_l: float) -> float:
    return min(1.0, most_l / of_l) if of_l > 0 else 1.0
