"""Whether the clock can be believed, and which time a record gets where it cannot.

A small computer without a battery clock starts with any time at all, and a clock may be set while it runs. A time is
believed that the system itself says is synchronised, or that a person has confirmed since the computer started; it is
then carried on by the clock that nobody sets (since the start), so a jump changes nothing. Without either a time is
plausible as long as nothing is against it. Otherwise a record's time is a bound: just after the last one before it.

Pure. The system's own clocks, and what is remembered in a rig's folder, are in :mod:`rig.run.clock_memory`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

from rig.ledger.moment import Moment, Trust

MADE_S = datetime(2026, 11, 1, tzinfo=UTC).timestamp()
"""The program was made after this: no clock is right that says less."""
_AHEAD_S = 366 * 86400.0
"""A rig that stood longer than this is asked. Assumed, no source."""
_FIRST_AHEAD_S = 10 * 366 * 86400.0
"""A new rig is set up within so long of the making of its program. Assumed, no source."""
_JUMP_S, _SLEW = 2.0, 5e-4
"""A clock that is put right gently goes at most 500 ppm wrong (adjtime(3), Linux); more than that, it was set."""
_ASK_AGAIN_S = 12 * 3600.0
_STEP_S = 0.001
_RANK: dict[Trust, int] = {"not believed": 0, "plausible": 1, "confirmed": 2, "synchronised": 2}


@dataclass(frozen=True, slots=True)
class Heard:
    """What the system says at one moment."""

    wall_s: float
    """Its clock, seconds since 1970."""
    boot_s: float
    """Seconds since it started, which nobody sets; sleep counts."""
    boot: str
    """Which start that was."""
    synchronised: bool
    battery: bool | None = None
    """Whether it has a clock that goes on without power; None where it does not say."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """A time that was given, and where the clocks stood then."""

    at_s: float
    wall_s: float
    boot_s: float
    boot: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class Known:
    """What a rig remembers of time."""

    believed: Anchor | None = None
    """The last time that was believed."""
    last: Anchor | None = None
    """The last time that was given, believed or not."""
    asked: Anchor | None = None
    """When a person was asked last, and did not know."""


@dataclass(frozen=True, slots=True)
class Judged:
    """A time for a record."""

    at_s: float
    trust: Trust
    said_s: float | None
    """What the clock showed, where that was something else."""
    why: str
    """Why it is not believed, or not followed; empty where it is."""

    @property
    def moment(self) -> Moment:
        """As a record takes it."""
        return Moment(iso(self.at_s), self.trust, None if self.said_s is None else iso(self.said_s))


def iso(at_s: float) -> str:
    """Seconds since 1970 as a record's time: ISO 8601, UTC, milliseconds. A time beyond the calendar is its edge."""
    edge = datetime(9999, 12, 31, tzinfo=UTC).timestamp()
    return datetime.fromtimestamp(min(max(at_s, 0.0), edge), UTC).isoformat(timespec="milliseconds")


def seconds(at: str) -> float:
    """A record's time as seconds since 1970."""
    found = datetime.fromisoformat(at)
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def jumped_s(since: Anchor | Heard, heard: Heard) -> float:
    """By how much the clock was set since then, within one start of the computer; 0 where it just went on."""
    passed_s = heard.boot_s - since.boot_s
    jump_s = heard.wall_s - since.wall_s - passed_s
    return 0.0 if abs(jump_s) <= _JUMP_S + _SLEW * abs(passed_s) else jump_s


def judge(heard: Heard, known: Known) -> Judged:
    """The time for a record that is made now."""
    if heard.synchronised and heard.wall_s >= MADE_S:
        return Judged(heard.wall_s, "synchronised", None, "")
    anchor = known.believed
    if anchor is not None and anchor.boot == heard.boot and heard.boot_s >= anchor.boot_s:
        return _carried(heard, anchor, known)
    fault = _fault(heard, anchor)
    return _bound(heard, known, fault) if fault else Judged(heard.wall_s, "plausible", None, "")


def _carried(heard: Heard, anchor: Anchor, known: Known) -> Judged:
    """A time was believed since the start: it goes on by the clock that nobody sets."""
    at_s, jump_s = anchor.at_s + heard.boot_s - anchor.boot_s, jumped_s(anchor, heard)
    if not jump_s:
        said_s = heard.wall_s if abs(at_s - heard.wall_s) > _JUMP_S else None
        return Judged(at_s, anchor.trust, said_s, "")
    why = f"the clock was set by {_span(jump_s)} while the computer ran"
    if anchor.trust == "plausible":
        return _bound(heard, known, why)
    return Judged(at_s, anchor.trust, heard.wall_s, why)


def _fault(heard: Heard, before: Anchor | None) -> str:
    """What is against a clock that nobody vouches for; empty where nothing is."""
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
    """The earliest that it can be: after the last time that was given, by as much as is known to have passed."""
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
    """What is remembered once a time was given."""
    given = Anchor(judged.at_s, heard.wall_s, heard.boot_s, heard.boot, judged.trust)
    if judged.trust == "not believed":
        return replace(known, last=given)
    if judged.why and known.believed is not None:
        # The clock was set meanwhile: what is carried on stays bound to how it stood before.
        return replace(known, last=given)
    return replace(known, last=given, believed=given)


def confirmed(known: Known, heard: Heard, at_s: float) -> Known:
    """What is remembered once somebody said that it is ``at_s`` now. ValueError for a time that cannot be."""
    if at_s < MADE_S:
        raise ValueError(f"{iso(at_s)[:10]} is before this program was made: look at the year")
    given = Anchor(at_s, heard.wall_s, heard.boot_s, heard.boot, "confirmed")
    return replace(known, last=given, believed=given, asked=None)


def not_known(known: Known, heard: Heard) -> Known:
    """What is remembered once somebody was asked and did not know: work goes on, and is not asked again at once."""
    return replace(known, asked=Anchor(heard.wall_s, heard.wall_s, heard.boot_s, heard.boot, "not believed"))


def asks(known: Known, heard: Heard) -> bool:
    """Whether a person is to be asked before the first work of the day."""
    if judge(heard, known).trust != "not believed":
        return False
    asked = known.asked
    return asked is None or asked.boot != heard.boot or heard.boot_s - asked.boot_s > _ASK_AGAIN_S


# --- from one moment to another -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Times:
    """Begin and end of work, with what is known of them."""

    started_at: str
    ended_at: Moment
    jump_s: float
    """By how much the clock was set meanwhile."""


def carried(began: Moment, heard: Heard, now: Heard) -> str:
    """The time now, by the clock that nobody sets since work began."""
    return iso(seconds(began) + now.boot_s - heard.boot_s)


def between(began: Moment, heard: Heard, ended: Moment, now: Heard) -> Times:
    """Begin and end of work within one start of the computer: their distance is that of the clock nobody sets.

    Both rest on whichever of the two times is the better known, the begin where they are alike.
    """
    passed_s, jump_s = now.boot_s - heard.boot_s, jumped_s(heard, now)
    carried_s, end_s = seconds(began) + passed_s, seconds(ended)
    alike = abs(end_s - carried_s) <= _JUMP_S + _SLEW * passed_s
    if not alike and (_RANK[ended.clock] > _RANK[began.clock] or ended.clock == "synchronised"):
        return Times(iso(end_s - passed_s), Moment(iso(end_s), ended.clock, iso(carried_s)), jump_s)
    return Times(str(began), Moment(iso(carried_s), ended.clock, ended.said), jump_s)
