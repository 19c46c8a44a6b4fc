"""Estimate the tyre's pressure from a gauge that reads it only at rest, and the cavity from the strokes.

Two estimates while liquid flows: the gauge less the line losses, and the sealed air space since the last rest (Boyle).
Each is an interval, because bore, discharge coefficient and cavity are known within bands; rests narrow both. The
larger of the two acts on the ceiling. Gauge pressures throughout, absolute only inside the gas law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rig.control.belief.accounting import GUESS
from rig.control.belief.airspace import Found, Rise, Verdict, pooled
from rig.control.belief.warmth import Warmth, since
from rig.control.words.changed import changeable, changed
from rig.control.words.values import CavityFacts, Reading, Setup
from rig.plan.physics import bore_loss_kpa, column_kpa, head_kpa, line_loss_kpa
from rig.units import KPA_PER_PSI

NO_TYRE_KPA = 0.7 * KPA_PER_PSI
"""A gauge at or below this may be that of a gun in the air. An assumption."""
AIR_DRAWN_KPA = 3 * KPA_PER_PSI
"""Loss of a drawn liquid in the bore by which it is told from air. An assumption."""
LEAST_LOSS, MOST_LOSS = 0.65, 1.5
"""A short tube's coefficient lies between 0.6 and 0.85: its loss may be a third less or half as much again."""
_USUAL_VAPOUR_KPA = 1.7
"""That of water at 15 °C (Buck 1981), which the factor of 1.5 on the gauge's uncertainty includes."""
_LEAST_RISE_KPA = 20.0
"""Least pressure rise of a stroke from which the cavity is measured: a usual gauge measures it to a fourteenth."""
_LEAST_U = 0.015
"""Least relative uncertainty of a cavity: warm gas and growing sidewalls make a rise deviate from Boyle's law."""
_SHARPER = 0.7
"""A measured cavity at least this much more accurate than the size's counts twice as much, or more."""


@changeable
class Gas:
    """The air space as known from rests and strokes."""

    cavity_l: float
    """Cavity used to predict pressure: the size's, then Boyle's law's from a stroke, growth included."""
    low_l: float
    high_l: float
    rest_kpa: float | None = None
    """Tyre pressure at the last rest."""
    cold_kpa: float | None = None
    """What the gauge will show once that gas has its surroundings' temperature."""
    cold_u_kpa: float = 0.0
    """Its uncertainty from gauge noise and the gas's temperature, at 95 %."""
    warmth: Warmth = Warmth()
    rest_warmth: Warmth = Warmth()
    """As it was at that rest."""
    rest_offset_l: float = 0.0
    """At that rest: liquid in the tyre less air in the hose, so that gas volume = cavity − offset."""
    added_kpa_l: float = 0.0
    """Air pushed in (or drawn out, negative) since that rest, absolute pressure × volume."""
    guessed_kpa_l: float = 0.0
    """The part drawn out by run time alone, because the meter cannot measure reverse flow."""
    sealed: bool = False
    """No air has left uncounted since that rest."""
    stroke_u_l: float | None = None
    """Uncertainty of ``cavity_l`` where a stroke gave it."""
    rises: tuple[Rise, ...] = ()
    """Completed sealed rises, each ended by an air-out or a hold."""
    rise: Rise | None = None
    """The sealed rise under way: from the rest at which it began to the last rest."""
    found: Found | None = None
    """The cavity as measured by all the rises."""
    looked: bool = False
    """The one decisive comparison with the size has been made."""
    verdict: Verdict = "agrees"

    @property
    def rested_at_nothing(self) -> bool:
        """Whether the last rest showed no tyre."""
        return self.rest_kpa is not None and self.rest_kpa <= NO_TYRE_KPA


@dataclass(frozen=True, slots=True)
class Remains:
    """The gauge at rest after the last movement, gauge pressure."""

    kpa: float
    sure: bool
    """The reading is confirmed to be the tyre's."""
    u_kpa: float = 0.0
    """Uncertainty at 95 % besides the gauge's own: its noise, the column in the hose, the gas's temperature."""
    settles_kpa: float | None = None
    """What it becomes once the gas has its surroundings' temperature; ``None``: the same."""

    @property
    def span_kpa(self) -> tuple[float, float]:
        """The reading and where it settles, the lower one first."""
        ends_kpa = self.kpa if self.settles_kpa is None else self.settles_kpa
        return min(self.kpa, ends_kpa), max(self.kpa, ends_kpa)


