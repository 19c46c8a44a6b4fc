"""Configuration of a shop's wheel: its size, the result of a reference fill, its valve.

It must not know how a wheel is filled.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from rig.field.points import Strict, quantity_field
from rig.sentence import Wording, said_by
from rig.wheel import Measured, SizeError, ValveError, cavity_l_of_fill, read_size, valve_named

Volume = Annotated[float, quantity_field("volume"), Field(gt=0)]
Length = Annotated[float, quantity_field("length"), Field(gt=0)]


class ShopWheel(Strict):
    """One wheel, or one kind of identical wheels."""

    size: str
    """Size on the sidewall."""
    cavity: Volume | None = None
    """The whole cavity, if known."""
    cavity_u: Volume | None = None
    """Uncertainty of that at 95 %, where the strokes of a fill have measured it; by default 2 %."""
    took: Volume | None = None
    """Volume of a reference fill until the liquid reached the valve."""
    make: str = ""
    """Maker and tread, as on the sidewall: wheels of the same are compared with each other."""
    valve: str | None = None
    """Type of its valve; by default the usual one of this size."""
    valve_at: float = Field(default=12.0, ge=0, lt=13)
    """Clock position of the valve, in that reference fill and in the next ones."""
    diameter: Length | None = None
    """Measured outside diameter."""
    section: Length | None = None
    """Measured section width."""
    rim_width: Length | None = None
    """Measured rim width."""

    @model_validator(mode="after")
    def _whole(self) -> ShopWheel:
        if self.cavity is not None and self.took is not None:
            raise ValueError(
                Wording(
                    "config.two_volumes",
                    "two volumes: write cavity (the whole of it) or took (a reference fill up to the valve)",
                )()
            )
        if self.cavity_u is not None and not self.cavity_u < (self.cavity or 0.0):
            raise ValueError(Wording("config.cavity_u", "cavity_u is the uncertainty of cavity, and less than that")())
        try:
            read_size(self.size)
            if self.valve is not None:
                valve_named(self.valve)
        except (SizeError, ValveError) as error:
            raise ValueError(said_by(error)) from error
        return self

    @property
    def measured(self) -> Measured:
        """Its measured dimensions."""
        return Measured(self.diameter, self.section, self.rim_width)

    @property
    def taught_l(self) -> float | None:
        """The whole cavity as known to the shop, litres."""
        if self.took is None:
            return self.cavity
        return cavity_l_of_fill(read_size(self.size), self.took, self.valve_at, self.measured)
