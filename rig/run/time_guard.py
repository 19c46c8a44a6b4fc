"""Plausibility of the clock, and the time stamp that a record gets if the clock is not trusted.

A small computer without a battery clock may start with any time, and a clock may be set while it runs. A time is
trusted if the system reports it as synchronised, or if a person has confirmed it since the computer started; it is
then carried on by the monotonic clock (time since start), so that a jump has no effect. Otherwise a time is plausible
as long as no check contradicts it. If one does, a record's time is a lower bound: just after the last one before it.

Pure. The system clocks, and the state kept in a rig's folder, are in :mod:`rig.run.clock_memory`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

from rig.ledger.moment import Moment
from rig.record.base import Trust
from rig.sentence import Wording

MADE_S = datetime(2026, 11, 1, tzinfo=UTC).timestamp()
"""The program was built after this: a clock that shows an earlier time is wrong."""
_AHEAD_S = 366 * 86400.0
"""After a longer idle time the rig asks for the date. Assumed, no source."""
_FIRST_AHEAD_S = 10 * 366 * 86400.0
"""A new rig is set up at most this long after its program was built. Assumed, no source."""
_JUMP_S, _SLEW = 2.0, 5e-4
"""A slewed clock deviates by at most 500 ppm (adjtime(3), Linux); a larger deviation means that it was set."""
_ASK_AGAIN_S = 12 * 3600.0
_STEP_S = 0.001
_RANK: dict[Trust, int] = {"not believed": 0, "plausible": 1, "confirmed": 2, "synchronised": 2}


@dataclass(frozen=True, slots=True)
class Heard:
    """The system's clocks and their status, sampled at one moment."""

    wall_s: float
    """Wall clock, seconds since 1970."""
    boot_s: float
    """Monotonic seconds since the system started; sleep counts."""
    boot: str
    """Identifies that start."""
    synchronised: bool
    battery: bool | None = None
    """Whether it has a battery-backed clock; None if unknown."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """A time stamp that was issued, and both clocks at that moment."""

    at_s: float
    wall_s: float
    boot_s: float
    boot: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class Known:
    """A rig's stored clock state."""

    believed: Anchor | None = None
    """The last trusted time."""
    last: Anchor | None = None
    """The last time issued, trusted or not."""
    asked: Anchor | None = None
    """When a person was last asked and did not know."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A time for a record."""

    at_s: float
    trust: Trust
    said_s: float | None
    """What the clock showed, if it differs."""
    why: str
    """Why the clock is not trusted or not followed; empty if it is."""

    @property
    def moment(self) -> Moment:
        """The time in a record's format."""
        return Moment(iso(self.at_s), self.trust, None if self.said_s is None else iso(self.said_s))


def iso(at_s: float) -> str:
    """Seconds since 1970 as a record's time: ISO 8601, UTC, milliseconds; clamped to the range of the calendar."""
    edge = datetime(9999, 12, 31, tzinfo=UTC).timestamp()
    return datetime.fromtimestamp(min(max(at_s, 0.0), edge), UTC).isoformat(timespec="milliseconds")


def seconds(at: str) -> float:
    """A record's time as seconds since 1970."""
    found = datetime.fromisoformat(at)
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def jumped_s(since: Anchor | Heard, heard: Heard) -> float:
    """By how much the clock was set since then, within one start of the computer; 0 if it ran on undisturbed."""
    passed_s = heard.boot_s - since.boot_s
    jump_s = heard.wall_s - since.wall_s - passed_s
    return 0.0 if abs(jump_s) <= _JUMP_S + _SLEW * abs(passed_s) else jump_s


def judge(heard: Heard, known: Known) -> Judged:
    """Judge the clock and return the time for a record made now."""
    if heard.synchronised and heard.wall_s >= MADE_S:
        return Judged(heard.wall_s, "synchronised", None, "")
    anchor = known.believed
    if anchor is not None and anchor.boot == heard.boot and heard.boot_s >= anchor.boot_s:
        return _carried(heard, anchor, known)
    fault = _fault(heard, anchor)
    return _bound(heard, known, fault) if fault else Judged(heard.wall_s, "plausible", None, "")


def _carried(heard: Heard, anchor: Anchor, known: Known) -> Judged:
    """Carry on the time trusted since the start, by the monotonic clock."""
    at_s, jump_s = anchor.at_s + heard.boot_s - anchor.boot_s, jumped_s(anchor, heard)
    if not jump_s:
        said_s = heard.wall_s if abs(at_s - heard.wall_s) > _JUMP_S else None
        return Judged(at_s, anchor.trust, said_s, "")
    why = f"the clock was set by {_span(jump_s)} while the computer ran"
    if anchor.trust == "plausible":
        return _bound(heard, known, why)
    return Judged(at_s, anchor.trust, heard.wall_s, why)


