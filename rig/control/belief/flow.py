"""Flow from counted pulses: a short window for decisions, a long one for losses, which are quadratic in it."""

from __future__ import annotations

from dataclasses import dataclass

_SPACING_S = 0.5
"""Between two samples: the longest window is 40 of them."""
_LONGEST_S = 20.0
"""Longest window: a flow too slow for enough pulses in it counts as known when it is nearly over. An assumption."""
_ENOUGH_PULSES = 200
"""One pulse at either end of a window is one per cent of the flow here, two of the loss."""
_FAST_S = 1.0
"""Window of the fast estimate: about ten scans."""
FLOWING_LPS = 0.2 / 60
"""Flow threshold: 0.2 L/min."""
STILL_S = 1.5
"""Without a pulse for this long after the pump stopped, the liquid is at rest. An assumption."""


@dataclass(frozen=True, slots=True)
class Flow:
    """Samples of (time, pulses) since the pump last changed, oldest first."""

    samples: tuple[tuple[float, int], ...] = ()
    fast_pps: float = 0.0
    """Pulses per second over about one second."""
    slow_pps: float = 0.0
    """Pulses per second over the shortest window that is fine enough, or the longest there is."""

    @property
    def fine(self) -> bool:
        """Whether the long window resolves the flow: enough pulses, or as long as it gets."""
        if not self.samples:
            return False
        return self.slow_u <= 2 / _ENOUGH_PULSES or self.samples[-1][0] - self.samples[0][0] >= 0.75 * _LONGEST_S

    @property
    def slow_u(self) -> float:
        """One pulse as a share of what the longest window counted."""
        return 1 / max(1, abs(self.samples[-1][1] - self.samples[0][1])) if self.samples else 1.0


def follow(flow: Flow, now_s: float, pulses: int) -> Flow:
    """Take one reading of the signed pulse total."""
    samples = flow.samples
    if not samples or now_s - samples[-1][0] >= _SPACING_S:
        samples = (*samples, (now_s, pulses))
        while now_s - samples[0][0] > _LONGEST_S:
            samples = samples[1:]
    return Flow(samples, _rate(samples, now_s, pulses, _FAST_S, 0), _rate(samples, now_s, pulses, 0.0, _ENOUGH_PULSES))


def quiet(flow: Flow, now_s: float) -> bool:
    """Whether nothing was counted for long enough to take the liquid as at rest."""
    if not flow.samples or now_s - flow.samples[0][0] < STILL_S:
        return False
    latest = flow.samples[-1][1]
    return flow.fast_pps == 0 and all(count == latest for at_s, count in flow.samples if now_s - at_s <= STILL_S)


def uncounted_s(before_s: float, way: int, dt_s: float) -> float:
    """Run time in one direction without a count, pauses left out, signed as the pump; a reversal restarts it."""
    if not way:
        return before_s
    return way * dt_s + (before_s if way * before_s > 0 else 0.0)


def _rate(
    samples: tuple[tuple[float, int], ...], now_s: float, pulses: int, least_s: float, least_pulses: int
) -> float:
    start_s, start_pulses = samples[0]
    if abs(pulses - start_pulses) >= least_pulses:
        for at_s, count in reversed(samples):
            if now_s - at_s >= least_s and abs(pulses - count) >= least_pulses and now_s > at_s:
                start_s, start_pulses = at_s, count
                break
    return (pulses - start_pulses) / (now_s - start_s) if now_s > start_s else 0.0
