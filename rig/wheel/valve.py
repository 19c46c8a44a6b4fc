"""Tyre valves by trade and standard name: rating, bore, rim hole, material, and how the gun comes off.

It must not know rigs, pumps or liquids in bulk.
"""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass
from importlib.resources import files
from typing import Literal

from rig.caution import BULLETIN, COMMON_PRACTICE, Caution
from rig.sentence import Wording
from rig.units import KPA_PER_PSI, psi

StopOrder = Literal["core back, then gun off", "gun off, then core back"]
Material = Literal["rubber", "metal", "tube"]


class ValveError(ValueError):
    """A text that names no known valve; the message lists the names."""


@dataclass(frozen=True, slots=True)
class ValveType:
    """One kind of valve.

    ``rating_kpa`` is the highest cold pressure (gauge), ``rim_hole_m`` the hole that it needs. ``bore_m`` is the free
    bore with the core or insert out, and an assumption (4 mm small stem, 8 mm air-water valve), not in any open source.
    ``stop_order`` is how the gun comes off; with ``needs_adapter`` the core goes back under the gun only through an
    adapter with a core tool, and without one only the other order is possible.
    """

    name: str
    names: tuple[str, ...]
    rating_kpa: float
    bore_m: float
    rim_hole_m: float
    material: Material
    brass: bool
    stop_order: StopOrder
    needs_adapter: bool
    source: str


_MATERIALS: dict[str, Material] = {"rubber": "rubber", "metal": "metal", "tube": "tube"}


def _valve(row: dict[str, str]) -> ValveType:
    return ValveType(
        name=row["name"],
        names=tuple(row["names"].split("|")),
        rating_kpa=float(row["rating_psi"]) * KPA_PER_PSI,
        bore_m=float(row["bore_mm"]) / 1000,
        rim_hole_m=float(row["rim_hole_mm"]) / 1000,
        material=_MATERIALS[row["material"]],
        brass=row["brass"] == "yes",
        stop_order="core back, then gun off",
        needs_adapter=row["adapter"] == "yes",
        source=row["rating_source"],
    )


_TEXT = files("rig.wheel").joinpath("valves.csv").read_text(encoding="utf-8")
_VALVES = tuple(_valve(row) for row in csv.DictReader(_TEXT.splitlines()))


def valve_types() -> tuple[ValveType, ...]:
    """Every kind of valve in the table."""
    return _VALVES


def _folded(text: str) -> str:
    """Reduce to letters and digits, without the words that every valve name has."""
    words = "".join(c if c.isalnum() else " " for c in text.casefold()).split()
    joined = "".join(word for word in words if word not in {"valve", "valves", "stem", "the", "a", "type"})
    return re.sub(r"^tr(?=j?\d)", "", joined)


_BY_NAME = {_folded(name): valve for valve in _VALVES for name in (valve.name, *valve.names)}


def valve_named(text: str) -> ValveType:
    """The valve with a trade or standard name; :class:`ValveError` if none."""
    folded = _folded(text)
    found = _BY_NAME.get(folded)
    if found is None:
        near = difflib.get_close_matches(folded, _BY_NAME, n=1, cutoff=0.6)
        known = ", ".join(valve.name for valve in _VALVES)
        if near:
            meant = Wording(
                "refused.valve_near",
                "'{text}' names no valve (did you mean {near}?): write one of {known}, or write its number, such as "
                "TR618A",
            )
            raise ValveError(meant(text=text[:60], near=_BY_NAME[near[0]].name, known=known))
        words = Wording(
            "refused.valve", "'{text}' names no valve: write one of {known}, or write its number, such as TR618A"
        )
        raise ValveError(words(text=text[:60], known=known))
    return found


# Rubber pull-through valves in farm wheels: pressures from which the trade mistrusts them, and requires metal.
_RUBBER_DOUBT_PSI = 45.0
_RUBBER_PSI = 55.0
_METAL_PSI = 65.0


