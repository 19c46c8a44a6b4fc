"""The simulated person at a simulated rig, for the controller: hands and eyes through points of its map."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing

from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.run.readings import conversions
from rig.run.settings import Settings

_MOVES: dict[tuple[str, str], dict[str, bool]] = {
    ("confirm", "valve_open"): {"hand_gun_on": True, "hand_valve_open": True},
    ("confirm", "vessel"): {"hand_in_vessel": True},
    ("answer", "air_connect"): {"hand_gun_on": True, "hand_valve_open": True},
    ("answer", "air_open"): {"hand_air_open": True},
    ("answer", "air_shut"): {"hand_air_open": False},
    ("answer", "insert_back"): {"hand_valve_open": False},
    ("answer", "air_up"): {"hand_air_up": True},
    ("answer", "gun_off"): {"hand_gun_on": False, "hand_valve_open": False},
}


def moves(kind: str, name: str) -> Mapping[str, bool]:
    """What the hands do before a request of this kind and name is heard."""
    return _MOVES.get((kind, name), {})


async def empties(settings: Settings) -> None:
    """Empty the vessel; a real person does so before confirming the next ready check. FieldError."""
    if "hand_in_vessel" in settings.points:
        with closing(Field(settings.links, settings.points)) as field:
            await field.write({"hand_in_vessel": False})


def reads(settings: Settings) -> bool:
    """Whether the map has the vessel's level."""
    return "vessel_level" in settings.points


async def vessel_l(settings: Settings) -> float:
    """Content of the open vessel, litres; FieldError."""
    with closing(Field(settings.links, settings.points)) as field:
        await field.scan()
        if field.errors:
            raise FieldError("; ".join(field.errors.values()))
        unit = conversions(settings.quantities)["vessel_level"]
        return field.values["vessel_level"].scaled * unit.factor + unit.offset
