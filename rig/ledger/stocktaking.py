"""A vessel's readings beside its bookings: what is missing at each reading, and what was moved until then. Pure.

The input of :mod:`rig.ledger.explaining`. Knows movements and litres, no book.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from rig.ledger.balance import Booked, change_l

_READ_SHARE = 0.005
"""Uncertainty (95 %) of a reading that states none, as a share of the vessel's size: 5 mm of a tote's metre. Common
practice, no source."""
_LEAST_READ_L = 0.1
"""Least uncertainty (95 %) of a reading: what it is rounded to."""
_LOADED_SHARE = 0.005
"""The same for a load, of its volume: the largest permissible error of accuracy class 0.5, in which OIML R 117-1 puts
measuring systems on road tankers."""
_SAID_SHARE = 0.1
"""The same for litres that a person states of a spill, a rinse, a return. No source."""
COVERAGE = 1.96
"""Standard uncertainties in one at 95 %."""
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a vessel; sums count from the first reading, which has zeros."""

    at: str
    found_l: float
    u_l: float
    """Of the reading, standard uncertainty."""
    days: float = 0.0
    """Elapsed; never falls, whatever the clock was set to."""
    missing_l: float = 0.0
    """Less in the vessel than the first reading and the bookings since then say; below zero: more."""
    booked_var_l2: float = 0.0
    """Variance of the bookings, without what repeats from one to the next."""
    metered_l: float = 0.0
    """Out of the vessel by the pump's meter, less what came back by it."""
    transfers: float = 0.0
    """Times that the hose was on a wheel."""
    loaded_l: float = 0.0
    """Loads that state no uncertainty; those that do are as good as they state."""
    drawn_l: float = 0.0
    """The same of loads out of it into other vessels."""


def readings_of(moves: Iterable[Booked], size_l: float | None = None) -> list[Reading]:
    """The dips among a vessel's movements, which are in the order of the book; ``size_l`` is its capacity, if known.

    Movements before the first dip have no effect.
    """
    own = list(moves)
    size_l = size_l or max((each.litres for each in own if each.move == "dip"), default=0.0)
    found: list[Reading] = []
    began, first_l, booked_l, now = 0.0, 0.0, 0.0, Reading("", 0.0, 0.0)
    for move in own:
        if move.move == "dip":
            at_s = _seconds(move.at)
            if not found:
                began, first_l = at_s, move.litres
            now = replace(
                now,
                at=move.at,
                found_l=move.litres,
                u_l=_u_l(move, size_l) / COVERAGE,
                days=max(now.days, (at_s - began) / _DAY_S),
                missing_l=first_l + booked_l - move.litres,
            )
            found.append(now)
        elif found and move.move != "told":
            booked_l += change_l(move)
            now = _after(now, move, size_l)
    return found


def _after(now: Reading, move: Booked, size_l: float) -> Reading:
    out_l = -change_l(move)
    unstated_l = move.litres if move.u_l is None else 0.0
    return replace(
        now,
        booked_var_l2=now.booked_var_l2 + (_u_l(move, size_l) / COVERAGE) ** 2,
        metered_l=now.metered_l + (out_l if move.metered else 0.0),
        transfers=now.transfers + move.hose_on,
        loaded_l=now.loaded_l + (unstated_l if move.move == "load" else 0.0),
        drawn_l=now.drawn_l + (unstated_l if move.move == "out" else 0.0),
    )


def _u_l(move: Booked, size_l: float) -> float:
    """Uncertainty (95 %) of a movement or reading: as stated, else the usual one of its kind."""
    if move.move == "dip":
        return max(_READ_SHARE * size_l if move.u_l is None else move.u_l, _LEAST_READ_L)
    if move.u_l is not None:
        return move.u_l
    return (_LOADED_SHARE if move.move in ("load", "out") else _SAID_SHARE) * abs(move.litres)


def _seconds(at: str) -> float:
    return datetime.fromisoformat(at).replace(tzinfo=UTC).timestamp()
