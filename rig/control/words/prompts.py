"""What the person at the wheel is asked to do: one table by the prompt's name."""

from __future__ import annotations

from collections.abc import Mapping

from rig.sentence import Wording

INSERT_BACK = Wording("prompt.insert_back", "Put the core or insert back, gun stays on. Then the hose is reversed off.")
LEVER_TARGET = Wording("prompt.lever_target", "STOP the pump: the target is in. Core or insert back, gun stays on.")
LEVER_CEILING = Wording("prompt.lever_ceiling", "STOP the pump: let air out to {floor:pressure}, then go on filling.")
LEVER_REST = Wording(
    "prompt.lever_rest",
    "WAIT with the pump. Air may come out, to {floor:pressure}; then vent shut for a moment: pressure is read.",
)
LEVER_FILL = Wording(
    "prompt.lever_fill",
    "Fill by the lever to {target:volume}, at most {ceiling:pressure}. When the level is right: core or insert back, "
    "gun stays on.",
)
GUN_OFF = Wording("prompt.gun_off", "Take the gun off.")
GUN_OFF_OPEN = Wording("prompt.gun_off_open", "Take the gun off, put the core in, cap it.")
GUN_OFF_BY_HAND = Wording("prompt.gun_off_by_hand", "Reverse for a moment so that the hose does not spray. {gun_off}")
AIR_UP = Wording(
    "prompt.air_up",
    "The air has pushed what it can: air the tyre up to {up_to:pressure} through the gun, then go on.",
)

PROMPTS: Mapping[str, tuple[Wording, ...]] = {
    "insert_back": (INSERT_BACK, LEVER_FILL, LEVER_CEILING, LEVER_REST, LEVER_TARGET),
    "gun_off": (GUN_OFF, GUN_OFF_OPEN, GUN_OFF_BY_HAND),
    "air_up": (AIR_UP,),
}
"""Every prompt with the words that it may be put in."""
