"""A day of a tote: what it lost beside what is booked, and what is left in it. Pure; knows litres, no book."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Move = Literal["dip", "load", "ticket", "hose", "vent", "rinse", "spill", "return"]
_SIGN: dict[Move, int] = {"load": 1, "return": 1, "ticket": -1, "hose": -1, "vent": -1, "rinse": -1, "spill": -1}
"""Which way a movement changes the tote. A dip changes nothing: it tells."""


@dataclass(frozen=True, slots=True)
class Booked:
    """One movement, or a reading of the tote (a dip)."""

    at: str
    move: Move
    litres: float


@dataclass(frozen=True, slots=True)
class Balance:
    """A time between two dips. ``drop_l`` is what the tote lost besides what was loaded; None with fewer than two."""

    drop_l: float | None
    sums_l: dict[Move, float]
    """By kind of movement, between the dips; of the whole time where there are not two."""

    @property
    def booked_l(self) -> float:
        """What should have left the tote."""
        return -sum(_SIGN[move] * litres for move, litres in self.sums_l.items() if move != "load")

    @property
    def rest_l(self) -> float | None:
        """What nobody has explained: more than nothing has left the tote unseen."""
        return None if self.drop_l is None else self.drop_l - self.booked_l


def balance(moves: Sequence[Booked]) -> Balance:
    """The balance of movements that come in the order of time."""
    dips = [number for number, each in enumerate(moves) if each.move == "dip"]
    inside = moves[dips[0] : dips[-1] + 1] if len(dips) > 1 else moves
    sums_l: dict[Move, float] = {}
    for each in inside:
        if each.move != "dip":
            sums_l[each.move] = sums_l.get(each.move, 0.0) + each.litres
    if len(dips) < 2:
        return Balance(None, sums_l)
    return Balance(moves[dips[0]].litres + sums_l.get("load", 0.0) - moves[dips[-1]].litres, sums_l)


def content_l(moves: Sequence[Booked]) -> float | None:
    """What is in the tote after these movements; None where it was neither dipped nor loaded."""
    known: float | None = None
    for each in moves:
        if each.move == "dip":
            known = each.litres
        elif each.move == "load":
            known = (known or 0.0) + each.litres
        elif known is not None:
            known += _SIGN[each.move] * each.litres
    return known
