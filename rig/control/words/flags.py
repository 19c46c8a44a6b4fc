"""Reasons for a stroke's end, and marks of a fill's record, as far as decisions use them.

Values are the texts of the record and of the journal. Every alarm marks the record with its guard's name; those that
decisions ask for are listed here too (a test compares them with the table of guards).
"""

from __future__ import annotations

from enum import StrEnum


class End(StrEnum):
    """How a stroke ended."""

    NOT_YET = ""
    TARGET = "target"
    CEILING = "ceiling"
    FEELER = "feeler"
    LOOK = "look"
    TIME = "time"
    """A vent's planned time was over."""
    FLOOR = "floor"
    DRY_LIMIT = "dry limit"
    UNSURE = "unsure"
    """A coarse measure shows too little: only a rest can show more."""
    AIR = "air"
    REST = "rest"
    """By hand: the pressure has to be read before more goes in."""
    BROKEN_OFF = "broken off"
    """An alarm or a person stopped it: nothing is learned from it."""
    PRESSED = "pressed"
    """The hose's own reverse ended as pressure came back behind the gun before it was off."""


class Flag(StrEnum):
    """A mark of the record that later decisions ask for, or that is no alarm."""

    INTERRUPTED = "interrupted"
    NEAR_LEVEL = "air drawn near the liquid's level"
    EMPTIED_TO_AIR = "emptied until air came"
    TOOK_NO_AIR = "took no air"
    COUNTS_NO_AIR = "the meter counts no air, other than configured"
    COUNTS_PART_OF_AIR = "the meter counts part of the air, other than configured"
    SHORT = "short of the target"
    OTHER_LOSS = "line loss unlike this valve's bore"
    SUPPLY_CUT = "supply cut by hand"
    METER_NOT_PROVEN = "meter not proven"
    BELOW_LEAST = "below the meter's least quantity"
    MOVED_UNATTENDED = "liquid moved unattended"
    # Names of guards.
    AIR_GONE = "air_gone"
    AIR_PUMPED = "air_pumped"
    AIR_STAYS = "air_stays"
    CAVITY_DIFFERS = "cavity_differs"
    ESTIMATES_DISAGREE = "estimates_disagree"
    FLOW_TOO_HIGH = "flow_too_high"
    FLOW_WHILE_STOPPED = "flow_while_stopped"
    GAUGE_RESTLESS = "gauge_restless"
    INSERT_NOT_SEATED = "insert_not_seated"
    LIQUID_DRAWN = "liquid_drawn"
    MEASURES_DIFFER = "measures_differ"
    METER_JUMPED = "meter_jumped"
    NO_RISE = "no_rise"
    REVERSE_FLOW = "reverse_flow"
    SUCTION_DRY = "suction_dry"
