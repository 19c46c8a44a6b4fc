"""Content of each tote by liquid and lot, and a day's balance. Pure; knows litres and names, no book.

A tote is assumed to be fully mixed: what is drawn contains its lots in proportion.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

Move = Literal["dip", "told", "load", "out", "ticket", "hose", "vent", "rinse", "spill", "return"]
_SIGN: dict[Move, int] = {
    "load": 1, "return": 1, "out": -1, "ticket": -1, "hose": -1, "vent": -1, "rinse": -1, "spill": -1,
}  # fmt: skip
"""Sign of a movement's change of the tote. A dip and an office's figure are readings, not movements."""
_STOCK: tuple[Move, ...] = ("load", "out")
"""Loads and transfers to another tote: stock, not booked work."""
_LOOKS: tuple[Move, ...] = ("dip", "told")
_LEAST_SHARE = 0.01
"""Smaller shares of a content are not reported."""


@dataclass(frozen=True, slots=True)
class Booked:
    """One movement of a tote, or a reading of it (a dip); ``tote`` is empty for the one without a name."""

    at: str
    move: Move
    litres: float
    tote: str = ""
    fluid: str = ""
    """The liquid that came in; for a dip, the liquid found."""
    lot: str = ""
    truck: str = ""
    """The truck of the record."""
    u_l: float | None = None
    """Uncertainty of the litres at 95 %, without what repeats from one record to the next; None: not stated."""
    metered: bool = False
    """Counted by the pump's meter."""
    hose_on: bool = False
    """The hose was put on a wheel or vessel for it."""


def change_l(move: Booked) -> float:
    """How much more a movement leaves in the tote; nothing for a reading."""
    return 0.0 if move.move in _LOOKS else _SIGN[move.move] * move.litres


# --- content --------------------------------------------------------------------------------------------------------

_Parts = Mapping[tuple[str, str], float]


@dataclass(frozen=True, slots=True)
class Content:
    """Content of a vessel: litres, None if unknown, and the litres of each liquid and lot in it."""

    left_l: float | None = None
    parts: _Parts = field(default_factory=dict)
    """Litres by liquid and lot; either name is empty if unknown."""
    seen: Booked | None = None
    """Its last reading: earlier movements do not affect the litres."""

    @property
    def fluids(self) -> tuple[str, ...]:
        """The liquids in it, largest first; an unknown one is left out."""
        return tuple(name for name, _ in self._shares(0) if name)

    @property
    def lots(self) -> tuple[tuple[str, float], ...]:
        """The lots in it and their shares, largest first; an unknown one is empty."""
        return self._shares(1)

    @property
    def lot_text(self) -> str:
        """The lots in words: the only one, or each with its percent; empty if unknown."""
        named = [(lot, share) for lot, share in self.lots if lot]
        if len(self.lots) == 1 and named:
            return named[0][0]
        return ", ".join(f"{lot} {100 * share:.0f} %" for lot, share in named)

    def _shares(self, which: Literal[0, 1]) -> tuple[tuple[str, float], ...]:
        sums: dict[str, float] = {}
        for names, litres in self.parts.items():
            sums[names[which]] = sums.get(names[which], 0.0) + litres
        whole = sum(sums.values())
        shares = [(name, litres / whole) for name, litres in sums.items() if litres > _LEAST_SHARE * whole]
        return tuple(sorted(shares, key=lambda each: -each[1]))

    def part(self, litres: float) -> list[tuple[str, str, float]]:
        """Liquid, lot and litres in a part of ``litres``; empty if unknown."""
        whole = sum(self.parts.values())
        return [(fluid, lot, litres * part / whole) for (fluid, lot), part in self.parts.items()] if whole > 0 else []

    def after(self, move: Booked) -> Content:
        """The content after one movement."""
        names = (move.fluid, move.lot)
        if move.move in _LOOKS:
            return Content(move.litres, _scaled({names: 1.0} if any(names) else self.parts, move.litres), move)
        if self.left_l is None and move.move != "load":
            return self
        left_l, parts = (self.left_l or 0.0) + change_l(move), dict(self.parts)
        if _SIGN[move.move] > 0:
            parts[names] = parts.get(names, 0.0) + move.litres
        return Content(left_l, _scaled(parts, left_l), self.seen)


def _scaled(parts: _Parts, left_l: float) -> _Parts:
    """The same mix scaled to the present litres; litres without a source are of unknown liquid."""
    whole = sum(parts.values())
    if whole <= 0:
        return {("", ""): left_l} if left_l > 0 else {}
    return {names: litres * max(left_l, 0.0) / whole for names, litres in parts.items()}


def contents(moves: Iterable[Booked]) -> dict[str, Content]:
    """Content of each tote after movements in order of time."""
    found: dict[str, Content] = {}
    for move in moves:
        found[move.tote] = found.get(move.tote, Content()).after(move)
    return found


# --- balance --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Balance:
    """Balance between two dips. ``drop_l``: decrease corrected for loads and transfers; None if not dipped."""

    drop_l: float | None
    sums_l: dict[Move, float]
    """By kind of movement, between the dips; over the whole time if there are not two."""
    undipped: tuple[str, ...] = ()
    """Totes with booked work that were not dipped twice."""

    @property
    def booked_l(self) -> float:
        """Volume that should have left the totes."""
        return -sum(_SIGN[move] * litres for move, litres in self.sums_l.items() if move not in _STOCK)

    @property
    def rest_l(self) -> float | None:
        """The unexplained residual: positive if more has left the totes than was booked."""
        return None if self.drop_l is None else self.drop_l - self.booked_l


def balances(moves: Iterable[Booked]) -> dict[str, Balance]:
    """The balance of each tote, from movements in order of time."""
    found: dict[str, list[Booked]] = {}
    for move in moves:
        found.setdefault(move.tote, []).append(move)
    return {tote: _of_one(own) for tote, own in found.items()}


def together(found: Mapping[str, Balance]) -> Balance:
    """The balance of all totes: unknown as long as one with booked work was not dipped twice.

    A tote that was neither dipped nor worked from is ignored.
    """
    undipped = tuple(tote for tote, each in found.items() if each.drop_l is None and set(each.sums_l) - set(_STOCK))
    drops_l = [each.drop_l for each in found.values() if each.drop_l is not None]
    sums_l: dict[Move, float] = {}
    for each in found.values():
        if each.drop_l is not None or undipped or not drops_l:
            for move, litres in each.sums_l.items():
                sums_l[move] = sums_l.get(move, 0.0) + litres
    return Balance(sum(drops_l) if drops_l and not undipped else None, sums_l, undipped)


def _of_one(moves: Sequence[Booked]) -> Balance:
    dips = [number for number, each in enumerate(moves) if each.move == "dip"]
    inside = moves[dips[0] : dips[-1] + 1] if len(dips) > 1 else moves
    sums_l: dict[Move, float] = {}
    for each in inside:
        if each.move not in _LOOKS:
            sums_l[each.move] = sums_l.get(each.move, 0.0) + each.litres
    if len(dips) < 2:
        return Balance(None, sums_l)
    stock_l = sums_l.get("load", 0.0) - sums_l.get("out", 0.0)
    return Balance(moves[dips[0]].litres + stock_l - moves[dips[-1]].litres, sums_l)
