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
from rig.meter.references import CLINGS
from rig.sentence import Sentence, Wording

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
    fails: tuple[Sentence, ...]
    asks: tuple[Sentence, ...]
    tells: tuple[Sentence, ...]

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


def said_again(line: str) -> str:
    """A line of a stored verdict as the sentence that it was; as it is, where no wording of this version fits."""
    found = (words.read(line) for words in _WORDINGS)
    return next((said for said in found if said is not None), line)


_FEW_RUNS = Wording("verdict.few_runs", "{runs:number} runs, {least:number} are wanted: run again")
_FEW_RUNS_AT = Wording("verdict.few_runs_at", "{runs:number} runs at {flow:flow}, {least:number} are wanted: run again")
_APART = Wording(
    "verdict.apart",
    "the runs are {percent:number} % apart, {most:number} % is allowed: look for air in the line, a leak, a can that "
    "was not drained the same way each time, then run again",
)
_APART_AT = Wording(
    "verdict.apart_at",
    "the runs at {flow:flow} are {percent:number} % apart, {most:number} % is allowed: look for air in the line, a "
    "leak, a can that was not drained the same way each time, then run again",
)
_TOO_LITTLE = Wording(
    "verdict.too_little",
    "{volume:volume} a run is below the meter's least quantity of {least:volume}: use a larger can, or fill it more "
    "than once in one run",
)
_NO_FACTOR = Wording(
    "verdict.no_factor",
    "a factor of {factor:number} is no meter that is a little off: check the pulses per litre in the configuration, "
    "the units of the readings, and whether every pulse arrives",
)
_MOVES = Wording(
    "verdict.moves",
    "the factor moves by {change:number} % from the one in force ({before:number}): is it the meter that changed, or "
    "the can, the temperature, the fluid?",
)
_AWAY = Wording(
    "verdict.away", "it is {away:number} % from the mean of the last {provings:number} provings ({mean:number})"
)
_SHORT = Wording(
    "verdict.short",
    "{volume:volume} is less than a minute of flow: starting and stopping weigh more than they should",
)
_POOR = Wording(
    "verdict.poor_reference",
    "the reference itself is known to {percent:number} % only: the factor is no better than that",
)
_FLOWS = Wording("verdict.flows", "proven from {least:flow} to {most:flow}; outside it the ends are held")
_ONE_FLOW = Wording(
    "verdict.one_flow", "proven at one flow, {flow:flow}: at other flows the factor is taken for the same"
)
_WORDINGS = (
    _FEW_RUNS, _FEW_RUNS_AT, _APART, _APART_AT, _TOO_LITTLE, _NO_FACTOR, _MOVES, _AWAY, _SHORT, _POOR, _FLOWS,
    _ONE_FLOW, CLINGS,
)  # fmt: skip


def _fails(runs: Sequence[Run], groups: Sequence[AtFlow], before: Before, gate: Gate) -> list[Sentence]:
    found = []
    for group in groups:
        at: dict[str, float] = {} if len(groups) == 1 or group.flow_lps is None else {"flow": group.flow_lps}
        if len(group.factors) < gate.runs:
            found.append((_FEW_RUNS_AT if at else _FEW_RUNS)(runs=len(group.factors), least=gate.runs, **at))
        elif group.range_percent > gate.range_percent:
            percent = round(group.range_percent, 2)
            found.append((_APART_AT if at else _APART)(percent=percent, most=gate.range_percent, **at))
    least = min(run.reference_l for run in runs)
    if least < before.least_l:
        found.append(_TOO_LITTLE(volume=least, least=before.least_l))
    if any(not _FACTORS[0] <= group.mean <= _FACTORS[1] for group in groups):
        found.append(_NO_FACTOR(factor=round(groups[-1].mean, 3)))
    return found


def _asks(factor: float, before: Before, gate: Gate) -> list[Sentence]:
    found = []
    change = 100 * (factor / before.in_force - 1)
    if abs(change) > gate.confirm_percent:
        found.append(_MOVES(change=round(change, 2), before=round(before.in_force, 5)))
    if before.history:
        mean = sum(before.history) / len(before.history)
        away = 100 * (factor / mean - 1)
        if abs(away) > gate.confirm_percent:
            found.append(_AWAY(away=round(away, 2), provings=len(before.history), mean=round(mean, 5)))
    return found


def _remarks(runs: Sequence[Run], groups: Sequence[AtFlow], before: Before, u_reference: float) -> list[Sentence]:
    found = []
    least, fastest = min(run.reference_l for run in runs), groups[-1].flow_lps or before.pump_lps
    if least < _MINUTE_S * fastest:
        found.append(_SHORT(volume=least))
    if u_reference > _THIRD_OF_GATE_PERCENT:
        found.append(_POOR(percent=round(u_reference, 2)))
    flows = [group.flow_lps for group in groups if group.flow_lps is not None]
    if len(flows) > 1:
        found.append(_FLOWS(least=flows[0], most=flows[-1]))
    elif flows:
        found.append(_ONE_FLOW(flow=flows[0]))
    return found
