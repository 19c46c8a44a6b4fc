"""The names that points may have, and the kind of quantity of each."""

from __future__ import annotations

from rig.field.turning import DIRECTION, RUN
from rig.meter_kind import KINDS
from rig.units import Kind

INPUTS = frozenset({
    "meter_count", "meter_reverse_count", "meter_total", "flow_rate", "line_pressure", "tyre_pressure",
    "tote_level", "tote_mass", "strainer_dp", "fluid_temp", "estop_ok", "liquid_in_vent", "stop_button",
    "start_button", "pump_run_feedback", "pump_reverse_feedback", "fill_valve_feedback", "vent_valve_feedback",
    "tote_low", "tote_full", "motor_run_feedback", "motor_direction_feedback", "tank_pressure",
})  # fmt: skip
OUTPUTS = frozenset({"pump_run", "pump_reverse", "vent_valve", "fill_valve", "flush_valve", "beacon"})
HEARTBEAT = "heartbeat"
"""The output that the loop pulses while something moves: it holds an external relay that feeds the pump."""
SIGNALS = frozenset({"beacon", HEARTBEAT})
"""Outputs that move nothing."""
AIR_VALVE = "air_valve"
"""The output that joins the tank of air to the tyre: only the look with air before a fill switches it on."""
TANK_PRESSURE = "tank_pressure"
"""That tank's gauge: no fill needs it."""
MOVING = (OUTPUTS - SIGNALS) | {AIR_VALVE}
DIRECTED = frozenset({RUN, DIRECTION})
"""Outputs of a pump with run and direction, in place of forward and reverse."""
FEEDBACK = {
    name: f"{name}_feedback" for name in ("pump_run", "pump_reverse", RUN, DIRECTION, "fill_valve", "vent_valve")
}
"""By output: the auxiliary contact of its contactor, or the switch that a valve closes when open."""
# Coils through which the simulated person acts: gun on or off, core or insert out or back, hose in an open vessel,
# and on a rig worked by hand the pump's lever and the vent at the gun.
HANDS = frozenset({
    "hand_gun_on", "hand_valve_open", "hand_in_vessel", "hand_lever_forward", "hand_lever_back", "hand_vent_open",
    "hand_air_up", "hand_air_open",
})  # fmt: skip
SWITCHED = OUTPUTS | DIRECTED | HANDS | {HEARTBEAT, AIR_VALVE}
"""Points that are written, yes or no; all others are read."""
UNHURRIED = frozenset({"tote_level", "tote_mass", "tote_low", "tote_full", "strainer_dp", "fluid_temp", "vessel_level"})
"""Inputs that may be read less often than every scan: they only cross-check the meter; nothing is cut off by them."""
COUNTS = frozenset({"meter_count", "meter_reverse_count"})
# Points of a simulated rig only: those coils, the simulated world's own time, and the open vessel's content.
SIMULATED = HANDS | {"plant_clock", "vessel_level"}
POINT_NAMES = INPUTS | SWITCHED | SIMULATED | {"output_timeout"}
QUANTITY_OF_POINT: dict[str, Kind] = {
    "meter_total": "volume", "flow_rate": "flow", "line_pressure": "pressure", "tyre_pressure": "pressure",
    "tote_level": "volume", "tote_mass": "mass", "strainer_dp": "pressure", "fluid_temp": "temperature",
    "output_timeout": "time",
    "tank_pressure": "pressure", "plant_clock": "time", "vessel_level": "volume",
}  # fmt: skip
METER_POINT = {kind: row.point for kind, row in KINDS.items() if row.point}
"""The point that each kind of meter is read from; run time has none."""