@dataclass(frozen=True, slots=True)
class Band:
    """An interval of the tyre's pressure with its best value."""

    low: float
    best: float
    high: float
    reads_kpa: float = 0.0
    """How far beyond it a coarse gauge may read."""

    @property
    def shows_low(self) -> float:
        """The least that the gauge may show of it."""
        return self.low - self.reads_kpa

    @property
    def shows_high(self) -> float:
        """The most."""
        return self.high + self.reads_kpa

    def beyond(self, kpa: float) -> float:
        """How far a gauge at ``kpa`` is outside what it may show: positive above, negative below, 0 within."""
        return max(kpa - self.shows_high, 0.0) + min(kpa - self.shows_low, 0.0)


def sealed_band(gas: Gas, setup: Setup, offset_l: float) -> Band | None:
    """Tyre pressure by the sealed air space; ``None`` when there was no rest yet or air left uncounted."""
    if gas.rest_kpa is None or not gas.sealed:
        return None
    # A larger cavity gives a smaller rise, and a smaller fall where air was drawn: either end may be the lower.
    doubt = GUESS * gas.guessed_kpa_l
    doubts = (-doubt, doubt) if doubt else (0.0,)
    ends = [_sealed(gas, setup, cavity_l, offset_l, each) for cavity_l in (gas.low_l, gas.high_l) for each in doubts]
    best = _sealed(gas, setup, gas.cavity_l, offset_l)
    if gas.warmth is not gas.rest_warmth:
        least, mean, most = since(gas.warmth, gas.rest_warmth)
        air_kpa = setup.line.atmosphere_kpa_abs
        ends = [(each + air_kpa) * ratio - air_kpa for each, ratio in ((min(ends), least), (max(ends), most))]
        best = (best + air_kpa) * mean - air_kpa
    return Band(min(*ends, best), best, max(*ends, best), setup.rest_gauge.beyond_kpa)


def _sealed(gas: Gas, setup: Setup, cavity_l: float, offset_l: float, doubt_kpa_l: float = 0.0) -> float:
    atmosphere = setup.line.atmosphere_kpa_abs
    assert gas.rest_kpa is not None
    before, after = cavity_l - gas.rest_offset_l, cavity_l - offset_l
    if after <= 0.01 * cavity_l or before <= 0:
        return float("inf") if offset_l > gas.rest_offset_l else gas.rest_kpa
    return ((gas.rest_kpa + atmosphere) * before + gas.added_kpa_l + doubt_kpa_l) / after - atmosphere


def stiffness_kpa_per_l(gas: Gas, setup: Setup, tyre_kpa: float, offset_l: float) -> float:
    """Pressure rise per litre of liquid, conservative: for the smaller cavity."""
    # Behind a blocked valve the strokes may measure no cavity at all.
    air = max(gas.low_l - offset_l, 0.01 * setup.cavity.volume_l)
    return (tyre_kpa + setup.line.atmosphere_kpa_abs) / air


def rest_kpa(setup: Setup, reading: Reading, hose_l: float, covered_m: float) -> float | None:
    """Tyre pressure from a gauge while the liquid is at rest, less the liquid column between gauge and air space."""
    if reading.tyre_kpa is not None:
        return reading.tyre_kpa - column_kpa(setup.line, covered_m)
    return gun_kpa(setup, reading.line_kpa, hose_l, covered_m)


def vacuum(kpa: float | None) -> bool:
    """Whether a pressure at rest is below that of any tyre whose valve is open, or of a gun in the air."""
    return kpa is not None and kpa < -NO_TYRE_KPA


def least_kpa(setup: Setup, goal_kpa: float) -> float:
    """The least pressure of a tyre that is let down to ``goal_kpa`` or the floor, whichever is lower.

    Limited whatever the goal: below ambient the gauge shows no tyre, or a collapsing one.
    """
    return max(min(setup.window.floor_kpa, goal_kpa) - 2 * KPA_PER_PSI, -KPA_PER_PSI)


def gun_kpa(setup: Setup, line_kpa: float | None, hose_l: float, covered_m: float = 0.0) -> float | None:
    """Pressure behind the gun with the liquid at rest, by the gauge at the pump; ``covered_m`` further up if given."""
    if line_kpa is None:
        return None
    column = hose_l / setup.line.hose_l if setup.line.hose_l else 1.0
    return line_kpa - head_kpa(setup.line, covered_m) * column


