"""Factor by flow: runs at different flows give the points of a meter's linearisation.

One flow gives no curve: the factor is then the same at every flow. Outside the flows that were run the factor is not
known; the end values are held constant there by the user of the points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

SAME_FLOW = 1.1
"""Runs whose flows are within this ratio count as one flow."""


@dataclass(frozen=True, slots=True)
class AtFlow:
    """Runs at one flow; the flow is None where it was not timed."""

    flow_lps: float | None
    factors: tuple[float, ...]

    @property
    def mean(self) -> float:
        """The factor at this flow."""
        return sum(self.factors) / len(self.factors)

    @property
    def range_percent(self) -> float:
        """Largest minus smallest factor, relative to the smallest, in per cent."""
        return 100 * (max(self.factors) - min(self.factors)) / min(self.factors)


def by_flow(runs: Sequence[tuple[float | None, float]]) -> tuple[AtFlow, ...]:
    """Group (flow, factor) by flow, slowest first; one group where a run has no flow."""
    known = [(flow, factor) for flow, factor in runs if flow is not None]
    if len(known) < len(runs):
        return (AtFlow(None, tuple(factor for _, factor in runs)),)
    groups: list[list[tuple[float, float]]] = []
    for run in sorted(known):
        if groups and run[0] <= SAME_FLOW * groups[-1][0][0]:
            groups[-1].append(run)
        else:
            groups.append([run])
    return tuple(
        AtFlow(sum(flow for flow, _ in group) / len(group), tuple(factor for _, factor in group)) for group in groups
    )


def relative_curve(groups: Sequence[AtFlow], base: float) -> tuple[tuple[float, float], ...]:
    """Points (flow in L/s, factor relative to ``base``) in rising flow; empty for a single flow."""
    if len(groups) < 2:
        return ()
    return tuple((group.flow_lps, group.mean / base) for group in groups if group.flow_lps is not None)
