"""A proving: runs of pulses against a reference volume become a meter factor with its spread and its uncertainty.

    factor = reference volume at the meter's temperature / (pulses / pulses per litre)

The gate is repeatability: 40 % of a 0.5 % tolerance, so 0.2 % between the largest and the smallest of at least three
runs (NIST Handbook 44, 3.30 T.3, from memory). Modelled on such rules; it makes no measuring system lawful for trade.
It must not know the source of the pulses, nor where the result is kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.fluid import Fluid
from rig.meter.curve import AtFlow, by_flow, relative_curve
from rig.units import show_flow, show_volume

# Student's t, two-sided 95 %, by number of runs: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2.
T_975 = {
    2: 12.706, 3: 4.303, 4: 3.182, 5: 2.776, 6: 2.571, 7: 2.447, 8: 2.365, 9: 2.306, 10: 2.262, 11: 2.228, 12: 2.201,
    13: 2.179, 14: 2.160, 15: 2.145, 16: 2.131, 17: 2.120, 18: 2.110, 19: 2.101, 20: 2.093,
}  # fmt: skip
# Mean range of n normal values in standard deviations: ASTM MNL 7A, table of control chart constants.
D2 = {
    2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078, 11: 3.173, 12: 3.258,
    13: 3.336, 14: 3.407, 15: 3.472, 16: 3.532, 17: 3.588, 18: 3.640, 19: 3.689, 20: 3.735,
}  # fmt: skip
MOST_RUNS = max(D2)
_PETROLEUM_U_PERCENT = 0.027
"""Uncertainty that the petroleum trade requires of the mean of its runs (API MPMS 4.8, from memory)."""
_FACTORS = 0.8, 1.25
"""Plausible factors: outside them the configured pulses per litre are wrong."""
_THIRD_OF_GATE_PERCENT = 0.1
_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class Run:
    """One run: pulses, the reference's litres at the vessel's temperature, both temperatures, the flow if timed."""

    pulses: int
    reference_l: float
    vessel_c: float
    meter_c: float
    flow_lps: float | None = None

    def factor(self, pulses_per_l: float, fluid: Fluid) -> float:
        """True volume per indicated volume, both at the meter's temperature."""
        at_meter_l = self.reference_l * fluid.ctl(self.vessel_c) / fluid.ctl(self.meter_c)
        return at_meter_l * pulses_per_l / self.pulses


@dataclass(frozen=True, slots=True)
class Gate:
    """Acceptance criteria of a proving."""

    runs: int = 3
    range_percent: float = 0.2
    confirm_percent: float = 0.25
    """A larger change of the factor needs confirmation: a sound meter changes less from one proving to the next
    (company guideline for base curves; a US Army fuel handbook allows 0.0025)."""


@dataclass(frozen=True, slots=True)
class Before:
    """The meter's data before this proving."""

    pulses_per_l: float
    least_l: float
    pump_lps: float
    in_force: float
    history: tuple[float, ...] = ()
    """Factors of earlier provings."""


