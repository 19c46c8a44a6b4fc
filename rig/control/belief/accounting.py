"""The fill's account: pulses, the air front in the pipe, and the litres in the tyre.

The pipe is modelled as plug flow. Air is on the valve's side, in one piece: after a draw-down it reaches from the valve
through hose, meter and pump towards the tote. While air is at the meter its pulses are air, not liquid. Air in the
suction line is kept as pressure × volume, because the pump compresses it before it reaches the meter.

    net = liquid forward past the meter − liquid returned past the meter − vented − spilled
          − (liquid between meter and valve now − at the start)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rig.control.belief.doubts import Doubts, added, raised, settled
from rig.control.words.changed import changeable, changed
from rig.control.words.values import Meter, Setup
from rig.plan.physics import Line

Enters = Literal["air", "liquid"]
"""What comes into the hose at the valve when the pump draws."""
GUESS = 0.2
"""Relative uncertainty of a return estimated from the pump's rated flow and time. Assumed, no source."""
FRONT = 0.05
"""Uncertainty of an air front's position, as a share of the hose. An assumption."""
FRONT_NEAR_LEVEL = 0.3
"""The same near the liquid's level, where liquid comes with the air. An assumption."""
HOSE_STRETCH_PER_KPA = 3e-5
"""Growth of a tight hose's volume, relative: an assumption, no source."""
MOST_UNREAD_S = 10.0
"""Longest run of a pump that has lost its controller: its module's time-out, and coasting."""
_JITTER = 2
"""Pulses back and forth of a meter with hardly any flow. An assumption."""


@dataclass(frozen=True, slots=True)
class Register:
    """An unwrapped counter of the meter."""

    raw: int | None = None
    total: int = 0
    restarts: int = 0


def unwrap(register: Register, raw: int, meter: Meter, most: int, back: int | None = None) -> tuple[Register, int]:
    """Advance ``register`` to ``raw``; also return the pulses since the last reading.

    ``most`` is the largest plausible step, ``back`` that in reverse if different. A larger step is a device restart or
    error: it is counted in ``restarts``, and only the count of a register restarted from zero is used, never a jump or
    a step backwards.
    """
    if register.raw is None:
        return Register(raw, register.total, register.restarts), 0
    span = 1 << meter.bits
    step = (raw - register.raw) % span
    if _signed(meter) and step >= span // 2:
        step -= span
    if -(most if back is None else back) <= step <= most:
        return Register(raw, register.total + step, register.restarts), step
    step = raw if 0 <= raw <= most else 0
    return Register(raw, register.total + step, register.restarts + 1), step


def _signed(meter: Meter) -> bool:
    return meter.reverse == "signed" and not meter.second_channel


@changeable
class Count:
    """One measure: its register, and its pulses since the fill was opened."""

    register: Register = Register()
    forward: int = 0
    back: int = 0
    standing: int = 0
    """Of these, forward less back with the pump off."""


def counted(
    count: Count,
    raw: int | None,
    meter: Meter,
    direction: int,
    most_l: float,
    unread_l: float,
    *,
    at_rest: bool,
    flows: bool = False,
) -> Count:
    """Process one reading of a register; ``direction`` is the way the pump last ran, 1 forward or -1 back.

    Plausible are at most ``most_l`` and 50 pulses, plus, that way, ``unread_l``, which the pump can have moved since
    the register was last read. ``at_rest``: nothing has been commanded to move for long. ``flows``: it has just counted
    forward with the pump running that way.
    """
    if raw is None or raw == count.register.raw:
        return count
    seen = int(most_l / meter.litres_per_pulse) + 50
    more = seen + int(unread_l / meter.litres_per_pulse)
    most, back_most = (seen, more) if _signed(meter) and direction < 0 else (more, seen)
    if meter.kind == "pulses" and direction > 0 and not at_rest and raw <= more:
        # A count that drops to near zero while the pump fills has restarted; a meter that counts the wrong way has not
        # counted flow just before, and drops by no more than the flow.
        back_most = _JITTER if flows else int(most_l / meter.litres_per_pulse)
    register, step = unwrap(count.register, raw, meter, most, back_most)
    if meter.second_channel:
        forward, back = step, 0
    elif meter.reverse == "unsigned" and direction < 0:
        forward, back = 0, step
    else:
        forward, back = max(step, 0), max(-step, 0)
    standing = count.standing + (forward - back if at_rest else 0)
    return Count(register, count.forward + forward, count.back + back, standing)


def still_unread(so_far_s: Sequence[float], raws: Sequence[int | None], dt: float) -> tuple[float, ...]:
    """How long each register has now been unread."""
    return tuple(
        [0.0 if raw is not None else min(s + dt, MOST_UNREAD_S) for raw, s in zip(raws, so_far_s, strict=True)]
    )


