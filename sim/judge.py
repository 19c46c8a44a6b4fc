"""The judge: checks every tick of a virtual fill and reports broken requirements.

It shares no decision and no accounting with the controller: it compares the values that go over the wire and into the
record with the plant's true state and with tables of its own. It changes nothing.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.judge_physics import BREATHING, Physics
from sim.judge_procedure import Conduct
from sim.seen import LIVE, MEASURED, Breach, Limits, Seen, delivered_l, seen_of, tyre_kpa
from sim.table import sim_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rig.control.moves.decide import Decision
    from rig.control.words.values import Request, Setup
    from rig.record.work import Counted
    from sim.virtual import VirtualRig

_PSI = 6.894757
_MOST_BREACHES = 20
_ROUNDING_L = 0.004
_GRAVITY = 9.80665
_GAUGE_KPA = 3.0
"""A 60 psi gauge has an error of 1 kPa at 95 %; it is steady when it moves by less than a third of one. The rest is for
the liquid column, whose share in a hose that holds some air is a guess. A coarse gauge may be off by twice its standard
deviation, and half of that again, as a stated uncertainty may."""
_COLUMN_M = 1.0
_LYING = frozenset({"pressure_stuck", "pressure_drift"})
_JUMPS = frozenset({"meter_reset", "meter_rollback"})
_BELIEVED_PULSES = 60
"""A count that falls by no more than this cannot be distinguished from liquid that ran back."""
_DISTURBS_COUNT = frozenset({
    "meter_stuck", "meter_dead", "meter_noise", "meter_double", "meter_backwards", "meter_reset", "meter_rollback",
    "bus_silent", "bus_slow", "exception_reply",
})  # fmt: skip


def limits_of(setup: Setup, rig: VirtualRig, faults: frozenset[str], *, delivers: bool) -> Limits:
    """The requirements on a fill, taken from its settings and the rig's."""
    settings, line, true = rig.settings, setup.line, sim_of(rig.settings)
    order_b = setup.stop_order == "gun off, then core back"
    return Limits(
        target_l=setup.target_l,
        floor_kpa=0.0 if order_b else setup.window.floor_kpa,
        ceiling_kpa=setup.window.ceiling_kpa,
        trip_kpa=setup.trip_kpa,
        pump_lps=line.most_lps,
        coast_s=rig.plant.params.pump.coast_s,
        scan_s=settings.clock.scan,
        relay_s=true.relay_delay,
        sensor_s=true.sensor_lag,
        relief_kpa=line.relief_kpa,
        head_kpa=max(0.0, -line.rise_m) * line.density_kg_m3 * _GRAVITY / 1000 + _PSI,
        dry_run_s=settings.pump.dry_run,
        dry_rest_s=settings.pump.dry_rest,
        suction_l=line.suction_l,
        hose_l=line.hose_l,
        checks=frozenset(check.name for check in setup.checks),
        faults=faults,
        delivers=delivers,
        counts_back=setup.meter.reverse != "none",
        gun_off_first=order_b,
        stalled_s=min(rig.stall[1], setup.timeout_s) if rig.stall else 0.0,
        rise_kpa=max(line.rise_m, 0.0) * line.density_kg_m3 * _GRAVITY / 1000,
        column_kpa=_COLUMN_M * line.density_kg_m3 * _GRAVITY / 1000 if setup.into == "tote" else 0.0,
    )


