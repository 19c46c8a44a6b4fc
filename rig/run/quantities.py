"""Types of configured quantities: text with a unit, converted to the program's floats."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from rig.field.points import quantity_field

Volume = Annotated[float, quantity_field("volume"), Field(ge=0)]
Flow = Annotated[float, quantity_field("flow"), Field(gt=0)]
Pressure = Annotated[float, quantity_field("pressure")]
Mass = Annotated[float, quantity_field("mass")]
Length = Annotated[float, quantity_field("length"), Field(gt=0)]
Height = Annotated[float, quantity_field("length")]
Temperature = Annotated[float, quantity_field("temperature")]
PerVolume = Annotated[float, quantity_field("per_volume"), Field(gt=0)]
