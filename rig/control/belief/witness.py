"""Witnesses parallel to the meter for the same liquid: scale, tote level, a second meter, run time, an air space.

A difference goes into the record, and the trend over many fills is evaluated elsewhere. Within one fill only a clear
contradiction counts: two values so far apart that they cannot both be right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from rig.control.belief.accounting import Count
from rig.control.belief.ratio import LEAST_L, Pair, by_ratio
from rig.control.belief.state import FillState
from rig.control.words.changed import changed
from rig.control.words.flags import Flag
from rig.control.words.values import Meter, Setup
from rig.meter_kind import KINDS
from rig.plan.physics import flow_lps
from rig.record.work import MeterKind

BEYOND = 1.5
"""Multiple of the combined 95 % uncertainty beyond which two values cannot both be right: 3 standard deviations."""
_TOGETHER = 4.0
"""Standard deviations from which the meter's pooled error holds the fill: a sound rig shows so much once in 16,000
rests."""
DOUBTED = 2.0
"""Standard deviations from which the record's uncertainty is widened to include it: two statements at 95 % that do not
agree at 95 %."""
_MOST_PAIRS = 30
"""Rests that are kept: more than a fill of the plan has."""
_CONSISTENT = 2.0
"""Standard deviations within which every witness must agree with that one cause: 95 % of a normal distribution."""
PLAY_STEPS = 2
"""Least error between two readings of a measure with hysteresis, in steps of its resolution."""
_LAG_S = 5.0
"""Settling time of a level after the pump: common practice, no source."""

Reference = MeterKind | Literal["air space"]
"""The air space is a witness too: the size gives its volume, and the strokes measure it in meter units."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Meter and witness values of the same liquid, litres."""

    reference: Reference
    meter_l: float
    reference_l: float
    u_l: float
    """Standard deviation of the witness in one fill, without its constant bias."""
    bias_u_l: float
    """Uncertainty of the witness at 95 %, its constant bias included."""
    meter_u_l: float
    """Uncertainty of the meter's value at 95 %."""
    play_l: float = 0.0
    """Difference that steps and lag of the witness explain, whatever passed."""
    shared: bool = False
    """It is another output of the meter itself."""

    @property
    def suffices(self) -> bool:
        """Whether it can contradict the meter by itself: not by the pump's time, as the pump may be worn."""
        return self.reference == "air space" or not KINDS[self.reference].by_time

    @property
    def apart_l(self) -> float:
        """Difference of the two."""
        return abs(self.meter_l - self.reference_l)

    @property
    def contradicts(self) -> bool:
        """Whether one of the two must be wrong."""
        return self.apart_l > self.play_l + BEYOND * math.hypot(self.bias_u_l, self.meter_u_l)

    @property
    def error(self) -> tuple[float, float]:
        """Relative error of the meter by this witness, play left out, and its standard deviation."""
        off_l = self.reference_l - self.meter_l
        off_l -= math.copysign(min(self.play_l, abs(off_l)), off_l)
        return off_l / self.meter_l, math.hypot(self.bias_u_l, self.meter_u_l) / 2 / self.meter_l


def comparisons(setup: Setup, state: FillState) -> tuple[Comparison, ...]:
    """Compare each witness with the meter over the whole fill; none after the meter was given up.

    Another output of the meter itself is no witness: what passes for liquid at one passes for it at the other.
    """
    if state.measure or not state.counts:
        return ()
    beside = (each for each in _counted_beside(setup, state) if not each.shared)
    return (*beside, *(_air_space(setup, state) if setup.cavity.taught else ()))


def contradiction(setup: Setup, state: FillState, deviations: float = _TOGETHER) -> Comparison | None:
    """The most accurate independent witness, if it contradicts the meter alone or together with the others; else the
    meter's other output, if that does.

    Not by themselves: run time, as the pump may be worn; the air space, which unreported liquid changes too. A
    witness that has not moved at all is stuck, and is not used. ``deviations``: how many of the pooled error's standard
    deviations all of them together must show.
    """
    if state.measure or not state.counts:
        return None
    moved = [each for each in _counted_beside(setup, state) if each.reference_l]
    independent = [each for each in moved if not each.shared]
    sharpest = _sharpest(independent)
    if sharpest is not None and sharpest.contradicts:
        return sharpest
    # What passed in an outage the pump's time does not know, and a level has not settled after it.
    if sharpest is not None and Flag.INTERRUPTED not in state.flags:
        pooled = together(sharpest, [*independent, *_air_space(setup, state)], deviations)
        if pooled is not None:
            return pooled
    other_output = _sharpest([each for each in moved if each.shared])
    return other_output if other_output is not None and other_output.contradicts else None


def with_pair(setup: Setup, state: FillState) -> FillState:
    """Keep, at a rest, what meter and witness have counted by now."""
    pair = _pair(setup, state)
    if pair is None or (state.pairs and pair[0] - state.pairs[-1][0] < LEAST_L):
        return state
    return changed(state, pairs=(*state.pairs, pair)[-_MOST_PAIRS:])


def _pair(setup: Setup, state: FillState) -> Pair | None:
    at = _kept_witness(setup)
    if at is None or state.measure or not state.counts or Flag.INTERRUPTED in state.flags:
        return None
    meter, count = setup.beside[at], state.counts[1 + at]
    if _disturbed(setup, state.counts[0], meter, count):
        return None
    compared = _compared(setup, state, meter, count)
    return compared.meter_l, compared.reference_l


def _kept_witness(setup: Setup) -> int | None:
    """The most accurate independent witness as configured: the same one at all rests of a fill."""
    able = [at for at, meter in enumerate(setup.beside) if not (meter.shared or meter.by_time)]
    return min(able, key=lambda at: setup.beside[at].uncertainty, default=None)


