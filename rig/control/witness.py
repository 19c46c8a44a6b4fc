"""Witnesses parallel to the meter for the same liquid: scale, tote level, a second meter, run time, an air space.

A difference goes into the record, and the trend over many fills is evaluated elsewhere. Within one fill only a clear
contradiction counts: two values so far apart that they cannot both be right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from rig.control.accounting import Count
from rig.control.state import FillState
from rig.control.values import Meter, MeterKind, Setup

IN_TOTE: frozenset[MeterKind] = frozenset({"scale", "tote level"})
"""Measures that see what leaves the tote, wherever it goes."""
_BEYOND = 1.5
"""Multiple of the combined 95 % uncertainty beyond which two values cannot both be right: 3 standard deviations."""
_PLAY_STEPS = 2
"""Possible error of a measure with play between two readings, in steps, however little passed."""
_LAG_S = 5.0
"""Settling time of a level after the pump: common practice, no source."""

Reference = MeterKind | Literal["air space"]
"""A taught wheel's air space is a witness too: its volume is known, and the strokes measure it in meter units."""


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
    most_apart_l: float
    """Further apart than this, the two cannot both be right."""
    shared: bool = False
    """It is another output of the meter itself."""

    @property
    def apart_l(self) -> float:
        """Difference of the two."""
        return abs(self.meter_l - self.reference_l)

    @property
    def contradicts(self) -> bool:
        """Whether one of the two must be wrong."""
        return self.apart_l > self.most_apart_l


def comparisons(setup: Setup, state: FillState) -> tuple[Comparison, ...]:
    """Compare each witness with the meter over the whole fill; none after the meter was given up.

    Another output of the meter itself is no witness: what passes for liquid at one passes for it at the other.
    """
    if state.measure or not state.counts:
        return ()
    beside = (each for each in _counted_beside(setup, state) if not each.shared)
    return (*beside, *_air_space(setup, state))


def contradiction(setup: Setup, state: FillState) -> Comparison | None:
    """The most accurate independent litre witness if it contradicts the meter; else the meter's other output.

    Not run time, whose pump may be worn, and not the air space, which unreported liquid changes too. A witness that has
    not moved at all is stuck, and is not used.
    """
    if state.measure or not state.counts:
        return None
    seeing = [each for each in _counted_beside(setup, state) if each.reference != "run time" and each.reference_l]
    for shared in (False, True):
        own = (each for each in seeing if each.shared is shared)
        sharpest = min(own, key=lambda each: each.bias_u_l, default=None)
        if sharpest is not None and sharpest.contradicts:
            return sharpest
    return None


def _counted_beside(setup: Setup, state: FillState) -> Iterator[Comparison]:
    for meter, count in zip(setup.beside, state.counts[1:], strict=True):
        if not _disturbed(setup, state.counts[0], meter, count):
            yield _compared(setup, state, meter, count)


def _disturbed(setup: Setup, metered: Count, witness: Meter, count: Count) -> bool:
    """Whether the tote was drawn from or refilled with the pump off: then it is no longer a witness."""
    if witness.kind not in IN_TOTE:
        return False
    each_l = witness.litres_per_pulse
    passed_l = count.standing * each_l - metered.standing * setup.meter.litres_per_pulse
    return abs(passed_l) > _PLAY_STEPS * each_l + _LAG_S * setup.line.most_lps


def _compared(setup: Setup, state: FillState, witness: Meter, count: Count) -> Comparison:
    each_l, tally = witness.litres_per_pulse, state.tally
    if witness.kind == "run time":
        # It counts forward only, and air fills the pump as liquid does.
        meter_l, reference_l = tally.passed_forward_l(setup.meter), count.forward * each_l
    elif witness.kind in IN_TOTE:
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
    bias_u_l = math.hypot(witness.uncertainty * reference_l, 2 * step_l)
    most_l = _PLAY_STEPS * each_l + _most_apart_l(setup, meter_l, bias_u_l) + witness.behind_s * setup.line.most_lps
    return Comparison(witness.kind, meter_l, reference_l, u_l, bias_u_l, most_l, witness.shared)


def _air_space(setup: Setup, state: FillState) -> Iterator[Comparison]:
    space = state.gas.found
    if setup.cavity.taught and space is not None:
        bias_u_l = 2 * space.sigma_l
        most_l = _most_apart_l(setup, space.cavity_l, bias_u_l)
        yield Comparison("air space", space.cavity_l, setup.cavity.volume_l, space.sigma_l, bias_u_l, most_l)


def _most_apart_l(setup: Setup, meter_l: float, bias_u_l: float) -> float:
    return _BEYOND * math.hypot(bias_u_l, setup.meter.uncertainty * meter_l)