def _fault(heard: Heard, before: Anchor | None) -> str:
    """Why an unconfirmed clock is implausible; empty if it is plausible."""
    if heard.wall_s < MADE_S:
        return "it is earlier than the program itself was made"
    if heard.battery is False:
        return "this computer has no battery clock, and was not synchronised since it started"
    last_s, ahead_s = (MADE_S, _FIRST_AHEAD_S) if before is None else (before.at_s, _AHEAD_S)
    if heard.wall_s < last_s:
        return f"it is {_span(last_s - heard.wall_s)} earlier than the last record"
    if heard.wall_s > last_s + ahead_s:
        return f"it is {_span(heard.wall_s - last_s)} later than the last record"
    return ""


def _bound(heard: Heard, known: Known, why: str) -> Judged:
    """A lower bound of the time: the last time issued plus the time known to have passed since."""
    last = known.last or known.believed
    if last is None:
        return Judged(MADE_S + _STEP_S, "not believed", heard.wall_s, why)
    passed_s = heard.boot_s - last.boot_s if last.boot == heard.boot else 0.0
    return Judged(last.at_s + max(passed_s, _STEP_S), "not believed", heard.wall_s, why)


def _span(seconds_: float) -> str:
    days = abs(seconds_) / 86400
    if days >= 2:
        return f"{days:.0f} days"
    return f"{abs(seconds_) / 60:.0f} min" if abs(seconds_) >= 120 else f"{abs(seconds_):.0f} s"


def after(known: Known, heard: Heard, judged: Judged) -> Known:
    """Return the clock state to store after a time was issued."""
    given = Anchor(judged.at_s, heard.wall_s, heard.boot_s, heard.boot, judged.trust)
    if judged.trust == "not believed":
        return replace(known, last=given)
    if judged.why and known.believed is not None:
        # The clock was set meanwhile: keep the trusted anchor from before the jump.
        return replace(known, last=given)
    return replace(known, last=given, believed=given)


def confirmed(known: Known, heard: Heard, at_s: float) -> Known:
    """Return the state after a person stated that it is ``at_s`` now. ValueError for an impossible time."""
    if at_s < MADE_S:
        raise ValueError(
            Wording("clock.too_early", "{day} is before this program was made: look at the year")(day=iso(at_s)[:10])
        )
    given = Anchor(at_s, heard.wall_s, heard.boot_s, heard.boot, "confirmed")
    return replace(known, last=given, believed=given, asked=None)


def not_known(known: Known, heard: Heard) -> Known:
    """Return the state after a person was asked and did not know: work goes on, with a hold-off for the question."""
    return replace(known, asked=Anchor(heard.wall_s, heard.wall_s, heard.boot_s, heard.boot, "not believed"))


def asks(known: Known, heard: Heard) -> bool:
    """Whether to ask a person for the time before the first work of the day."""
    if judge(heard, known).trust != "not believed":
        return False
    asked = known.asked
    return asked is None or asked.boot != heard.boot or heard.boot_s - asked.boot_s > _ASK_AGAIN_S


# --- from one moment to another -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Times:
    """Begin and end of work, and how far they are trusted."""

    started_at: str
    ended_at: Moment
    jump_s: float
    """By how much the clock was set in between."""


def carried(began: Moment, heard: Heard, now: Heard) -> str:
    """The time now, by the monotonic clock since work began."""
    return iso(seconds(began) + now.boot_s - heard.boot_s)


def between(began: Moment, heard: Heard, ended: Moment, now: Heard) -> Times:
    """Begin and end of work within one start of the computer; their difference is that of the monotonic clock.

    Both are derived from the better known of the two times, or from the begin if they agree.
    """
    passed_s, jump_s = now.boot_s - heard.boot_s, jumped_s(heard, now)
    carried_s, end_s = seconds(began) + passed_s, seconds(ended)
    alike = abs(end_s - carried_s) <= _JUMP_S + _SLEW * passed_s
    if not alike and (_RANK[ended.clock] > _RANK[began.clock] or ended.clock == "synchronised"):
        return Times(iso(end_s - passed_s), Moment(iso(end_s), ended.clock, iso(carried_s)), jump_s)
    return Times(str(began), Moment(iso(carried_s), ended.clock, ended.said), jump_s)