def changed_ratio(setup: Setup, state: FillState) -> tuple[float, float]:
    """Litres that may be missing, and in besides, because meter and witness no longer keep the ratio that they had."""
    now, at = _pair(setup, state), _kept_witness(setup)
    if now is None or at is None:
        return 0.0, 0.0
    witness = setup.beside[at]
    return by_ratio(state.pairs, now, PLAY_STEPS * witness.litres_per_pulse / math.sqrt(6), witness.repeat)


def _sharpest(witnesses: list[Comparison]) -> Comparison | None:
    """The most accurate one whose evidence suffices by itself."""
    return min((each for each in witnesses if each.suffices), key=lambda each: each.bias_u_l, default=None)


def together(sharpest: Comparison, witnesses: list[Comparison], deviations: float) -> Comparison | None:
    """The meter's error by the weighted mean of all witnesses, if it is significant and agrees with each of them.

    In the form of the ``sharpest`` one's comparison. ``deviations``: how many standard deviations are significant. None
    below a litre or two witnesses.
    """
    if len(witnesses) < 2 or min(each.meter_l for each in witnesses) < LEAST_L:
        return None
    errors = [each.error for each in witnesses]
    weights = [1 / (sd * sd) for _, sd in errors]
    sharp = math.fsum(weights)
    error = math.fsum(weight * each for weight, (each, _) in zip(weights, errors, strict=True)) / sharp
    error_sd = 1 / math.sqrt(sharp)
    consistent = all(abs(each - error) <= _CONSISTENT * sd for each, sd in errors)
    if not consistent or abs(error) <= deviations * error_sd:
        return None
    u_l = 2 * error_sd * sharpest.meter_l
    return replace(sharpest, reference_l=sharpest.meter_l * (1 + error), u_l=u_l / 2, bias_u_l=u_l, play_l=0.0)


def _counted_beside(setup: Setup, state: FillState) -> Iterator[Comparison]:
    for meter, count in zip(setup.beside, state.counts[1:], strict=True):
        if not _disturbed(setup, state.counts[0], meter, count):
            yield _compared(setup, state, meter, count)


def _disturbed(setup: Setup, metered: Count, witness: Meter, count: Count) -> bool:
    """Whether the tote was drawn from or refilled with the pump off: then it is no longer a witness."""
    if not witness.of_tote:
        return False
    each_l = witness.litres_per_pulse
    passed_l = count.standing * each_l - metered.standing * setup.meter.litres_per_pulse
    return abs(passed_l) > PLAY_STEPS * each_l + _LAG_S * setup.line.most_lps


def _compared(setup: Setup, state: FillState, witness: Meter, count: Count) -> Comparison:
    each_l, tally = witness.litres_per_pulse, state.tally
    if witness.by_time:
        # It counts forward only, and air fills the pump as liquid does.
        meter_l, reference_l = tally.passed_forward_l(setup.meter), count.forward * each_l
    elif witness.of_tote:
        # Air does not stay in the tote, but air in the suction line has displaced liquid there.
        in_suction_l = tally.suction_air_kpa_l / setup.line.atmosphere_kpa_abs
        meter_l = tally.forward_l(setup.meter) - tally.returned_l(setup.meter) - in_suction_l
        reference_l = (count.forward - count.back) * each_l
    else:
        meter_l = tally.passed_forward_l(setup.meter) - tally.passed_back_l(setup.meter)
        reference_l = (count.forward - count.back) * each_l
    # Two readings of one step resolution each.
    step_l = each_l / math.sqrt(6)
    u_l = math.hypot(witness.repeat * reference_l, step_l)
    relieved = _relieved(setup, state) if witness.by_time else 0.0
    bias_u_l = math.hypot(witness.uncertainty * reference_l, relieved * reference_l, 2 * step_l)
    play_l = PLAY_STEPS * each_l + witness.behind_s * setup.line.most_lps
    meter_u_l = setup.meter.uncertainty * meter_l
    return Comparison(witness.kind, meter_l, reference_l, u_l, bias_u_l, meter_u_l, play_l, witness.shared)


def at_relief(setup: Setup) -> float:
    """Share by which a count by run time may be too high where the relief valve takes what the bore does not."""
    line = setup.line
    least, most = flow_lps(line, setup.window.ceiling_kpa), flow_lps(line, setup.window.floor_kpa)
    opens = least < 0.98 * (line.pump_lps - line.slip_lps_per_kpa * line.relief_kpa)
    # The count assumes the highest flow, at the floor; a bore is a seventh narrower at its coefficient's lower end.
    return 1 - 6 / 7 * least / most if opens and most > 0 else 0.0


def _relieved(setup: Setup, state: FillState) -> float:
    """Relative uncertainty of a count by run time at the relief valve: of all of it before a rest shows the loss."""
    share = at_relief(setup)
    if not share or not state.loss_known:
        return float(share > 0)
    return math.hypot(share, 1 - state.loss_gain**-0.5)


def _air_space(setup: Setup, state: FillState) -> Iterator[Comparison]:
    """The size's air space against the one that the strokes measured in the meter's litres."""
    space, size = state.gas.found, setup.cavity
    if space is not None:
        bias_u_l = 2 * math.hypot(space.sigma_l, 0.0 if size.taught else (size.high_l - size.low_l) / 4)
        meter_u_l = setup.meter.uncertainty * space.cavity_l
        yield Comparison("air space", space.cavity_l, size.volume_l, space.sigma_l, bias_u_l, meter_u_l)
