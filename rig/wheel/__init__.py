"""The wheel: size text to cavity, level and valve. Pure; must not know liquids in bulk, rigs or wires."""

from rig.wheel.cavity import TAUGHT_U, Cavity, cavity_l_of_fill, cavity_of, geometric_cavity, liquid_at_valve
from rig.wheel.designation import Designation, NoRoomError, SizeError, TyreClass, read_size
from rig.wheel.dimensions import Measured, MeasureError, Outline
from rig.wheel.learned import Learned, Measurement, Size, Weights, learned, spread_weights
from rig.wheel.published import PublishedFill, fills_of, published_fills
from rig.wheel.valve import StopOrder, ValveError, ValveType, valve_cautions, valve_named, valve_types

__all__ = [
    "TAUGHT_U",
    "Cavity",
    "Designation",
    "Learned",
    "MeasureError",
    "Measured",
    "Measurement",
    "NoRoomError",
    "Outline",
    "PublishedFill",
    "Size",
    "SizeError",
    "StopOrder",
    "TyreClass",
    "ValveError",
    "ValveType",
    "Weights",
    "cavity_l_of_fill",
    "cavity_of",
    "fills_of",
    "geometric_cavity",
    "learned",
    "liquid_at_valve",
    "published_fills",
    "read_size",
    "spread_weights",
    "valve_cautions",
    "valve_named",
    "valve_types",
]
