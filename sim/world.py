"""Properties of the plant that the demonstration's does not have, each drawn by a part of its own.

A campaign draws them with ``--wide`` or ``--thermal`` and leaves any of them out by ``--drop``. Ranges without a source
next to them are assumed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.fluid import read_fluid
from rig.units import parse
from rig.wheel import cavity_of, read_size

if TYPE_CHECKING:
    import random

    from sim.table import SimTable

WORLD = (
    "gauge", "vapour", "heat", "growth", "bore", "losses", "suction", "viscosity", "slip", "vortex", "reverse", "air",
    "travel", "stall",
)  # fmt: skip
"""Parts of a scenario that are properties of the plant. "slip" is a defect, the others are sound rigs."""
_APART_K = 30.0
_COLDEST_C, _HOTTEST_C = -20.0, 45.0
_TOTE_C = (-5.0, 30.0)
_LIQUID_K = 3.0
"""Least distance of tote and tyre from the freeze point."""
_SLIPS, _RUNS_LOW = 0.1, 0.3
"""Shares of the fills in which the meter slips, and in which the tote runs low."""

_STALLS = 0.1
"""Share of the fills in which the controller's computer stalls once."""

Changes = Iterator[tuple[str, dict[str, object]]]
"""Tables of the configuration with changed keys."""


@dataclass(frozen=True, slots=True)
class Rig:
    """What the draws depend on, as configured."""

    size: str
    bore: str
    fluid: str
    flow: str
    """Flow of the pump; "None": the demonstration's."""


def properties(part: Callable[[str], random.Random | None], rig: Rig) -> Changes:
    """Draw every part that is not left out; ``part`` gives its generator or None."""
    for name, draw in _DRAWS.items():
        rng = part(name)
        if rng is not None:
            yield from draw(rng, rig)


def strata(sim: SimTable) -> tuple[str, ...]:
    """The properties by which a campaign's records are compared."""
    found = {"gas with heat": sim.heat_time, "meter slips": sim.meter_slip, "meter drifts": sim.viscosity_drift}
    return tuple(name for name, there in found.items() if there)


def stall(part: Callable[[str], random.Random | None]) -> tuple[float, float] | None:
    """Draw when the controller and its clock stand still while the rig goes on: share of the fill, seconds."""
    rng = part("stall")
    if rng is None or rng.random() >= _STALLS:
        return None
    return rng.uniform(0.0, 1.0), 10 ** rng.uniform(-0.3, 1.3)


def _gauge(rng: random.Random, _rig: Rig) -> Changes:
    """A gauge of 0.25 to 2 % of 60 or 100 psi, which the configuration states; the limit is two standard deviations.

    Its error goes with the pressure as a data sheet's does: no transmitter's changes by its whole accuracy in 10 kPa.
    """
    span_psi, share = rng.choice((60, 100)), rng.uniform(0.0025, 0.02)
    accuracy_psi = round(share * span_psi, 4)
    yield "points", {"line_pressure": {"low": -17 - 2 * accuracy_psi, "high": span_psi, "accuracy": accuracy_psi}}
    yield "sim", {"gauge_error": f"{0.5 * share * span_psi:.4f} psi", "gauge_split": "data sheet"}


def _heat(rng: random.Random, rig: Rig) -> Changes:
    """Heat transfer around natural convection's 12 to 21 s; tyre and tote up to 30 K apart."""
    least_c = read_fluid(rig.fluid).freeze_c + _LIQUID_K
    tote_c = rng.uniform(max(_TOTE_C[0], least_c), _TOTE_C[1])
    tyre_c = min(max(tote_c + rng.uniform(-_APART_K, _APART_K), _COLDEST_C, least_c), _HOTTEST_C)
    yield "tote", {"temperature": f"{tote_c:.1f} degC"}
    yield (
        "sim",
        {
            "heat_time": f"{rng.uniform(5.0, 40.0):.1f} s",
            "wall_temperature": f"{tyre_c:.1f} degC",
            "exponent": 1.0,
        },
    )


def _vapour(rng: random.Random, _rig: Rig) -> Changes:
    """Vapour needs a gas with heat: one that keeps the liquid's temperature, unless "heat" draws another."""
    yield "sim", {"vapour_time": f"{rng.uniform(20.0, 60.0):.1f} s", "heat_time": "10 ms", "exponent": 1.0}


