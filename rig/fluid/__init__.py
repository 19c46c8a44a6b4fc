"""Fluids: density, freeze point and viscosity by temperature, and cautions. Pure; knows no tyre."""

from rig.fluid.errors import FluidError
from rig.fluid.fluids import BASE_C, Fluid, Kind, mixed
from rig.fluid.read import BEET, FLAKE_ASSAY, read_fluid
from rig.fluid.tables import ShopTable

__all__ = ["BASE_C", "BEET", "FLAKE_ASSAY", "Fluid", "FluidError", "Kind", "ShopTable", "mixed", "read_fluid"]