def flowing_band(
    setup: Setup,
    reading: Reading,
    flows_lps: tuple[float, float],
    covered_m: float,
    loss_gain: float,
    *,
    loss_known: bool,
) -> Band | None:
    """Tyre pressure from a gauge while liquid flows forward, less head and losses.

    ``flows_lps`` are the fast and the slow estimate. Where the fast one drops by more than a pulse, pulses have stopped
    coming, and the high bound uses no more loss than it gives: all of the gauge's reading may be the tyre's.
    """
    quick, smooth = flows_lps
    # Its window is a second. A level or run time tells of a drop too late to be waited for.
    pulse_lps = 0.0 if setup.meter.estimated else setup.meter.litres_per_pulse
    dropped = quick + pulse_lps < 0.75 * smooth
    flows = (max(quick, 0.0) if dropped else smooth), smooth
    if reading.tyre_kpa is not None:
        base = reading.tyre_kpa - column_kpa(setup.line, covered_m)
        least, loss = (bore_loss_kpa(setup.line, flow) for flow in flows)
    elif reading.line_kpa is not None:
        base = reading.line_kpa - head_kpa(setup.line, covered_m)
        least, loss = (line_loss_kpa(setup.line, flow) for flow in flows)
    else:
        return None
    low_share, high_share = (0.95, 1.05) if loss_known else (LEAST_LOSS, MOST_LOSS)
    return Band(base - loss * loss_gain * high_share, base - loss * loss_gain, base - least * loss_gain * low_share)


def at_rest(gas: Gas, setup: Setup, tyre_kpa: float, offset_l: float, u_kpa: float, *, pumped: bool) -> Gas:
    """Process a rest reading: measure the cavity after a sealed stroke, then re-anchor the air space.

    ``u_kpa`` is its uncertainty from gauge noise, at 95 %.
    """
    cold_kpa, cold_u_kpa = settled_kpa(gas, setup, tyre_kpa, u_kpa)
    if pumped and gas.sealed and gas.cold_kpa is not None and cold_kpa - gas.cold_kpa >= _LEAST_RISE_KPA:
        gas = _by_stroke(gas, setup, cold_kpa, offset_l, cold_u_kpa)
    gas = _weighed(_with_rise(gas, setup, cold_kpa, offset_l, cold_u_kpa, pumped=pumped), setup)
    gas = changed(gas, rest_kpa=tyre_kpa, cold_kpa=cold_kpa, cold_u_kpa=cold_u_kpa, rest_warmth=gas.warmth)
    return changed(gas, rest_offset_l=offset_l, added_kpa_l=0.0, guessed_kpa_l=0.0, sealed=True)


def weighed_cavity(gas: Gas, setup: Setup) -> tuple[float, float]:
    """The cavity and its standard deviation, litres: size and strokes, weighted by inverse variances.

    A measurement hardly more accurate than the size's own band is not used.
    """
    size_sd_l = (setup.cavity.high_l - setup.cavity.low_l) / 4
    if gas.found is None or gas.found.sigma_l > _SHARPER * size_sd_l:
        return setup.cavity.volume_l, size_sd_l
    return _by_variance(setup.cavity, size_sd_l, gas.found)


def _by_variance(size: CavityFacts, size_sd_l: float, found: Found) -> tuple[float, float]:
    """The mean of size and measurement by their inverse variances, and its standard deviation."""
    by_size, by_strokes = size_sd_l**-2, found.sigma_l**-2
    whole = by_size + by_strokes
    return (size.volume_l * by_size + found.cavity_l * by_strokes) / whole, whole**-0.5


def _weighed(gas: Gas, setup: Setup) -> Gas:
    """The air space by size and rises together, where no single stroke has measured it better: with a coarse gauge."""
    size, found = setup.cavity, gas.found
    if found is None or gas.verdict != "agrees" or not size.low_l < size.volume_l < size.high_l:
        return gas
    below_l, above_l = size.volume_l - size.low_l, size.high_l - size.volume_l
    cavity_l, _ = _by_variance(size, (below_l if found.cavity_l < size.volume_l else above_l) / 2, found)
    less_l, more_l = (
        max(2 * _by_variance(size, side_l / 2, found)[1], _LEAST_U * cavity_l) for side_l in (below_l, above_l)
    )
    if gas.stroke_u_l is not None and gas.stroke_u_l <= less_l:
        return gas
    return changed(gas, cavity_l=cavity_l, low_l=cavity_l - less_l, high_l=cavity_l + more_l)


