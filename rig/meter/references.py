"""References for a meter, a known can or a scale: convert a reading to litres at the vessel's temperature.

Uncertainties (``doubt``) are relative and at 95 %. It must not know pulses, meters or fills.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from rig.fluid import BASE_C, Fluid
from rig.sentence import Sentence, Wording

Material = Literal["mild steel", "stainless", "plastic"]

EXPANSION_PER_C: dict[Material, float] = {"mild steel": 3.35e-5, "stainless": 4.77e-5, "plastic": 4.5e-4}
"""Cubic expansion of the vessel. Steels: 1.86e-5 and 2.65e-5 per degF (NIST Handbook 105-3, from memory); polyethylene
is three times a linear 1.5e-4 per degC (from memory)."""
CAN_DOUBT: dict[Material, float] = {"mild steel": 5e-4, "stainless": 5e-4, "plastic": 3e-3}
"""Uncertainty of a can's volume without a document: a field standard holds 0.05 % (NIST Handbook 105-3, from memory);
a plastic jug's marks are assumed, no source."""
DRAIN_S = 30.0
"""Drain time of a hand-held measure (NIST SOP 18, from memory)."""
WEIGHTS_KG_M3 = 8000.0
"""Density of the weights that a scale is adjusted with, by convention (OIML D 28)."""
CLINGS = Wording(
    "verdict.clings",
    "{fluid} clings: after {seconds:number} s of draining {percent:number} % of the can's content is still on its "
    "wall. Prove by weight (--scale), or drain the same time before every run",
)


@dataclass(frozen=True, slots=True)
class Can:
    """A known can, or a wheeled prover: it holds ``volume_l`` up to its mark at ``ref_c``."""

    volume_l: float
    material: Material = "mild steel"
    ref_c: float = BASE_C
    doubt: float = CAN_DOUBT["mild steel"]

    def litres(self, shown_l: float, vessel_c: float) -> float:
        """True content of the can when it shows ``shown_l`` at the temperature ``vessel_c``."""
        return shown_l * (1 + EXPANSION_PER_C[self.material] * (vessel_c - self.ref_c))

    def clinging_share(self, fluid: Fluid, temp_c: float) -> float:
        """Share of its content that a draining film leaves on the wall of a can as high as wide, :data:`DRAIN_S` long.

        A falling film of mean thickness 2/3 sqrt(viscosity × height / (density × g × time)): Jeffreys, Proc. Camb.
        Phil. Soc. 26 (1930) 204, from memory.
        """
        at_c = fluid.liquid_c(temp_c)
        width_m: float = (4 * self.volume_l / 1000 / math.pi) ** (1 / 3)
        thick_m = (
            2
            / 3
            * math.sqrt(fluid.viscosity_mpas(at_c) / 1000 * width_m / (fluid.density_kg_m3(at_c) * 9.80665 * DRAIN_S))
        )
        return 1000 * thick_m * 1.25 * math.pi * width_m**2 / self.volume_l

    def clingage_note(self, fluid: Fluid, temp_c: float) -> Sentence | None:
        """A warning of a liquid that clings to the can; None where less stays than the can is known to."""
        share = self.clinging_share(fluid, temp_c)
        if share <= max(self.doubt, CAN_DOUBT["mild steel"]):
            return None
        return CLINGS(fluid=fluid.name, seconds=DRAIN_S, percent=round(100 * share, 1))


@dataclass(frozen=True, slots=True)
class Air:
    """The air around a scale; humidity in per cent."""

    kpa_abs: float = 101.325
    temp_c: float = 20.0
    humidity: float = 50.0

    def density_kg_m3(self) -> float:
        """Approximate formula of OIML R 111-1, E.3."""
        damp = 0.009 * self.humidity * math.exp(0.061 * self.temp_c)
        return (3.4848 * self.kpa_abs - damp) / (273.15 + self.temp_c)


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale under the vessel, tared."""

    doubt_kg: float
    density_doubt: float
    """Uncertainty of the liquid's density: small by hydrometer, large by the recipe alone."""
    air: Air = Air()

    def litres(self, net_kg: float, density_kg_m3: float) -> float:
        """Volume by the scale's reading, corrected for air buoyancy (ISO 4185)."""
        air = self.air.density_kg_m3()
        return 1000 * net_kg * (1 - air / WEIGHTS_KG_M3) / (density_kg_m3 - air)

    def doubt(self, net_kg: float) -> float:
        """Relative uncertainty of a volume by weight."""
        return math.hypot(self.doubt_kg / net_kg, self.density_doubt)