def valve_cautions(
    valve: ValveType,
    working_pressure_kpa: float,
    *,
    filling_pressure_kpa: float = 0.0,
    chloride: bool = False,
    rim_hole_m: float | None = None,
) -> tuple[Caution, ...]:
    """Cautions for a valve: at the higher of working and filling pressure (gauge), with chloride, in a rim hole.

    ``chloride`` is true if calcium goes in or has ever been in this wheel.
    """
    return (
        *_pressure(valve, max(working_pressure_kpa, filling_pressure_kpa)),
        *_brass(valve, chloride),
        *_hole(valve, rim_hole_m),
        *_note(valve),
    )


def _pressure(valve: ValveType, worst_kpa: float) -> tuple[Caution, ...]:
    worst, rating = psi(worst_kpa), psi(valve.rating_kpa)
    if worst > rating * 1.0001:
        words = (
            Wording(
                "caution.valve.steel",
                "{worst:pressure} passes the rating of the {valve} ({rating:pressure}): fit a steel valve",
            )
            if rating < 200
            else Wording(
                "caution.valve.maker",
                "{worst:pressure} passes the rating of the {valve} ({rating:pressure}): ask the maker",
            )
        )
        text = words(worst=worst_kpa, valve=valve.name, rating=valve.rating_kpa)
        return (Caution("danger", text, Wording("source.valve", "{source}")(source=valve.source)),)
    if valve.material != "rubber" or rating > _METAL_PSI * 1.0001:
        return ()
    if worst >= _METAL_PSI * 0.9999:
        return (
            Caution(
                "danger",
                Wording("caution.valve.not_rubber", "a tyre at {worst:pressure} wants a steel valve, not rubber")(
                    worst=worst_kpa
                ),
                COMMON_PRACTICE,
            ),
        )
    if worst > _RUBBER_DOUBT_PSI:
        text = Wording(
            "caution.valve.rubber",
            "rubber pull-through valves are good for {least:pressure} to {most:pressure}; this one is to hold "
            "{worst:pressure}",
        )(least=_RUBBER_DOUBT_PSI * KPA_PER_PSI, most=_RUBBER_PSI * KPA_PER_PSI, worst=worst_kpa)
        return (Caution("caution", text, COMMON_PRACTICE),)
    return ()


def _brass(valve: ValveType, chloride: bool) -> tuple[Caution, ...]:
    if not (chloride and valve.brass):
        return ()
    text = Wording(
        "caution.valve.brass",
        "calcium eats brass: look at stem and insert, put new ones in, keep them under liquid",
    )()
    return (Caution("caution", text, BULLETIN),)


def _hole(valve: ValveType, rim_hole_m: float | None) -> tuple[Caution, ...]:
    if rim_hole_m is None:
        return ()
    hole, needs = 1000 * rim_hole_m, 1000 * valve.rim_hole_m
    source = Wording("source.rim_holes", "TRA rim holes 11.3, 15.7 and 20.5 mm, tyre data book")()
    if hole < needs - 0.4:
        text = Wording(
            "caution.valve.small_hole",
            "the rim hole is {hole:number} mm and the {valve} needs {needs:number} mm: keep the small valve, never "
            "file",
        )(hole=round(hole, 1), valve=valve.name, needs=round(needs, 1))
        return (Caution("danger", text, source),)
    if hole > needs + 1.0:
        text = Wording(
            "caution.valve.wide_hole",
            "the rim hole is {hole:number} mm, too wide for the {valve} ({needs:number} mm): it may pull out or leak",
        )(hole=round(hole, 1), valve=valve.name, needs=round(needs, 1))
        return (Caution("danger", text, source),)
    return ()


def _note(valve: ValveType) -> tuple[Caution, ...]:
    bore = Wording("caution.valve.bore", "bore of the {valve} taken as {bore:number} mm with the core or insert out")(
        valve=valve.name, bore=round(1000 * valve.bore_m)
    )
    found = [Caution("note", bore, Wording("source.assumption", "assumption, no open source prints it")())]
    if valve.needs_adapter:
        text = Wording("caution.valve.adapter", "the core goes back under the gun only with a core-tool adapter")()
        found.append(Caution("note", text, COMMON_PRACTICE))
    return tuple(found)
