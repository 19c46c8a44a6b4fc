"""The clock by a signed-in person's device: its time is offered for confirmation, never adopted silently.

It must not know requests.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from rig.books.clock import answered, typed_s
from rig.books.where import local
from rig.panel.asking import Touch
from rig.run.clock_memory import leave_open, look
from rig.run.refused import Refused
from rig.run.settings import Settings

_APART_S = 120.0
"""A smaller difference raises no question. Assumed, no source."""


class ClockForm(Touch):
    """A person's answer about the clock."""

    at: str = Field(default="", max_length=40)
    """The time by their device, ISO 8601; empty: not known now."""


def offered(settings: Settings, device_at: str) -> dict[str, str] | None:
    """The question whether to adopt a device's time; None where there is none."""
    try:
        device_s = typed_s(device_at)
    except Refused:
        return None
    judged = look(Path(settings.rig.data))[0]
    sure = judged.trust in ("synchronised", "confirmed")
    if sure or (judged.trust == "plausible" and abs(device_s - judged.at_s) < _APART_S):
        return None
    return {"shown": local(judged.moment), "why": judged.why}


def keep_clock(settings: Settings, form: ClockForm, by: str) -> dict[str, object]:
    """Keep a person's answer; Refused for an implausible time."""
    if form.at:
        answered(settings, typed_s(form.at), by)
    else:
        leave_open(Path(settings.rig.data))
    return {"clock": look(Path(settings.rig.data))[0].trust}
