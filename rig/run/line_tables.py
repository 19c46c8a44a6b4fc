"""Configuration tables of the liquid's path: pipe work, pump, valves, tote."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from rig.field.points import Seconds, Strict
from rig.run.quantities import Flow, Height, Length, Pressure, Temperature, Volume
from rig.sentence import Wording
from rig.units import KPA_PER_PSI
from rig.wheel.valve import StopOrder

_RELIEF_SIDE = "pump side of the meter"


class PipeTable(Strict):
    """Suction line, hose and heights."""

    hose_volume: Volume
    """Between meter and valve."""
    suction_volume: Volume
    """Between tote and meter, pump included."""
    hose_length: Length = 7.62
    """Length of the hose between pump and gun: with its bore it gives the loss while liquid flows."""
    hose_bore: Length = 0.0254
    """Inner diameter of the hose."""
    hose_loss: Pressure | None = Field(default=None, gt=0)
    """Loss of hose, strainer and gun at ``pump.flow`` of water, measured into an open can held at the gauge's height;
    by default that of a smooth hose of this length and bore (Darcy)."""
    gun_bore: Length | None = Field(default=None, gt=0)
    """Narrowest bore of gun or adapter, if narrow compared with the tyre valve's and no loss was measured."""
    gauge_height: Height = 0.6
    """Height of the pressure gauge above the ground."""

    @model_validator(mode="after")
    def _once(self) -> PipeTable:
        if self.hose_loss is not None and self.gun_bore is not None:
            raise ValueError(
                Wording("config.loss_twice", "hose_loss has the gun's loss in it; leave out gun_bore, or hose_loss")()
            )
        return self


class PumpTable(Strict):
    """The transfer pump and its relief valve."""

    flow: Flow
    """At no back pressure."""
    reverse_flow: Flow | None = Field(default=None, gt=0)
    """Reverse flow, if different."""
    slip: float = Field(default=0.0004, ge=0)
    """Flow lost for each kPa across the pump, L/s per kPa."""
    start_lag: Seconds = 0.2
    """From the relay to full speed."""
    coast: Seconds = 1.0
    """From the relay to standstill."""
    direction_settle: Seconds | None = Field(default=None, le=2)
    """With run and direction outputs: how long run is off before the direction is changed; else ``coast``."""
    dry_run: Seconds = Field(default=30.0, gt=0)
    """Longest single run of the pump on air."""
    dry_rest: Seconds = 60.0
    """Pause between two dry runs."""
    relief: Pressure = Field(default=30 * KPA_PER_PSI, gt=0)
    """Setting of the relief valve."""
    relief_returns: Literal["pump side of the meter"] = "pump side of the meter"
    """A relief that bypasses the meter would count liquid that never reached the tyre: refused."""

    @field_validator("relief_returns", mode="before")
    @classmethod
    def _returns_uncounted(cls, value: object) -> object:
        if value != _RELIEF_SIDE:
            words = Wording(
                "config.relief_side",
                "a relief valve that returns past the meter counts liquid that never reached the tyre; lead it back "
                "between tote and meter and write '{side}'",
            )
            raise ValueError(words(side=_RELIEF_SIDE))
        return value


class AirOutTable(Strict):
    """How air leaves the tyre."""

    method: Literal["vent", "draw-down"]
    """vent: a valve at the gun lets it out, the hose stays full. draw-down: the reversed pump draws it out."""
    vent_bore: Length = 0.008
    """Bore of the vent valve at the gun."""


class ValvesTable(Strict):
    """Valves that the rig switches: travel times, and position of the fill valve."""

    fill_travel: Seconds = Field(default=0.0, le=30)
    """From shut to open. The pump and every reading of the tyre's pressure wait for it."""
    vent_travel: Seconds = Field(default=0.0, le=10)
    """The same for the vent valve: its feedback is allowed this time."""
    fill_stands: Literal["after the gauge", "before the gauge"] = "after the gauge"
    """As seen from the pump. After the gauge, a shut valve isolates the gauge from the tyre: then it is open while the
    fill runs, and while it is shut the gauge does not show the tyre's pressure."""


class ToteTable(Strict):
    """The tote that the pump draws from."""

    content: Volume
    """What is in it, where neither a level nor the book states it."""
    heel: Volume = 20.0
    """Volume that the dip tube cannot reach."""
    fluid: str = "water"
    """The liquid in it: a name with its strength, or a table of ``fluids``."""
    temperature: Temperature = 15.0
    """Of that liquid, where the rig has no thermometer."""


class FlushTable(Strict):
    """Back-flush at the end, so that the hose does not spray."""

    seconds: Seconds = 2.0
    """How long the pump is reversed."""
    order: StopOrder | None = None
    """How the gun comes off; by default according to the valve's type."""