@changeable
class Tally:
    """The account of one fill. Litres past the meter are pulses × litres per pulse, so totals cannot drift."""

    pulses_forward: int = 0
    pulses_returned: int = 0
    earlier_forward_l: float = 0.0
    """Counted by a measure that was given up, in litres only."""
    earlier_returned_l: float = 0.0
    earlier_u_l: float = 0.0
    """Uncertainty of that count, at 95 %."""
    curve_forward_l: float = 0.0
    """Contribution of the meter's linearisation to the forward pulses."""
    curve_returned_l: float = 0.0
    estimated_returned_l: float = 0.0
    """Return without pulses, from the pump's flow and time."""
    unsure_l: float = 0.0
    """The part of it that is liquid and that no air front has confirmed: it depends on the pump's flow."""
    draws_l: float = 0.0
    """The same of the return that goes on."""
    emptied_l: float = 0.0
    """The part that an air front has confirmed: the hose's volume, each time that it was emptied."""
    behind_l: float = 0.0
    """Air that it has drawn since the hose was empty."""
    air_forward_l: float = 0.0
    air_returned_l: float = 0.0
    air_untold_l: float = 0.0
    """Air returned by the pump's displacement past a meter that does not measure it; in no sum."""
    hose_start_l: float = 0.0
    hose_l: float = 0.0
    """Liquid between meter and valve now."""
    hose_less_l: float = 0.0
    hose_more_l: float = 0.0
    """How much less, or more, that may be: what was moved in doubt, until the hose is full or empty for certain."""
    doubts: Doubts = ()
    """In doubt: liquid or air, in the tyre or elsewhere, seen or not. In no sum, but in the uncertainty."""
    suction_air_kpa_l: float = 0.0
    """Air between tote and meter, absolute pressure × volume."""
    unattended_l: float = 0.0
    """Part of the net volume that moved while no controller ran."""
    unattended_doubt_l: float = 0.0
    """Part of the doubts that this caused, to the wider side."""

    def doubting(self, reason: str, *, less_l: float = 0.0, more_l: float = 0.0) -> Tally:
        """The account with further litres in doubt, besides those of other reasons."""
        return self._with(added(self.doubts, reason, less_l, more_l))

    def doubting_at_least(self, reason: str, *, less_l: float = 0.0, more_l: float = 0.0) -> Tally:
        """The account with at least so many litres in doubt: those of other reasons may be the same ones."""
        return self._with(raised(self.doubts, reason, less_l, more_l))

    def settling(self, since: Tally, *, less_l: float, more_l: float) -> Tally:
        """The account with no more than so many litres in doubt by what came ``since`` then."""
        return self._with(settled(self.doubts, since.doubts, less_l, more_l))

    def _with(self, doubts: Doubts) -> Tally:
        return self if doubts is self.doubts else changed(self, doubts=doubts)

    @property
    def air_drawn_l(self) -> float:
        """Air that went back past the meter, counted or not."""
        return self.air_returned_l + self.air_untold_l

    def passed_forward_l(self, meter: Meter) -> float:
        """What passed the meter forward, air included."""
        return self.earlier_forward_l + self.pulses_forward * meter.litres_per_pulse + self.curve_forward_l

    def passed_back_l(self, meter: Meter) -> float:
        """What passed the meter backwards, air included."""
        seen = self.earlier_returned_l + self.pulses_returned * meter.litres_per_pulse + self.curve_returned_l
        return seen + self.estimated_returned_l

    def forward_l(self, meter: Meter) -> float:
        """Liquid that passed the meter forward."""
        return self.passed_forward_l(meter) - self.air_forward_l

    def returned_l(self, meter: Meter) -> float:
        """Liquid that passed the meter backwards."""
        return self.passed_back_l(meter) - self.air_returned_l

    def hose_change_l(self) -> float:
        """Change of the liquid in the hose since the start, negative for less."""
        return self.hose_l - self.hose_start_l

    def net_l(self, meter: Meter) -> float:
        """Liquid put into the tyre by this fill, attended or not: the one definition of the net volume."""
        return self.forward_l(meter) - self.returned_l(meter) - self.hose_change_l()


def pass_forward(tally: Tally, setup: Setup, litres: float, line_kpa_abs: float) -> Tally:
    """Book ``litres`` forward past the meter: the suction line's air first, then liquid, which fills the hose first."""
    on_air = setup.meter.air_going(1)
    air = min(litres, tally.suction_air_kpa_l / line_kpa_abs) if on_air == "counts" else 0.0
    left = max(0.0, tally.suction_air_kpa_l - air * line_kpa_abs)
    if on_air == "part" and left:
        # What it counts of air is air, but the volume is unknown.
        air = litres
    elif on_air == "blind":
        # What it counts is liquid: the air has passed it.
        left = 0.0
    tally = changed(tally, air_forward_l=tally.air_forward_l + air, suction_air_kpa_l=left)
    return through_hose(tally, setup.line.hose_l, litres - air)


