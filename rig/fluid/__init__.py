"""Fluids: density, freeze point and viscosity by temperature, mixes, and cautions. Pure; knows no tyre."""

from rig.fluid.dissolving import Cut, cut_to, hot_brine
from rig.fluid.errors import FluidError
from rig.fluid.figures import Figures, figures_of
from rig.fluid.fluids import BASE_C, BY_VOLUME, Fluid, Kind, packaged, strength_for
from rig.fluid.mix import UNKNOWN, Mix, Part, content_names, mix_of, read_content, scaled
from rig.fluid.read import BEET, FLAKE_ASSAY, read_fluid
from rig.fluid.tables import ShopTable
from rig.fluid.vapour import vapour_kpa

__all__ = [
    "BASE_C",
    "BEET",
    "BY_VOLUME",
    "FLAKE_ASSAY",
    "UNKNOWN",
    "Cut",
    "Figures",
    "Fluid",
    "FluidError",
    "Kind",
    "Mix",
    "Part",
    "ShopTable",
    "content_names",
    "cut_to",
    "figures_of",
    "hot_brine",
    "mix_of",
    "packaged",
    "read_content",
    "read_fluid",
    "scaled",
    "strength_for",
    "vapour_kpa",
]