def settled_kpa(gas: Gas, setup: Setup, tyre_kpa: float, u_kpa: float) -> tuple[float, float]:
    """What a rest reading becomes once the gas has its surroundings' temperature, and its uncertainty at 95 %."""
    atmosphere = setup.line.atmosphere_kpa_abs
    kpa_abs = (tyre_kpa + atmosphere) / (1 + gas.warmth.best)
    return kpa_abs - atmosphere, math.hypot(u_kpa, gas.warmth.u * kpa_abs)


def after_draw(gas: Gas, setup: Setup, tyre_kpa: float, offset_l: float, u_kpa: float) -> Gas:
    """Process a rest reading after liquid was drawn: a large enough fall measures the cavity like a rise."""
    cold_kpa, cold_u_kpa = settled_kpa(gas, setup, tyre_kpa, u_kpa)
    if gas.sealed and gas.cold_kpa is not None and gas.cold_kpa - cold_kpa >= _LEAST_RISE_KPA:
        gas = _by_stroke(gas, setup, cold_kpa, offset_l, cold_u_kpa)
    return at_rest(gas, setup, tyre_kpa, offset_l, u_kpa, pumped=False)


def _with_rise(gas: Gas, setup: Setup, tyre_kpa: float, offset_l: float, u_kpa: float, *, pumped: bool) -> Gas:
    """Follow the sealed rise: a pumped stroke extends it, anything else ends it and starts another."""
    rises, rise = gas.rises, gas.rise
    if pumped and gas.sealed and rise is not None:
        added = rise.added_kpa_l + gas.added_kpa_l
        if rise.litres > 0 and rise.way_kpa is None:
            rise = changed(rise, way_kpa=rise.to_kpa, way_l=rise.to_l, way_added_kpa_l=rise.added_kpa_l)
            rise = changed(rise, way_u_kpa=rise.to_u_kpa)
        # A step is negligible in a meter's count, but may be all there is of a level's.
        step_l = setup.meter.litres_per_pulse
        put_in_u = math.hypot(setup.meter.uncertainty, step_l / max(offset_l - rise.from_l, step_l))
        rise = changed(rise, to_kpa=tyre_kpa, to_l=offset_l, to_u_kpa=u_kpa, added_kpa_l=added, put_in_u=put_in_u)
    else:
        rises = rises if rise is None or rise.litres <= 0 else (*rises, rise)
        rise = Rise(
            setup.line.atmosphere_kpa_abs, tyre_kpa, offset_l, tyre_kpa, offset_l,
            gauge_u_kpa=setup.rest_gauge.u_kpa, from_u_kpa=u_kpa, to_u_kpa=u_kpa,
        )  # fmt: skip
    return changed(gas, rises=rises, rise=rise, found=pooled((*rises, rise)))


def _by_stroke(gas: Gas, setup: Setup, tyre_kpa: float, offset_l: float, u_kpa: float) -> Gas:
    """The cavity by Boyle's law from a stroke between two rests; the meter's step limits its accuracy.

    Between the two the liquid gives the gas anything from none to all of its vapour, and a vent took some of it away.
    """
    assert gas.cold_kpa is not None
    atmosphere = setup.line.atmosphere_kpa_abs
    before, after = gas.cold_kpa + atmosphere, tyre_kpa + atmosphere
    cavity = (after * offset_l - before * gas.rest_offset_l + gas.added_kpa_l) / (after - before)
    air_l, moved_l = max(cavity - offset_l, 0.0), max(abs(offset_l - gas.rest_offset_l), 1e-9)
    step_u_l = air_l * setup.meter.litres_per_pulse / moved_l
    vapour_kpa = max(setup.line.vapour_kpa - _USUAL_VAPOUR_KPA, 0.0)
    read_u_kpa = math.hypot(1.5 * setup.rest_gauge.u_kpa, gas.cold_u_kpa, u_kpa, vapour_kpa)
    read_u_l = read_u_kpa * air_l / abs(after - before)
    uncertainty = math.hypot(read_u_l, step_u_l)
    if gas.stroke_u_l is not None and gas.stroke_u_l < uncertainty:
        cavity, uncertainty = gas.cavity_l, gas.stroke_u_l
    elif gas.low_l - uncertainty <= cavity <= gas.high_l + uncertainty and 2 * read_u_l > gas.high_l - gas.low_l:
        # A coarse gauge agrees with the size, and measures the cavity worse than the size gives it.
        return gas
    band = max(uncertainty, _LEAST_U * cavity)
    return changed(gas, cavity_l=cavity, low_l=cavity - band, high_l=cavity + band, stroke_u_l=uncertainty)
