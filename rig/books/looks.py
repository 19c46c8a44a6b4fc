"""Layout of a shop's papers: units printed first, paper size, and time zone. Text; computes nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from rig.ledger.moment import UNBELIEVED
from rig.ledger.shop import Shop
from rig.record.base import Trust
from rig.units import show_mass, show_pressure, show_temperature, show_volume


@dataclass(frozen=True, slots=True)
class Looks:
    """``us``: gallons, pounds, psi and °F first; ``letter``: on Letter paper; ``zone``: empty for the computer's."""

    us: bool = False
    letter: bool = False
    zone: str = ""

    def volume(self, litres: float) -> str:
        """A volume in both systems."""
        return show_volume(litres, us=self.us)

    def mass(self, kg: float) -> str:
        """A mass in both systems."""
        return show_mass(kg, us=self.us)

    def pressure(self, kpa: float) -> str:
        """A gauge pressure in both systems."""
        return show_pressure(kpa, us=self.us)

    def temperature(self, celsius: float, digits: int = 0) -> str:
        """A temperature in both systems."""
        return show_temperature(celsius, us=self.us, digits=digits)

    def moment(self, at: str) -> str:
        """A record's time in local time, with its zone."""
        local = self._local(at)
        name, offset = local.tzname() or "", local.isoformat()[-6:]
        return f"{local:%Y-%m-%d %H:%M} {f'{name} ' if name.isalpha() else ''}(UTC{offset})"

    def dated(self, clock: Trust | None, at: str) -> str:
        """A record's time; with an untrusted clock, the time that it is after."""
        return f"date not known, after {self.moment(at)}" if clock == UNBELIEVED else self.moment(at)

    def day_of(self, clock: Trust | None, at: str) -> str:
        """A record's day; with an untrusted clock, the day that it is after."""
        day = self.day(at).isoformat()
        return f"not known, after {day}" if clock == UNBELIEVED else day

    def day(self, at: str) -> date:
        """The day of a record's time in the shop's time zone."""
        return self._local(at).date()

    def due(self, at: str, days: int) -> date:
        """The date so many days after that day."""
        return self.day(at) + timedelta(days=days)

    def _local(self, at: str) -> datetime:
        then = datetime.fromisoformat(at)
        then = then.replace(tzinfo=UTC) if then.tzinfo is None else then
        return then.astimezone(ZoneInfo(self.zone) if self.zone else None)


def looks_of(shop: Shop | None) -> Looks:
    """Layout of a shop's papers; without a shop metric first, on A4, in the computer's time zone."""
    return Looks() if shop is None else Looks(shop.units == "us", shop.paper == "letter", shop.zone)