class Judge:
    """The judge of one fill. ``heard`` takes a person's requests, ``see`` every decision, ``close`` the record."""

    def __init__(
        self, setup: Setup, rig: VirtualRig, faults: frozenset[str] = frozenset(), *, delivers: bool = True
    ) -> None:
        """``delivers``: no person interferes, so a sound rig must complete the fill and meet the target."""
        self.limits = limits_of(setup, rig, faults, delivers=delivers)
        self.breaches: list[Breach] = []
        self.used: dict[str, float] = {}
        """Largest share of each limit that was used, by requirement."""
        self.ticks = 0
        self._rig = rig
        self._conduct = Conduct(self.limits, self._breach)
        self._physics = Physics(self.limits, rig.plant, setup.timeout_s, self._breach, self._use)
        self._has_timeout = setup.has_timeout
        self._requests: list[Request] = []
        self._now_s: float | None = None
        self._pulses = 0
        self._k_per_l = rig.plant.params.meter.k_per_l
        self._last_pulses: int | None = None
        self._fell_at_s: float | None = None
        self._seen_end = ("", "")

    def heard(self, requests: Sequence[Request]) -> None:
        """Note a person's requests; the next decision answers them."""
        self._requests.extend(requests)

    def see(self, decision: Decision) -> None:
        """Judge one tick: the relays of this decision are written, the plant is as the scan found it."""
        self.ticks += 1
        before_s = self._now_s
        if self.ticks == 1:
            # The controller cannot have counted what went through the meter before the first scan.
            self._pulses = self._rig.plant.meter.pulses
        seen = seen_of(decision, self._requests, before_s)
        self._requests.clear()
        self._now_s = seen.now_s
        if before_s is not None and seen.now_s <= before_s:
            self._breach("I14 time never goes back", f"{before_s} became {seen.now_s}")
        self._count(seen)
        self._conduct.look(seen)
        self._physics.look(seen, self._rig.modules.shown("output_timeout") if self._has_timeout else None)
        self._seen_end = seen.state, seen.first_out or ""

    def _count(self, seen: Seen) -> None:
        """Note when the meter's count fell by more than reverse flow can explain."""
        pulses, last = self._rig.plant.meter.pulses, self._last_pulses
        self._last_pulses = pulses
        if last is None or pulses >= last:
            return
        doubled = 2 if "meter_double" in self.limits.faults else 1
        # While the controller stalls, the pump goes on.
        ran_s = seen.dt_s + self.limits.stalled_s
        ran_back = _BELIEVED_PULSES + 1.5 * doubled * self.limits.pump_lps * ran_s * self._k_per_l
        if seen.state in LIVE and pulses < last - ran_back:
            self._fell_at_s = seen.now_s

    def interrupted(self, before: Counted, after: Counted, moving: bool) -> None:
        """Judge a restart of the controller: records before and after it, and whether the new state moves anything."""
        self._conduct.interrupted()
        self._physics.interrupted()
        self._last_pulses = None
        now_s, self._now_s = self._now_s or 0.0, None
        if moving:
            self._note("I9 safe after restart", now_s, "relays are on")
        journalled_l, kept_l = (each.net_l - each.unattended_l for each in (before, after))
        self._use("I9 totals as journalled", abs(journalled_l - kept_l) / (2 * _ROUNDING_L))
        if abs(journalled_l - kept_l) > 2 * _ROUNDING_L:
            self._note("I9 totals as journalled", now_s, f"attended {journalled_l:.3f} L became {kept_l:.3f} L")

    def close(self, record: Counted, *, ended: bool, interrupted: bool = False) -> None:
        """Judge the record of the whole fill; ``ended`` is false when it ran out of time."""
        now_s = self._now_s or 0.0
        found = [*self._conduct.closed(), *self._adds_up(record), *self._tells_the_truth(record)]
        found += [*self._pressure_left(record), *self._signed_nothing(record)]
        if not ended:
            found.append(("I16 every fill ends", f"still {self._seen_end[0]} after {now_s:.0f} s"))
        if not interrupted and record.unattended_l:
            found.append(("unattended apart", f"{record.unattended_l} L though nobody went away"))
        if not self.limits.faults and self.limits.delivers:
            found.extend(self._delivered(record))
        for name, text in found:
            self._note(name, now_s, text)

    def _breach(self, name: str, text: str) -> None:
        """Note a breach of this tick."""
        self._note(name, self._now_s or 0.0, text)

    def _use(self, name: str, share: float) -> None:
        """Note the share of a limit that this fill used."""
        assert name in MEASURED
        self.used[name] = max(share, self.used.get(name, 0.0))

    def _note(self, name: str, at_s: float, text: str) -> None:
        if len(self.breaches) < _MOST_BREACHES and all(name != breach.name for breach in self.breaches):
            self.breaches.append(Breach(name, round(at_s, 3), text))

    def _adds_up(self, record: Counted) -> Iterator[tuple[str, str]]:
        out = record.returned_l + record.vented_l + record.spilled_l + record.hose_change_l
        net = record.forward_l - out
        if abs(net - record.net_l) > _ROUNDING_L:
            yield "record adds up", f"net {record.net_l} L, its lines make {net:.3f} L"
        state, first_out = self._seen_end
        outcome = record.outcome
        ends = {"complete": ("complete",), "stopped": ("stopped", "aborted")}.get(state, (outcome,))
        if outcome not in ends or (record.first_out or "") != first_out:
            yield "record as shown", f"{outcome} by {record.first_out} after {state} by {first_out or None}"

    def _tells_the_truth(self, record: Counted) -> Iterator[tuple[str, str]]:
        """I3: pulses counted, meter resets reported. I4: net volume true within the uncertainty in the record."""
        plant, faults = self._rig.plant, self.limits.faults
        if not _DISTURBS_COUNT & faults and self._rig.settings.meter.reverse == "signed":
            pulses = plant.meter.pulses - self._pulses
            self._use("I3 every pulse", abs(pulses - record.pulses) / 3)
            if abs(pulses - record.pulses) > 2:
                yield "I3 every pulse", f"the meter gave {pulses}, the record says {record.pulses}"
        if len(faults) > 1:
            return
        flags = record.flags
        reported = "meter_jumped" in flags or any("meter given up" in flag for flag in flags)
        if self._fell_at_s is not None and self._fell_at_s < (self._now_s or 0.0) - 1.0 and not reported:
            yield "I3 restart told", f"the count fell at {self._fell_at_s:.1f} s, and the record does not say so"
        # Liquid lost through a leak cannot be counted at the pump.
        leaked_l = plant.line.books.spilled_l if "leak" in faults else 0.0
        off_l, (low_l, high_l) = record.net_l - delivered_l(plant) - leaked_l, record.within_l
        u_l = record.net_l - low_l if off_l > 0 else high_l - record.net_l
        # Volume that a faulty meter misses before the fault can be detected, where the fill ends just then.
        unseen_l = self.limits.reacted_l(2.5) if _DISTURBS_COUNT & faults else 0.0
        if {"pressure_stuck", "pressure_drift"} & faults:
            # The suction line's air is estimated from the gauge until the gauge fault is detected.
            unseen_l += 0.2 * self.limits.suction_l
        if "meter_double" in faults and record.outcome == "stopped":
            # In a fill that is broken off only the air space can contradict the meter, and rests are off by half a psi.
            unseen_l += 0.5 * _PSI * plant.tyre.room_l() / plant.tyre.pressure()
        if "valve_stuck_open" in faults:
            # After a resume the hose may spit for as long as a leak takes to be detected.
            unseen_l += self.limits.reacted_l(5.0)
        if "air_in_line" in faults:
            # No meter distinguishes air from liquid, and in the tyre both take up room; the tote's level detects it in
            # the end: right to 5 %, in steps of 2 L, three standard deviations apart and at rest.
            unseen_l += 1.5 * (0.05 * abs(delivered_l(plant)) + 2.0) + 4.0 + 2.0 * self.limits.pump_lps
        # The uncertainty is stated at 95 %: an error of up to 1.5 times it does not make the record wrong.
        jump_l = _BELIEVED_PULSES / self._k_per_l if _JUMPS & faults else 0.0
        most_l = 1.5 * u_l + 0.05 + jump_l + unseen_l
        self._use("I4 record true", abs(off_l) / most_l)
        if abs(off_l) > most_l:
            yield "I4 record true", f"{off_l:+.2f} L from the truth, ± {u_l:.2f} L stated"

    def _pressure_left(self, record: Counted) -> Iterator[tuple[str, str]]:
        """The final pressure in the record is true or absent; a fill with a faulty gauge is excused.

        Where the reading lies within stated bounds, it may be off by 1.5 times those, as litres may.
        """
        plant, faults = self._rig.plant, self.limits.faults
        gauge_kpa = max(_GAUGE_KPA, 3.0 * plant.params.gauge_error_kpa)
        kpa = tyre_kpa(plant)
        read, low, high = record.final_static_kpa, record.final_low_kpa, record.final_high_kpa
        sound = not faults and self.limits.delivers and record.outcome == "complete"
        if sound and read is None and not self.limits.gun_off_first:
            yield "pressure left", "a sound fill that is complete, and no rest told"
        if len(faults) > 1 or _LYING & faults:
            return
        # No gauge at the pump sees a leak once the valve is shut, or air let out by hand before the record closes.
        # Nor, with no reverse count, what an insert that seats late lets through while the hose is reversed off.
        unseen = BREATHING if self.limits.counts_back else BREATHING | {"insert_not_seated"}
        below_kpa = 1e9 if unseen & faults else gauge_kpa + self.limits.column_kpa
        # Air among the liquid in the hose makes its column lighter, and nothing at the pump shows by how much.
        above_kpa = gauge_kpa + (self.limits.rise_kpa if "air_in_line" in faults else 0.0)
        if read is not None:
            off_kpa = read - kpa
            if low is not None and high is not None and low <= read <= high:
                below_kpa, above_kpa = max(below_kpa, 1.5 * (read - low)), max(above_kpa, 1.5 * (high - read))
            self._use("pressure left", max(off_kpa / below_kpa, -off_kpa / above_kpa, 0.0))
            if not -above_kpa <= off_kpa <= below_kpa:
                yield "pressure left", f"{read:.1f} kPa at rest by the record, truly {kpa:.1f} kPa"
        elif low is not None and high is not None:
            self._use("pressure left", max((low - kpa) / below_kpa, (kpa - high) / above_kpa, 0.0))
            if not low - below_kpa <= kpa <= high + above_kpa:
                yield "pressure left", f"{low:.1f} to {high:.1f} kPa by the record, truly {kpa:.1f} kPa"

    def _signed_nothing(self, record: Counted) -> Iterator[tuple[str, str]]:
        for name, value in record.document().items():
            if isinstance(value, float) and value == 0.0 and math.copysign(1.0, value) < 0:
                yield "nothing has no sign", f"{name} is -0.0"

    def _delivered(self, record: Counted) -> Iterator[tuple[str, str]]:
        plant, limits = self._rig.plant, self.limits
        if record.outcome == "aborted":
            yield "sound rig, no trip", f"aborted by {record.first_out}"
        if record.outcome != "complete":
            return
        off_l = delivered_l(plant) - limits.target_l
        u_l = record.net_u_l
        over_l, short_l = max(0.003 * limits.target_l, 0.25) + u_l, max(0.005 * limits.target_l, 0.4) + u_l
        flags = record.flags
        short = 0.0 if "short of the target" in flags else -off_l / short_l
        self._use("target met", max(off_l / over_l, short))
        if off_l > over_l or (off_l < -short_l and "short of the target" not in flags):
            yield "target met", f"{off_l:+.2f} L from the target"
        peak = record.peak_pressure_kpa
        if peak is not None:
            self._use("record's pressures", abs(peak - plant.extremes.peak_tyre_kpa) / (3 * _PSI))
        if peak is None or abs(peak - plant.extremes.peak_tyre_kpa) > 3 * _PSI:
            yield "record's pressures", f"peak {peak} kPa, truly {plant.extremes.peak_tyre_kpa:.1f} kPa"
