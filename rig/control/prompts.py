"""What the person at the wheel is asked to do: one table by the prompt's name. Quantities in braces are filled in."""

from __future__ import annotations

from collections.abc import Mapping

INSERT_BACK = "Put the core or insert back, gun stays on. Then the hose is reversed off."
LEVER_TARGET = "STOP the pump: the target is in. Core or insert back, gun stays on."
LEVER_CEILING = "STOP the pump: let air out to {floor}, then go on filling."
LEVER_REST = "WAIT with the pump. Air may come out, to {floor}; then vent shut for a moment: pressure is read."
LEVER_FILL = (
    "Fill by the lever to {target}, at most {ceiling}. When the level is right: core or insert back, gun stays on."
)
GUN_OFF = "Take the gun off."
GUN_OFF_OPEN = "Take the gun off, put the core in, cap it."
GUN_OFF_BY_HAND = "Reverse for a moment so that the hose does not spray. {gun_off}"
AIR_UP = "The air has pushed what it can: air the tyre up to {up_to} through the gun, then go on."

PROMPTS: Mapping[str, tuple[str, ...]] = {
    "insert_back": (INSERT_BACK, LEVER_FILL, LEVER_CEILING, LEVER_REST, LEVER_TARGET),
    "gun_off": (GUN_OFF, GUN_OFF_OPEN, GUN_OFF_BY_HAND),
    "air_up": (AIR_UP,),
}
"""Every prompt with the words that it may be put in."""
