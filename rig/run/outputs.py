"""The outputs of a rig by its configuration: what switches them off if this program cannot."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rig.field.links import RtuLink
from rig.field.turning import DIRECTION, RUN, Turning
from rig.run.names import DIRECTED, FEEDBACK, HEARTBEAT, MOVING
from rig.run.settings import Settings
from rig.run.wiring import least_scan_s
from rig.sentence import Sentence, Wording

if TYPE_CHECKING:
    from rig.field.field import Field

_FOLLOW_S = 0.1
"""Time allowed for a contactor to follow its relay: it pulls in within 50 ms (from memory)."""
UNGUARDED = Wording(
    "caution.unguarded",
    "Nothing switches the outputs off when this computer or its bus stops: the map has neither output_timeout nor "
    'heartbeat. Stay at the pump\'s switch; config/WIRING.md, "A board without a time-out", shows the timer relay.',
)()


def field_of(settings: Settings) -> Field:
    """The rig's field for a fill: refresh within the modules' time-out, and which time-outs are proven."""
    # A command that only answers asks this module what is guarded, and loads no bus.
    from rig.field.field import Field

    timeout_s = settings.limits.output_timeout
    return Field(
        settings.links,
        settings.points,
        renew_s=timeout_s / 4,
        leave_s=1.25 * timeout_s,
        proven_s=proven_of(settings),
        feedback={output: name for output, name in FEEDBACK.items() if name in settings.points},
        travel_s={"fill_valve": settings.valves.fill_travel, "vent_valve": settings.valves.vent_travel},
        turning=_turning_of(settings),
    )


def _turning_of(settings: Settings) -> Turning | None:
    """The logic of a pump with run and direction outputs; None for one with a contactor each way."""
    if RUN not in settings.points:
        return None
    shows = tuple(name for name in (DIRECTION, FEEDBACK[DIRECTION]) if name in settings.read)
    scale = settings.clock.scale
    return Turning(settings.direction_settle_s / scale, _FOLLOW_S / scale, shows)


def proven_of(settings: Settings) -> dict[tuple[str, int], float]:
    """By link and unit: the modules' own time-outs that a person has seen work, seconds."""
    proven = settings.limits.timeout_proven_on is not None
    return dict.fromkeys(_guarded(settings), settings.limits.output_timeout) if proven else {}


def dropped_after_s(settings: Settings) -> float:
    """Silence after which every output is off by a proven time-out; infinite if one of them would stay on."""
    proven, points = proven_of(settings), settings.points
    return max(
        (proven.get((points[name].link, points[name].unit), math.inf) for name in MOVING | DIRECTED if name in points),
        default=0.0,
    )


def _guarded(settings: Settings) -> set[tuple[str, int]]:
    """Links and units whose outputs drop out by themselves: the one with the register, or all if built in."""
    points, own = settings.points, settings.points.get("output_timeout")
    if own is not None:
        return {(own.link, own.unit)}
    outputs = (points[name] for name in MOVING | DIRECTED if name in points)
    return {(point.link, point.unit) for point in outputs} if settings.limits.timeout_fixed else set()


def unguarded(settings: Settings) -> bool:
    """Whether outputs stay as they are without this program, because nothing configured drops them."""
    guarded = HEARTBEAT in settings.points or _guarded(settings)
    return not guarded and not (MOVING | DIRECTED).isdisjoint(settings.points)


def slow_buses(settings: Settings) -> list[Sentence]:
    """Report buses whose wire time leaves their devices less than half of their limit."""
    found = []
    for name, link in settings.buses.items():
        if isinstance(link, RtuLink):
            least_s = least_scan_s(link, {n: p for n, p in settings.read.items() if p.link == name})
            limit_s = settings.late_of(name)
            if least_s > limit_s / 2:
                words = Wording(
                    "caution.slow_bus",
                    "Link {link}: a scan takes {least:number} ms at {baud:number} baud and more with the devices' "
                    "own time; "
                    "its limit is {limit:number} ms. More baud, fewer points, or links.{link}.late.",
                )
                least_ms, limit_ms = round(1000 * least_s), round(1000 * limit_s)
                found.append(words(link=name, least=least_ms, baud=link.baud, limit=limit_ms))
    return found