def _growth(rng: random.Random, _rig: Rig) -> Changes:
    yield "sim", {"growth_delayed": rng.uniform(0.2, 0.6), "growth_time": f"{10 ** rng.uniform(1.3, 2.5):.0f} s"}


def _bore(rng: random.Random, rig: Rig) -> Changes:
    """A small stem is some nine bores long, an air-water valve some six."""
    bore_m = parse(rig.bore, "length")
    slim = rng.uniform(7.0, 9.5) if bore_m < 0.006 else rng.uniform(4.5, 6.5)
    yield "sim", {"valve_length": f"{1000 * slim * bore_m:.1f} mm"}


def _losses(rng: random.Random, _rig: Rig) -> Changes:
    yield (
        "sim",
        {"fittings_loss": f"{rng.uniform(0.0, 4.0):.2f} psi", "linear_loss": f"{rng.uniform(0.0, 3.0):.2f} psi"},
    )


def _suction(rng: random.Random, _rig: Rig) -> Changes:
    yield (
        "sim",
        {
            "suction_length": f"{rng.uniform(1.0, 4.0):.1f} m",
            "suction_bore": f"{rng.choice((1.0, 1.25, 1.5))} in",
            "suction_lift": f"{rng.uniform(-0.3, 0.6):.2f} m",
        },
    )


def _viscosity(rng: random.Random, rig: Rig) -> Changes:
    """Some tenths to 2 % for displacement meters, 5 % and more for turbines, nothing for magnetic ones.

    Half of the shops prove with water, the others with their own liquid.
    """
    drift = rng.choice((rng.uniform(0.003, 0.02), rng.uniform(0.003, 0.02), -rng.uniform(0.05, 0.1), 0.0))
    yield "meter", {"mechanism": "turbine" if drift < 0 else "displacement" if drift else "magnetic"}
    if rng.random() < 0.5:
        yield "sim", {"viscosity_drift": drift}
    else:
        fluid = read_fluid(rig.fluid)
        yield "sim", {"viscosity_drift": drift, "proven_viscosity": fluid.viscosity_mpas(max(15.0, fluid.freeze_c))}


def _slip(rng: random.Random, rig: Rig) -> Changes:
    share, after = rng.uniform(0.03, 0.2), rng.uniform(0.1, 0.7)
    if rng.random() < _SLIPS:
        yield "sim", {"meter_slip": share, "meter_slip_after": f"{after * _cavity_l(rig):.1f} L"}


def _vortex(rng: random.Random, rig: Rig) -> Changes:
    """A tote that holds little more than the wheel takes, and a dip tube that draws air before it is empty."""
    yield "sim", {"vortex": f"{rng.uniform(5.0, 40.0):.1f} L"}
    share = rng.uniform(0.9, 1.2)
    if rng.random() < _RUNS_LOW:
        yield "tote", {"content": f"{share * _cavity_l(rig) + 20.0:.0f} L"}


def _reverse(rng: random.Random, rig: Rig) -> Changes:
    flow_lps = parse("40 L/min" if rig.flow == "None" else rig.flow, "flow")
    yield "sim", {"reverse_flow": f"{60.0 * rng.uniform(0.7, 1.05) * flow_lps:.2f} L/min"}


def _air(rng: random.Random, _rig: Rig) -> Changes:
    """What the meter does on air, whatever the configuration says."""
    yield "sim", {"on_air": rng.choice(("counts", "part", "blind"))}


def _travel(rng: random.Random, _rig: Rig) -> Changes:
    yield "sim", {"vent_travel": f"{rng.uniform(0.0, 1.5):.2f} s"}


def _cavity_l(rig: Rig) -> float:
    return cavity_of(read_size(rig.size)).volume_l


_DRAWS: dict[str, Callable[[random.Random, Rig], Changes]] = {
    "gauge": _gauge,
    "vapour": _vapour,
    "heat": _heat,
    "growth": _growth,
    "bore": _bore,
    "losses": _losses,
    "suction": _suction,
    "viscosity": _viscosity,
    "slip": _slip,
    "vortex": _vortex,
    "reverse": _reverse,
    "air": _air,
    "travel": _travel,
}
