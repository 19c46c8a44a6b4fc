"""What the ballast does to a machine's axles: load of the tyre, weight on the road, their shares, weight by power.

Axle loads are those that a person states, of the machine without this ballast. It must not know marks or files.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from rig.caution import COMMON_PRACTICE, Caution
from rig.sentence import Value, Wording
from rig.units import KG_PER_LB, show_mass
from rig.wheel.load_index import carried_kg, load_index_kg

AxleName = Literal["front", "rear"]
_KW_PER_HP = 0.745699872
_COUNTED = Wording("source.counted", "tyre makers differ whether liquid counts as load: counted, the safe reading")()
_SPLIT = Wording(
    "caution.split",
    "the trade's front/rear shares: two-wheel drive 25-35/65-75, front-wheel assist 40-45/55-60, four equal wheels "
    "51-60/40-49 %; its weight by power: 120 to 145 lb per PTO horsepower, less for fast light work, more for slow",
)()


@dataclass(frozen=True, slots=True)
class Stated:
    """What a person states of the machine. Loads of the axles without this ballast, on level ground."""

    axle: AxleName
    """The axle of this wheel."""
    axle_kg: dict[AxleName, float]
    wheels: int = 2
    """Equal wheels of that axle that get the same."""
    load_index: int | None = None
    rated_kpa: float | None = None
    """Pressure at which the tyre carries its load index."""
    road_limit_kg: float | None = None
    """Most that this axle may weigh on the road, by the machine's papers."""
    power_kw: float | None = None


@dataclass(frozen=True, slots=True)
class Loads:
    """The axles with the ballast."""

    stated: Stated
    added_kg: float
    """On this axle."""
    pressure_kpa: float
    """At which the wheel will stand."""

    @property
    def axle_kg(self) -> dict[AxleName, float]:
        """Weight of each stated axle with the ballast."""
        own = self.stated.axle
        return {axle: kg + (self.added_kg if axle == own else 0.0) for axle, kg in self.stated.axle_kg.items()}

    @property
    def wheel_kg(self) -> float:
        """Load of one wheel of this axle, its liquid included."""
        return self.axle_kg[self.stated.axle] / self.stated.wheels

    @property
    def tyre_kg(self) -> float | None:
        """What the tyre carries at the pressure, else at its rated one; None without an index."""
        index, rated_kpa = self.stated.load_index, self.stated.rated_kpa
        if index is None:
            return None
        return load_index_kg(index) if rated_kpa is None else carried_kg(index, self.pressure_kpa, rated_kpa)

    @property
    def front_share(self) -> float | None:
        """Share of the front axle in the weight; None where only one axle was stated."""
        weights = self.axle_kg
        return weights["front"] / sum(weights.values()) if len(weights) == 2 else None

    @property
    def kg_per_kw(self) -> float | None:
        """Weight by power; None where the power or an axle was not stated."""
        power = self.stated.power_kw
        return sum(self.axle_kg.values()) / power if power is not None and len(self.axle_kg) == 2 else None

    def cautions(self) -> tuple[Caution, ...]:
        """What is too much, and what the trade compares with."""
        return tuple(self._cautions())

    def _cautions(self) -> Iterator[Caution]:
        yield self._on_the_tyre()
        limit_kg, own_kg = self.stated.road_limit_kg, self.axle_kg[self.stated.axle]
        if limit_kg is not None:
            over_kg = own_kg - limit_kg
            weights: dict[str, Value] = {"axle": self.stated.axle, "own": own_kg, "limit": limit_kg}
            source = Wording("source.limit", "the limit that was stated")()
            if over_kg > 0:
                words = Wording(
                    "caution.axle_over", "{axle} axle {own:mass}, road limit {limit:mass}: {over:mass} too much"
                )
                yield Caution("danger", words(**weights, over=over_kg), source)
            else:
                words = Wording("caution.axle", "{axle} axle {own:mass}, road limit {limit:mass}")
                yield Caution("note", words(**weights), source)
        if self.front_share is not None:
            yield Caution("note", _SPLIT, COMMON_PRACTICE)

    def _on_the_tyre(self) -> Caution:
        tyre_kg, index = self.tyre_kg, self.stated.load_index
        if tyre_kg is None:
            return Caution(
                "note",
                Wording("caution.no_index", "the tyre's load index is not known: --load-index 151, by its sidewall")(),
                _COUNTED,
            )
        on: dict[str, Value] = {"wheel": self.wheel_kg, "index": str(index), "tyre": tyre_kg}
        text = (
            Wording(
                "caution.on_tyre_rated",
                "{wheel:mass} on the tyre, load index {index} carries {tyre:mass} at its rated pressure",
            )(**on)
            if self.stated.rated_kpa is None
            else Wording(
                "caution.on_tyre", "{wheel:mass} on the tyre, load index {index} carries {tyre:mass} at {at:pressure}"
            )(**on, at=self.pressure_kpa)
        )
        return Caution("danger" if self.wheel_kg > tyre_kg else "note", text, _COUNTED)

    def as_json(self) -> dict[str, object]:
        """A flat document with SI units in the names."""
        tyre_kg, share, by_power = self.tyre_kg, self.front_share, self.kg_per_kw
        return {
            "axle": self.stated.axle,
            "axle_kg": {axle: round(kg, 1) for axle, kg in self.axle_kg.items()},
            "added_kg": round(self.added_kg, 1),
            "wheel_kg": round(self.wheel_kg, 1),
            "load_index": self.stated.load_index,
            "tyre_carries_kg": None if tyre_kg is None else round(tyre_kg, 1),
            "road_limit_kg": self.stated.road_limit_kg,
            "front_share": None if share is None else round(share, 4),
            "kg_per_kw": None if by_power is None else round(by_power, 2),
            "cautions": [{"severity": c.severity, "text": c.text, "source": c.source} for c in self.cautions()],
        }

    def lines(self) -> list[str]:
        """For a person."""
        weights = ", ".join(f"{axle} {show_mass(kg)}" for axle, kg in self.axle_kg.items())
        front = self.front_share
        share = "" if front is None else f", front/rear {100 * front:.0f}/{100 - 100 * front:.0f} %"
        lines = [f"  axles       {weights} with this ballast{share}"]
        if self.kg_per_kw is not None:
            lb_per_hp = self.kg_per_kw * _KW_PER_HP / KG_PER_LB
            lines.append(f"  by power    {self.kg_per_kw:.0f} kg/kW ({lb_per_hp:.0f} lb/hp)")
        return lines + [f"  {each.severity}: {each.text} [{each.source}]" for each in self.cautions()]
