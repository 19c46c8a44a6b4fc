"""A recorded fill for the page to draw on one time axis. Reads the recording and changes nothing.

The recording is run through the program again, in a thread beside the page's other work: it pauses after every few
scans, so that a STOP hardly waits for it. It must not know requests.
"""

from __future__ import annotations

import contextlib
import time
from bisect import bisect_left
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from rig.control.safety.guard import Guard
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.values import Setup
from rig.ledger.black_box import parts_of
from rig.record.base import Document
from rig.run.curves import Alarm, Curves, extremes, spans
from rig.run.refused import Refused
from rig.run.replaying import Seen, replay
from rig.run.settings import Settings
from rig.sentence import Wording
from rig.shop.posting import journal_to_read, software

MOST_POINTS = 1500
_BURST = 3
"""Scans replayed at a stretch: about 1 ms, in which no other thread runs. Measured, 0.3 ms a scan."""
_PAUSE_S = 0.001
_DRAWN = {"line_kpa": 2, "tyre_kpa": 2, "low_kpa": 2, "high_kpa": 2, "flow_lps": 4, "in_tyre_l": 2}
"""The series by their names in :class:`Curves`, and the digits that are sent."""
_TIME_DIGITS = 2


def film_view(settings: Settings, fill_id: str, pause: Callable[[float], None] = time.sleep) -> Document:
    """The film of a fill by its id or number; JournalError for none, Refused without a recording, BoxError."""
    folder = Path(settings.rig.data)
    with contextlib.closing(journal_to_read(folder)) as journal:
        fill_id = journal.fill(fill_id).fill_id
    parts = parts_of(folder, fill_id)
    if not parts:
        raise Refused(
            Wording(
                "refused.not_recorded",
                "nothing was recorded of fill {fill}: it is older than the recordings that are kept (the key days of "
                "[black_box] in the configuration), or its disk was full",
            )(fill=fill_id)
        )
    curves = Curves()
    found = replay(parts, software(), _gently(curves.see, pause))
    if not curves.t_s:
        raise Refused(
            Wording(
                "refused.no_scan",
                "the recording of fill {fill} holds no scan yet: it was broken off, or look again in 10 s",
            )(fill=fill_id)
        )
    whole = {"fill_id": fill_id, "scans": found.scans, "same": found.identical, "ended": found.counted_then is not None}
    return whole | film_of(curves)


def _gently(see: Seen, pause: Callable[[float], None]) -> Seen:
    seen = 0

    def watched(*each: Any) -> None:  # noqa: ANN401  # whatever a replay shows
        nonlocal seen
        see(*each)
        seen += 1
        if seen % _BURST == 0:
            pause(_PAUSE_S)

    return watched


def film_of(curves: Curves, most: int = MOST_POINTS) -> Document:
    """Curves for the page: seconds, kPa, L/s and litres, at most about ``most`` points, none of the peaks lost."""
    t_s = curves.t_s
    series: dict[str, Sequence[float | None]] = {name: getattr(curves, name) for name in _DRAWN}
    alarmed = [bisect_left(t_s, alarm.t_s) for alarm in curves.alarms]
    kept = extremes(list(series.values()), most, alarmed)
    return {
        "t_s": [_time(t_s[at]) for at in kept],
        **{name: [_rounded(values[at], _DRAWN[name]) for at in kept] for name, values in series.items()},
        "relays": {name: [[_time(begin), _time(end)] for begin, end in on] for name, on in curves.relays().items()},
        "steps": [[_time(begin), _time(end), *step] for begin, end, step in spans(t_s, curves.steps)],
        "alarms": [{"t_s": _time(alarm.t_s), "name": alarm.name, **_said_by(alarm)} for alarm in curves.alarms],
        **_limits(curves.setup),
    }


def _said_by(alarm: Alarm) -> Document:
    """Its sentences; of an alarm that this version does not have, the recorded words."""
    now: Guard | Alarm = GUARD_NAMED.get(alarm.name, alarm)
    return {"text": now.text, "first": now.first}


def _limits(setup: Setup | None) -> Document:
    """The levels to draw; without a tyre there are none of pressure."""
    if setup is None:
        return {}
    litres: Document = {"target_l": round(setup.target_l, 2)}
    if setup.into != "tyre":
        return litres
    return litres | {"ceiling_kpa": round(setup.window.ceiling_kpa, 2), "trip_kpa": round(setup.trip_kpa, 2)}


def _time(t_s: float) -> float:
    return round(t_s, _TIME_DIGITS)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
