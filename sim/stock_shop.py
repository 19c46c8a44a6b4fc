"""A truck's tote, or a yard tank, through days of work: what is really in it, what is booked, and what a dip reads.

The tank keeps its own account; of `rig` it knows only the type of a booking. Chance is drawn from numpy's generator.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import cos, log, pi

import numpy as np

from rig.ledger.balance import Booked

_BEGAN = datetime(2026, 3, 2, tzinfo=UTC)
"""A Monday."""
_CLAIM = 1.96
_EXPANSION = 3e-4
"""Of strong brine, a kelvin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """How a tank is worked with and read, and what is wrong with it from the day ``wrong_on``."""

    days: int = 180
    size_l: float = 1000.0
    dip_u_l: float = 4.0
    """What a dip states at 95 %."""
    dip_factor: float = 1.0
    """Its true uncertainty in stated ones."""
    dipped: float = 1.0
    """Share of the days with a dip in the evening."""
    load_u_l: float | None = None
    """What a load states at 95 %; None: nothing, and it is known within 0.5 %."""
    around_loads: bool = False
    """A dip before and after each load."""
    fills_a_day: float = 5.0
    """On weekdays; the work of a yard tank is loads of totes."""
    same: bool = False
    """Every day the same fills, weekends too."""
    yard: bool = False
    scale_error: float = 0.0
    """Of the dipstick's slope."""
    season_k: float = 0.0
    """Amplitude of the liquid's temperature over the year, and a third of it from day to day."""
    wrong_on: int = 0
    bias: float = 0.0
    """Share that the meter counts too little."""
    leak_l_per_day: float = 0.0
    hose_l: float = 0.0
    """Lost at each use of the hose."""
    short: float = 0.0
    """Share that loads are less than booked."""
    unbooked_l: float = 0.0
    """Loaded once without a booking."""


class Tank:
    """One tank that is worked with; ``moves`` is what its book has."""

    def __init__(self, shop: Shop, seed: int) -> None:
        self._shop, self._chance = shop, np.random.default_rng(seed)
        self._true_l = 0.9 * shop.size_l
        self._warmer_k = 0.0
        self._wrong = False
        self._at = _BEGAN
        self.moves: list[Booked] = []

    def work(self) -> list[Booked]:
        """All days; the first reading comes before the first day."""
        self._dip()
        for day in range(self._shop.days):
            self._wrong = day >= self._shop.wrong_on
            self._day(day)
        return self.moves

    def _day(self, day: int) -> None:
        shop = self._shop
        self._at = _BEGAN + timedelta(days=day, hours=7)
        season_k = shop.season_k * cos(2 * pi * day / 365)
        self._warmer_k = season_k + self._chance.normal(0, shop.season_k / 3)
        if self._wrong and day == shop.wrong_on:
            self._true_l += shop.unbooked_l
        if shop.same or day % 7 < 5:
            for _ in range(int(shop.fills_a_day) if shop.same else self._chance.poisson(shop.fills_a_day)):
                self._fill()
        self._true_l -= shop.leak_l_per_day if self._wrong else 0.0
        self._at = _BEGAN + timedelta(days=day, hours=19)
        if self._chance.random() < shop.dipped:
            self._dip()

    def _fill(self) -> None:
        shop = self._shop
        typical_l = 0.18 * shop.size_l
        drawn = typical_l if shop.same else typical_l * float(self._chance.lognormal(0.0, log(2)))
        counted_l = float(np.clip(drawn, 0.02 * shop.size_l, 0.6 * shop.size_l))
        if self._true_l < counted_l + 0.1 * shop.size_l:
            self._load()
        u_l = float(np.hypot(0.3, 0.001 * counted_l))
        really_l = counted_l * (1 + (shop.bias if self._wrong else 0.0)) + (shop.hose_l if self._wrong else 0.0)
        self._true_l -= really_l + self._chance.normal(0, u_l / _CLAIM)
        if shop.yard:
            self._book(Booked(self._now(), "out", counted_l, u_l=u_l))
        else:
            self._book(Booked(self._now(), "ticket", counted_l, u_l=u_l, metered=True, hose_on=True))

    def _load(self) -> None:
        shop = self._shop
        if shop.around_loads:
            self._dip()
        booked_l = 0.9 * shop.size_l - self._true_l
        u_l = 0.005 * booked_l if shop.load_u_l is None else shop.load_u_l
        self._true_l += booked_l * (1 - (shop.short if self._wrong else 0.0)) + self._chance.normal(0, u_l / _CLAIM)
        self._book(Booked(self._now(), "load", booked_l, u_l=shop.load_u_l))
        if shop.around_loads:
            self._dip()

    def _dip(self) -> None:
        shop = self._shop
        seen_l = self._true_l * (1 + _EXPANSION * self._warmer_k) * (1 + shop.scale_error)
        read_l = seen_l + self._chance.normal(0, shop.dip_factor * shop.dip_u_l / _CLAIM)
        self._book(Booked(self._now(), "dip", max(float(read_l), 0.0), u_l=shop.dip_u_l))

    def _now(self) -> str:
        self._at += timedelta(minutes=12)
        return self._at.isoformat(timespec="milliseconds")

    def _book(self, move: Booked) -> None:
        self.moves.append(move)
