"""Configuration of a shop's own fluid: a table of density and viscosity by temperature.

It must not know how a fluid is used.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from rig.field.points import Strict, quantity_field
from rig.fluid import FluidError, ShopTable
from rig.sentence import said_by


class FluidPoint(Strict):
    """One row of the supplier's sheet."""

    temperature: Annotated[float, quantity_field("temperature")]
    """Temperature of this row."""
    density: Annotated[float, quantity_field("density")]
    """Density at that temperature."""
    viscosity: Annotated[float, quantity_field("viscosity")]
    """Dynamic viscosity at that temperature."""


class ShopFluid(Strict):
    """One fluid: two rows or more, rising in temperature."""

    freeze: Annotated[float, quantity_field("temperature")]
    """Where slush begins."""
    solid: Annotated[float | None, quantity_field("temperature")] = None
    """Where all of it is solid, if known."""
    flammable: bool = False
    """The ready check then asks about sparks, flames and bonding."""
    points: tuple[FluidPoint, ...] = Field(min_length=2)
    """The rows of the supplier's sheet, rising in temperature; between them values are interpolated."""

    @model_validator(mode="after")
    def _liquid(self) -> ShopFluid:
        try:
            self.as_table("this fluid")
        except FluidError as error:
            raise ValueError(said_by(error)) from error
        return self

    def as_table(self, name: str) -> ShopTable:
        """The fluid in the fluid room's form."""
        rows = tuple((point.temperature, point.density, point.viscosity) for point in self.points)
        return ShopTable(name, rows, self.freeze, self.solid, self.flammable)
