"""What a record says of the liquid: of what came, and of the mix that it made with what was inside.

It must not know records.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.fluid.fluids import Fluid
from rig.fluid.mix import Mix, Part, mix_of, scaled


@dataclass(frozen=True, slots=True)
class Figures:
    """Rounded as a record has them. Figures of the mix are None where they are not known: ``mix_unknown`` says why."""

    mix: str
    mix_unknown: str | None
    freeze_c: float | None
    density_kg_m3: float | None
    mass_kg: float | None
    fluid_freeze_c: float | None
    fluid_density_kg_m3: float
    fluid_mass_kg: float


def figures_of(
    fluid: Fluid, moved_l: float, temp_c: float, holds: Sequence[Part] = (), existing_l: float = 0.0
) -> Figures:
    """Figures of ``moved_l`` that came at a temperature, onto ``existing_l`` of what the wheel held.

    Without ``existing_l`` the volumes of ``holds`` count. :class:`rig.fluid.FluidError` outside the fluid's table.
    """
    density = fluid.density_kg_m3(temp_c)
    inside = scaled(holds, existing_l) if existing_l > 0 else tuple(holds)
    comes = Part(max(moved_l, 0.0), fluid)
    parts = (comes, *inside) if comes.litres or not inside else inside
    mix = Mix(parts, temp_c, fluid) if parts == (comes,) else mix_of(parts, temp_c)
    own = mix.fluid is fluid and not inside
    return Figures(
        mix=mix.name,
        mix_unknown=mix.unknown or None,
        freeze_c=_rounded(mix.freeze_c, 1),
        density_kg_m3=round(density, 2) if own else _rounded(mix.density_kg_m3, 2),
        mass_kg=round(moved_l * density / 1000, 2) + 0.0 if own else _rounded(mix.mass_kg, 2),
        fluid_freeze_c=round(fluid.freeze_c, 1),
        fluid_density_kg_m3=round(density, 2),
        fluid_mass_kg=round(moved_l * density / 1000, 2) + 0.0,
    )


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