def pass_back(tally: Tally, setup: Setup, litres: float, line_kpa_abs: float, enters: Enters) -> Tally:
    """Book ``litres`` of return past the meter (of either kind): the hose's liquid first, then what entered behind it.

    Liquid that enters at the valve keeps the hose full, so all that returns comes out of the tyre.
    """
    if enters == "liquid" and tally.hose_l >= setup.line.hose_l:
        return tally
    liquid = min(litres, tally.hose_l)
    on_air = setup.meter.air_going(-1)
    # A meter that is blind to air counts liquid, from a hose that holds a little more than is known.
    air = 0.0 if on_air == "blind" else litres - liquid
    drawn = air if on_air == "counts" else 0.0
    most = setup.line.suction_l * setup.line.atmosphere_kpa_abs
    tally = changed(
        tally,
        air_returned_l=tally.air_returned_l + air,
        suction_air_kpa_l=min(most, tally.suction_air_kpa_l + drawn * line_kpa_abs),
    )
    return through_hose(tally, setup.line.hose_l, -litres)


def through_hose(tally: Tally, full_l: float, moved_l: float, doubt_l: float = 0.0) -> Tally:
    """Fill the hose by ``moved_l`` of liquid, or empty it where negative; ``doubt_l`` may have moved either way too.

    The bounds of its content move alike and end at empty and full, so enough certain flow either way settles a doubt.
    """
    ends = tally.hose_l - tally.hose_less_l - doubt_l, tally.hose_l, tally.hose_l + tally.hose_more_l + doubt_l
    least, now, most = (min(max(end + moved_l, 0.0), full_l) for end in ends)
    return changed(tally, hose_l=now, hose_less_l=now - least, hose_more_l=most - now)


def carry_air(tally: Tally, line: Line, litres: float, line_kpa_abs: float) -> Tally:
    """Book ``litres`` of air, positive forward, that passed a meter which does not measure air, by where it is now."""
    moved = litres * line_kpa_abs
    most = line.suction_l * line.atmosphere_kpa_abs
    left = min(max(tally.suction_air_kpa_l - moved, 0.0), most)
    if litres >= 0:
        return changed(tally, suction_air_kpa_l=left)
    tally = changed(tally, suction_air_kpa_l=left, air_untold_l=tally.air_untold_l - litres)
    return through_hose(tally, line.hose_l, -line.hose_l)


def carried(tally: Tally, meter: Meter) -> Tally:
    """Convert the account to litres alone, so that another measure can continue from here."""
    net_l = tally.net_l(meter) - tally.earlier_forward_l + tally.earlier_returned_l
    return changed(
        tally,
        earlier_forward_l=tally.passed_forward_l(meter),
        earlier_returned_l=tally.passed_back_l(meter) - tally.estimated_returned_l,
        earlier_u_l=math.hypot(tally.earlier_u_l, meter.uncertainty * net_l),
        pulses_forward=0,
        pulses_returned=0,
        curve_forward_l=0.0,
        curve_returned_l=0.0,
    )


def book(
    tally: Tally,
    setup: Setup,
    forward: int,
    back: int,
    back_estimate_l: float,
    line_kpa: float,
    enters: Enters,
    curve: float = 1.0,
) -> Tally:
    """Book one scan: pulses forward, pulses back, and a return estimated from time and pump flow only.

    ``curve`` is the meter's relative factor at this scan's flow.
    """
    line_kpa_abs = max(line_kpa + setup.line.atmosphere_kpa_abs, 1.0)
    each_l = setup.meter.litres_per_pulse
    bent_l = each_l * (curve - 1.0)
    if forward:
        if tally.draws_l or tally.behind_l:
            tally = changed(tally, unsure_l=tally.unsure_l + tally.draws_l, draws_l=0.0, behind_l=0.0)
        tally = changed(
            tally,
            pulses_forward=tally.pulses_forward + forward,
            curve_forward_l=tally.curve_forward_l + forward * bent_l,
        )
        tally = pass_forward(tally, setup, forward * (each_l + bent_l), line_kpa_abs)
    if back or back_estimate_l:
        tally = changed(
            tally,
            pulses_returned=tally.pulses_returned + back,
            curve_returned_l=tally.curve_returned_l + back * bent_l,
            estimated_returned_l=tally.estimated_returned_l + back_estimate_l,
        )
        air_l = tally.air_returned_l
        tally = pass_back(tally, setup, back * (each_l + bent_l) + back_estimate_l, line_kpa_abs, enters)
        if back_estimate_l:
            if tally.hose_l < setup.line.hose_l:
                tally = through_hose(tally, setup.line.hose_l, 0.0, GUESS * back_estimate_l)
            tally = _guessed(tally, setup, back_estimate_l, tally.air_returned_l - air_l)
    return tally


def _guessed(tally: Tally, setup: Setup, litres: float, air_l: float) -> Tally:
    """Follow a return that is estimated from the pump's flow: how much of its liquid depends on that.

    Once more air has followed than the flow may be wrong by, the hose is empty: what came out of it is its volume.
    """
    behind_l = tally.behind_l + air_l if tally.hose_l <= 0 else 0.0
    draws_l = tally.draws_l + litres - air_l
    if tally.hose_l <= 0 and behind_l > GUESS / (1 - GUESS) * setup.line.hose_l:
        tally = changed(tally, emptied_l=tally.emptied_l + draws_l)
        draws_l = 0.0
    return changed(tally, draws_l=draws_l, behind_l=behind_l)