@dataclass(frozen=True, slots=True)
class Proving:
    """The outcome. Per cent figures of uncertainty are at 95 %."""

    factor: float
    factors: tuple[float, ...]
    range_percent: float
    u_percent: float
    """Of the factor: the runs' spread and the reference combined."""
    u_runs_percent: float
    u_reference_percent: float
    u_delivery_percent: float
    """Of one delivery with this factor: the factor's own and the scatter of single runs."""
    petroleum_range_percent: float
    """The range that the petroleum trade allows for this number of runs; for information."""
    curve: tuple[tuple[float, float], ...]
    flows_lps: tuple[float, ...]
    fails: tuple[str, ...]
    asks: tuple[str, ...]
    tells: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether the proving meets the gate."""
        return not self.fails


def prove(
    runs: Sequence[Run], before: Before, fluid: Fluid, reference_doubt: float, gate: Gate | None = None
) -> Proving:
    """Judge ``runs``; ``reference_doubt`` is relative, at 95 %. ValueError for no run, too many, or one without pulses.

    Runs at different flows are judged flow by flow; the factor is that of the highest flow, the curve gives the others.
    """
    gate = gate or Gate()
    if not runs or any(run.pulses <= 0 or run.reference_l <= 0 for run in runs):
        raise ValueError("a proving needs runs, each with pulses and a reference volume above zero")
    if len(runs) > MOST_RUNS:
        raise ValueError(f"a proving of more than {MOST_RUNS} runs is two provings")
    factors = tuple(run.factor(before.pulses_per_l, fluid) for run in runs)
    groups = by_flow([(run.flow_lps, factor) for run, factor in zip(runs, factors, strict=True)])
    factor = groups[-1].mean
    u_runs = max(runs_u_percent(group) for group in groups)
    resolution = 100 * 2 / math.sqrt(6) / min(run.pulses for run in runs)
    u_reference = math.hypot(100 * reference_doubt, resolution)
    u_factor = math.hypot(u_runs, u_reference)
    scatter = max(group.range_percent / D2.get(len(group.factors), D2[2]) for group in groups)
    return Proving(
        factor=factor,
        factors=factors,
        range_percent=max(group.range_percent for group in groups),
        u_percent=u_factor,
        u_runs_percent=u_runs,
        u_reference_percent=u_reference,
        u_delivery_percent=math.hypot(u_factor, 2 * scatter),
        petroleum_range_percent=petroleum_range_percent(len(runs)),
        curve=relative_curve(groups, factor),
        flows_lps=tuple(group.flow_lps for group in groups if group.flow_lps is not None),
        fails=tuple(_fails(runs, groups, before, gate)),
        asks=tuple(_asks(factor, before, gate)),
        tells=tuple(_remarks(runs, groups, before, u_reference)),
    )


def runs_u_percent(group: AtFlow) -> float:
    """Expanded uncertainty of a mean from the range of its runs; infinite for a single run."""
    count = len(group.factors)
    if count < 2:
        return math.inf
    return T_975[count] * group.range_percent / (D2[count] * math.sqrt(count))


def petroleum_range_percent(runs: int) -> float:
    """The range at which the mean of this number of runs has an uncertainty of 0.027 %; zero for a single run."""
    return _PETROLEUM_U_PERCENT * D2[runs] * math.sqrt(runs) / T_975[runs] if runs > 1 else 0.0


def _fails(runs: Sequence[Run], groups: Sequence[AtFlow], before: Before, gate: Gate) -> list[str]:
    found = []
    for group in groups:
        where = "" if len(groups) == 1 or group.flow_lps is None else f" at {show_flow(group.flow_lps)}"
        if len(group.factors) < gate.runs:
            found.append(f"{len(group.factors)} runs{where}, {gate.runs} are wanted: run again")
        elif group.range_percent > gate.range_percent:
            found.append(
                f"the runs{where} are {group.range_percent:.2f} % apart, {gate.range_percent:g} % is allowed: look for "
                "air in the line, a leak, a can that was not drained the same way each time, then run again"
            )
    least = min(run.reference_l for run in runs)
    if least < before.least_l:
        found.append(
            f"{show_volume(least)} a run is below the meter's least quantity of {show_volume(before.least_l)}: "
            "use a larger can, or fill it more than once in one run"
        )
    if any(not _FACTORS[0] <= group.mean <= _FACTORS[1] for group in groups):
        found.append(
            f"a factor of {groups[-1].mean:.3f} is no meter that is a little off: check the pulses per litre in the "
            "configuration, the units of the readings, and whether every pulse arrives"
        )
    return found


def _asks(factor: float, before: Before, gate: Gate) -> list[str]:
    found = []
    change = 100 * (factor / before.in_force - 1)
    if abs(change) > gate.confirm_percent:
        found.append(
            f"the factor moves by {change:+.2f} % from the one in force ({before.in_force:.5f}): "
            "is it the meter that changed, or the can, the temperature, the fluid?"
        )
    if before.history:
        mean = sum(before.history) / len(before.history)
        away = 100 * (factor / mean - 1)
        if abs(away) > gate.confirm_percent:
            found.append(f"it is {away:+.2f} % from the mean of the last {len(before.history)} provings ({mean:.5f})")
    return found


def _remarks(runs: Sequence[Run], groups: Sequence[AtFlow], before: Before, u_reference: float) -> list[str]:
    found = []
    least, fastest = min(run.reference_l for run in runs), groups[-1].flow_lps or before.pump_lps
    if least < _MINUTE_S * fastest:
        found.append(
            f"{show_volume(least)} is less than a minute of flow: starting and stopping weigh more than they should"
        )
    if u_reference > _THIRD_OF_GATE_PERCENT:
        found.append(f"the reference itself is known to {u_reference:.2f} % only: the factor is no better than that")
    flows = [group.flow_lps for group in groups if group.flow_lps is not None]
    if len(flows) > 1:
        found.append(f"proven from {show_flow(flows[0])} to {show_flow(flows[-1])}; outside it the ends are held")
    elif flows:
        found.append(f"proven at one flow, {show_flow(flows[0])}: at other flows the factor is taken for the same")
    return found
