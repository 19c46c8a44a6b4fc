"""Tyre valves by trade and standard name: rating, bore, rim hole, material, and how the gun comes off.

It must not know rigs, pumps or liquids in bulk.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Literal

from rig.units import KPA_PER_PSI, psi
from rig.wheel.caution import COMMON_PRACTICE, Caution

StopOrder = Literal["core back, then gun off", "gun off, then core back"]
Material = Literal["rubber", "metal", "tube"]

_TRA = "TRA valve table, reprinted in a tyre data book"
_SMALL_BORE_M = 0.004
_LARGE_BORE_M = 0.008


class ValveError(ValueError):
    """A text that names no valve; the message lists the names."""


@dataclass(frozen=True, slots=True)
class ValveType:
    """One kind of valve. Bores are with the core or insert out and are assumptions: no open source prints them.

    ``rating_kpa`` is the highest cold pressure (gauge), ``rim_hole_m`` the hole that it needs.
    """

    name: str
    names: tuple[str, ...]
    rating_kpa: float
    bore_m: float
    rim_hole_m: float
    material: Material
    brass: bool
    stop_order: StopOrder
    source: str


_VALVES = (
    ValveType(
        "rubber pull-through",
        ("rubber", "snap-in", "rubber snap-in", "pull-through", "rubber pull through", "TR412", "TR413", "TR414", "TR418"),
        65 * KPA_PER_PSI, _SMALL_BORE_M, 0.0115, "rubber", True, "core back, then gun off", _TRA,
    ),
    ValveType(
        "wide rubber pull-through",
        ("TR415", "TR423", "TR425", "wide rubber"),
        65 * KPA_PER_PSI, _SMALL_BORE_M, 0.0157, "rubber", True, "core back, then gun off", _TRA,
    ),
    ValveType(
        "high-pressure snap-in",
        ("TR600HP", "TR602HP", "600HP", "602HP", "high pressure snap-in", "high-pressure rubber"),
        80 * KPA_PER_PSI, _SMALL_BORE_M, 0.0115, "rubber", True, "core back, then gun off", _TRA,
    ),
    ValveType(
        "steel valve",
        ("metal", "steel", "clamp-in", "metal clamp-in", "clamp-in metal", "bolt-in", "TR416", "TR501"),
        200 * KPA_PER_PSI, _SMALL_BORE_M, 0.0115, "metal", False, "core back, then gun off", "from memory",
    ),
    ValveType(
        "tube valve",
        ("tube", "tube stem", "TR13", "TR15", "tube type"),
        60 * KPA_PER_PSI, _SMALL_BORE_M, 0.0115, "tube", True, "gun off, then core back", "workshop page, weak",
    ),
    ValveType(
        "air-water valve",
        ("air-water", "air water", "air/water", "air-liquid", "large bore", "TR618A", "TR218A", "large-bore air-liquid"),
        65 * KPA_PER_PSI, _LARGE_BORE_M, 0.0157, "metal", True, "core back, then gun off", "from memory",
    ),
)  # fmt: skip


def valve_types() -> tuple[ValveType, ...]:
    """Every kind of valve that the table holds."""
    return _VALVES


def _folded(text: str) -> str:
    plain = "".join(c if c.isalnum() else " " for c in text.casefold()).split()
    return "".join(word for word in plain if word not in {"valve", "stem", "the"})


_BY_NAME = {_folded(name): valve for valve in _VALVES for name in (valve.name, *valve.names)}
_BY_NAME |= {key.removeprefix("tr"): valve for key, valve in _BY_NAME.items() if key.startswith("tr")}


def valve_named(text: str) -> ValveType:
    """The valve that a trade or standard name means; :class:`ValveError` if none."""
    found = _BY_NAME.get(_folded(text))
    if found is None:
        near = difflib.get_close_matches(_folded(text), _BY_NAME, n=1, cutoff=0.6)
        hint = f"; did you mean {_BY_NAME[near[0]].name}?" if near else ""
        known = ", ".join(valve.name for valve in _VALVES)
        raise ValveError(
            f"{text!r} names no valve{hint} Known: {known}; standard numbers such as TR618A work too"
        )
    return found


def valve_cautions(
    valve: ValveType, working_pressure_kpa: float, *, filling_pressure_kpa: float = 0.0, chloride: bool = False,
    rim_hole_m: float | None = None,
) -> tuple[Caution, ...]:  # fmt: skip
    """What speaks against a valve at a working pressure, with a chloride brine, or in a rim's hole."""
    found = []
    worst = max(working_pressure_kpa, filling_pressure_kpa)
    if worst > valve.rating_kpa:
        found.append(
            Caution("danger", f"{psi(worst):.0f} psi passes the {valve.name}'s rating of {psi(valve.rating_kpa):.0f} psi: "
                    "fit a metal valve", valve.source)
        )  # fmt: skip
    elif valve.material == "rubber" and worst > 45 * KPA_PER_PSI:
        found.append(
            Caution("caution", "rubber pull-through valves are good for 45 to 55 psi", COMMON_PRACTICE)
        )
    if chloride and valve.brass:
        found.append(
            Caution(
                "caution", "calcium eats brass inserts: look at the insert, fit a new one", COMMON_PRACTICE
            )
        )
    if rim_hole_m is not None and rim_hole_m < valve.rim_hole_m - 0.0002:
        found.append(
            Caution("danger", f"the rim hole is {1000 * rim_hole_m:.1f} mm; the {valve.name} needs "
                    f"{1000 * valve.rim_hole_m:.1f} mm", valve.source)
        )  # fmt: skip
    return tuple(found)
