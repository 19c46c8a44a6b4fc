"""The judge's rules of physics: what truly happened in the plant, against the limits of the fill.

Allowances depend on the rig alone. A pressure limit may be exceeded by what the pump still moves between the physical
onset and standstill: Q × (detection + two scans + relay + half the coast), pressed into the true air space,
Δp = p_abs × ΔV / room (Boyle). Detection is the gauge's lag and the trip's 0.3 s. A fault that disables the relay or
the valve is excused from the limits that only those could keep; the commands are still judged.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.seen import LIVE, delivered_l, tyre_kpa

if TYPE_CHECKING:
    from sim.plant.whole import Plant
    from sim.seen import Limits, OnBreach, Seen, Used

_PSI = 6.894757
_TRIP_DELAY_S = 0.3
_RELIEF_BAND_KPA = 10.0
_PLAIN_KPA = 6 * _PSI
"""A tyre above this pressure that loses its gun can be distinguished from one at low pressure."""
BREATHING = frozenset({"leak", "hose_off", "bead_loss", "valve_stuck_open"})
"""Faults with which a tyre loses pressure whatever is commanded."""
_LYING = frozenset({"pressure_stuck", "pressure_drift"})
_UNSTOPPABLE = frozenset({"pump_welded", "reverse_welded", "write_ignored"})
"""Faults with which the pump runs whatever is commanded: only its relief valve or a person at the supply limits it."""
_SILENT = frozenset({"bus_silent", "bus_slow", "exception_reply"})
_STALE_S = 1.0
_TIMEOUT_S = 2.0
_WARM_KPA, _SLOWEST_KPA_S = 2.0, 0.05
"""Pressure rise of gas that rewarms after a draw, with a gauge's noise; the slowest rise that counts as one."""
_NOISE = 3.5
"""Factor on the shortest window of a straight-line fit within which a noisy slope is detected: its halves must agree,
and windows double."""
_SURE, _SCAN_S = 5.5, 0.25
_HANDS_KPA = 1.25 * _PSI
"""Rise of the gauge permitted while hands are at the gun, before the request to take it off is withdrawn."""


class Physics:
    """The rules of physics for one plant; each reports its breaches."""

    def __init__(self, limits: Limits, plant: Plant, timeout_s: float, on_breach: OnBreach, used: Used) -> None:
        self._limits, self._plant, self._breach, self._used = limits, plant, on_breach, used
        self._timeout_s = timeout_s
        self._liquid_l: float | None = None
        self._from_kpa = self._last_kpa = self._kpa = tyre_kpa(plant)
        self._tight_kpa = self._highest_kpa = self._kpa
        self._moving_air = False
        self._since: dict[str, float] = {}
        self._astray_l = self._dry_s = self._unseen_l = 0.0
        self._dry_ended_s = -1e9
        self._vented_l = plant.line.books.vented_l
        self._resumes = 1
        self._meter_given_up = self._was_away = self._hands = False
        self._unstoppable, self._silent = bool(_UNSTOPPABLE & limits.faults), bool(_SILENT & limits.faults)
        self._breathing, self._lying = bool(BREATHING & limits.faults), bool(_LYING & limits.faults)
        self._single = len(limits.faults) <= 1

    def look(self, seen: Seen, shown_timeout_s: float | None) -> None:
        """Judge one tick; ``shown_timeout_s`` is the true content of the output module's time-out register."""
        if seen.requests:
            resumed = sum(kind in ("resume", "start") for _, kind, _ in seen.requests)
            self._resumes += resumed
            if resumed and not self._plant.gun_on:
                # After a resume with the gun off the gauge reads as for a tyre without pressure.
                self._tight_kpa = 0.0
        # A count by the pump's run time flows by definition; only the rest after the stroke can contradict it.
        self._meter_given_up |= "next_measure" in seen.notes
        self._kpa = tyre_kpa(self._plant)
        self._conserved()
        if self._plant.extremes.both_relays_s > 0:
            self._breach("never both directions", "both contactors were closed")
        upsets = self._plant.upsets
        silent = upsets.bus_silent or upsets.bus_exception or upsets.bus_late >= 1
        if silent or upsets.estop or self._since:
            self._obeys_upsets(seen, silent)
        self._obeys_limits(seen, None if silent else shown_timeout_s)
        self._dry(seen)
        if self._single:
            self._too_high()
            self._too_low(seen)
            self._too_much()
            self._astray(seen)
            self._vent(seen)
            self._uncommanded(seen)
            self._gun_off(seen)
        self._last_kpa = self._kpa

    def _conserved(self) -> None:
        total = self._plant.liquid_total_l()
        if self._liquid_l is None:
            self._liquid_l = total
        if abs(total - self._liquid_l) > 1e-3:
            self._breach("I13 mass balance", f"{total - self._liquid_l:+.4f} L of liquid")

    def interrupted(self) -> None:
        """Restart all timers: the controller restarted."""
        self._since.clear()
        self._was_away = True

    def _lasts(self, name: str, holds: bool, now_s: float, limit_s: float, timer: str = "") -> bool:
        """Whether a condition has held for longer than its limit; ``timer`` where a requirement has another one."""
        key = timer or name
        if holds:
            lasted_s = now_s - self._since.setdefault(key, now_s)
            self._near(name, lasted_s, limit_s)
            return lasted_s >= limit_s
        self._since.pop(key, None)
        return False

    def _passes(self, name: str, value: float, most: float) -> bool:
        """Whether a value exceeds its limit."""
        self._near(name, value, most)
        return value > most

    def _near(self, name: str, value: float, most: float) -> None:
        """Note the share of a limit that was used."""
        if value > 0.0 and most > 0.0:
            self._used(name, value / most)

    def _obeys_upsets(self, seen: Seen, silent: bool) -> None:
        """I6: reaction time from a fault outside the fill to safe commands."""
        limits, upsets, now_s = self._limits, self._plant.upsets, seen.now_s
        scans_s = 3 * limits.scan_s
        # On a dead bus relays drop only by the modules' own time-out; the stop in the pump's supply acts at once.
        obeyed_s = scans_s + (self._timeout_s if silent else 0.0)
        if self._lasts("I6 emergency stop", upsets.estop and seen.moving, now_s, obeyed_s):
            self._breach("I6 emergency stop", "relays are on with the emergency stop pressed")
        if upsets.estop and ("aborted", "held") in seen.steps:
            self._breach("I11 reset while the cause stands", "reset with the emergency stop pressed")
        if self._lasts("I6 field lost", silent and seen.moving, now_s, _STALE_S + scans_s):
            self._breach("I6 field lost", "a running fill on a field that does not answer")
        # The time-out of a module that acknowledges writes and does nothing is restarted by every further request.
        stuck = upsets.pump_welded or upsets.reverse_welded or upsets.write_ignored
        dropped_s = self._timeout_s + limits.coast_s + scans_s
        turns = abs(self._plant.pump.speed) > 0.01 and not stuck
        if self._lasts("I6 field lost", silent and turns, now_s, dropped_s, "pump"):
            self._breach("I6 field lost", "the pump turns though the bus is dead")

    def _obeys_limits(self, seen: Seen, shown_timeout_s: float | None) -> None:
        """I6: reaction time from the physical onset to safe commands; the time-out is None where it cannot be known."""
        limits, plant, now_s = self._limits, self._plant, seen.now_s
        scans_s = 3 * limits.scan_s
        lost = shown_timeout_s is not None and not 0 < shown_timeout_s <= self._timeout_s + 0.05
        if self._lasts("I6 time-out armed", lost and seen.state == "running", now_s, 1.0 + scans_s):
            self._breach("I6 time-out armed", f"running with a time-out of {shown_timeout_s} s")
        high = self._kpa >= limits.trip_kpa + 0.5 * _PSI and plant.valve_open
        limit_s = _TRIP_DELAY_S + limits.sensor_s * 3 + scans_s + limits.coast_s
        if self._single and self._lasts("I6 trip pressure", high and seen.run, now_s, limit_s):
            self._breach("I6 trip pressure", "the pump is still told to run above the trip limit")
        pumps = seen.run or (seen.reverse and seen.phase == "draw-down" and limits.counts_back)
        still = pumps and abs(plant.line.flow_lps) < 0.005 and not self._meter_given_up
        if self._lasts("I6 no flow", still, now_s, 10.0):
            self._breach("I6 no flow", "the pump is told to run and nothing moves")

    def _dry(self, seen: Seen) -> None:
        plant, limits = self._plant, self._limits
        speed = plant.pump.speed
        dry = abs(speed) > 0.01 and (seen.run or seen.reverse)
        if dry:
            liquid, gas = plant.line.suction.tail if speed > 0 else plant.line.hose.head
            # A hose that was drawn empty holds neither: the tyre's air goes straight through. Under pressure the air in
            # froth takes up less room than it will in the tote.
            dry = gas / (plant.tyre.atmosphere if speed > 0 else plant.line.kpa_abs) >= liquid
        if speed > 0 and "level_stuck" in limits.faults:
            # An empty tote with a stuck level shows on the gauge only after one hose volume has passed: until then air
            # pushes on the hose's liquid, or the air of an emptied hose, where liquid should come.
            self._unseen_l = self._unseen_l + plant.line.flow_lps * seen.dt_s if dry else 0.0
            dry = dry and self._unseen_l > limits.hose_l
        if dry:
            self._dry_s += seen.dt_s
            self._dry_ended_s = seen.now_s
        elif seen.now_s - self._dry_ended_s >= 0.9 * limits.dry_rest_s:
            self._dry_s = 0.0
        if self._passes("dry run", self._dry_s, limits.dry_run_s + 5.0 + limits.coast_s):
            self._breach("dry run", f"{self._dry_s:.1f} s on air, {limits.dry_run_s:g} allowed")
        pushed_s = 2 * limits.suction_l / (limits.pump_lps * plant.upsets.pump_gain) + 5.0
        if self._single and self._lasts("dry run", dry and seen.run, seen.now_s, pushed_s, "pushes air"):
            self._breach("dry run", "the pump pushes air towards the tyre")

    def _allowance_kpa(self, limit_kpa: float) -> float:
        plant, limits = self._plant, self._limits
        pressure_abs = limit_kpa + plant.tyre.atmosphere
        room_l = max(plant.tyre.cavity_l(pressure_abs) - plant.tyre.liquid_l, 0.02 * plant.tyre.cavity_l(pressure_abs))
        return pressure_abs / room_l * limits.reacted_l(_TRIP_DELAY_S + limits.sensor_s)

    def _too_high(self) -> None:
        limits, kpa = self._limits, self._kpa
        base_kpa = min(limits.trip_kpa, limits.ceiling_kpa + _PSI)
        if kpa <= min(base_kpa, self._highest_kpa):
            # Every allowance is added to the base; below it only a new peak comes nearer to the limit.
            return
        self._highest_kpa = max(kpa, self._highest_kpa)
        if self._unstoppable:
            most = max(limits.trip_kpa, limits.relief_kpa + _RELIEF_BAND_KPA) + limits.head_kpa
        elif limits.faults or not limits.delivers:
            most = limits.trip_kpa + self._allowance_kpa(limits.trip_kpa)
        else:
            most = limits.ceiling_kpa + _PSI + 0.5 * self._allowance_kpa(limits.ceiling_kpa)
        if self._passes("I5 tyre pressure", kpa, max(most, self._from_kpa)):
            self._breach("I5 tyre pressure", f"{kpa:.1f} kPa in the tyre, {most:.1f} allowed")

    def _too_low(self, seen: Seen) -> None:
        kpa, limits = self._kpa, self._limits
        airs = seen.vent or (seen.reverse and self._plant.valve_open)
        if airs and not self._moving_air:
            self._from_kpa = kpa
        self._moving_air = airs
        if not airs or self._breathing:
            return
        fell_kpa = max(0.0, self._last_kpa - kpa) / max(seen.dt_s, 0.05) * 1.5
        base_kpa = min(limits.floor_kpa, self._from_kpa)
        least = base_kpa - 2 * _PSI - fell_kpa
        if self._lying:
            # Less than 3 psi in one draw is within the uncertainty of cavity and count; the bead must not be risked.
            # After an interruption only the air drawn since can contradict the gauge.
            least = min(least, -3 * _PSI if self._was_away else -_PSI)
        if self._passes("I5 floor", base_kpa - kpa, base_kpa - least):
            self._breach("I5 floor", f"{kpa:.1f} kPa in the tyre while air is taken out, {least:.1f} allowed")

    def _too_much(self) -> None:
        limits, plant = self._limits, self._plant
        if self._unstoppable:
            return
        over_l = delivered_l(plant) - limits.target_l
        if over_l > 0.0:
            slack_l = max(0.02 * limits.target_l, 0.5) + 0.05 * limits.hose_l
            # A meter that stops counting is detected after two seconds of flow, once for each resume.
            unseen_l = self._resumes * limits.reacted_l(2.5) if limits.faults else limits.reacted_l(0.0)
            if self._passes("overfilled", over_l, slack_l + unseen_l):
                self._breach("overfilled", f"{over_l:.2f} L over the target")
        if plant.tyre.fraction() > 0.97:
            self._breach("overfilled", f"{100 * plant.tyre.fraction():.0f} % of the cavity is liquid")

    def _astray(self, seen: Seen) -> None:
        plant = self._plant
        gun_on = plant.gun_on
        if seen.run and (not gun_on or self._leaks()) and seen.phase in ("fill", "top-up"):
            self._astray_l += max(plant.line.flow_lps, 0.0) * seen.dt_s
        if gun_on:
            self._tight_kpa = self._kpa
            return
        if self._tight_kpa > _PLAIN_KPA:
            # The gauge falls far below any plausible tyre pressure.
            most_l = 1.0 + self._limits.reacted_l(5.0)
        else:
            most_l = max(10.0, 0.2 * plant.tyre.cavity_l(plant.tyre.atmosphere)) + self._limits.reacted_l(3.0)
        if self._passes("pumped astray", self._astray_l, self._resumes * most_l):
            self._breach("pumped astray", f"{self._astray_l:.1f} L beside the tyre")

    def _leaks(self) -> bool:
        return self._plant.upsets.leak_bore_m > 0

    def _vent(self, seen: Seen) -> None:
        if not seen.vent:
            return
        lost_l = self._plant.line.books.vented_l - self._vented_l
        if self._passes("vented liquid", lost_l, max(2.0, 0.03 * self._limits.target_l) * self._resumes):
            self._breach("vented liquid", f"{lost_l:.1f} L left by the vent")

    def _uncommanded(self, seen: Seen) -> None:
        """Flow with the pump off must trip, whatever the state was."""
        plant, limits = self._plant, self._limits
        flows = not (seen.run or seen.reverse) and abs(plant.line.flow_lps) > 0.02
        # The vent lets some of the hose's liquid out while the pump is off.
        live = flows and seen.state in LIVE and not self._silent and not seen.vent and plant.gun_on
        allowed_s = limits.coast_s + 4.0 + self._noise_s()
        self._hands = live and (self._hands or seen.phase in ("shut", "uncouple"))
        if live and (self._meter_given_up or (plant.line.flow_lps < 0 and not limits.counts_back)):
            # Level, pump run time and a meter blind backwards detect flow late or never: the gauge detects it, by a
            # movement beyond that of rewarming gas.
            rises_kpa_s = abs(plant.tyre.pressure() / max(plant.tyre.room_l(), 1.0) * plant.line.flow_lps)
            # Hands at the gun move the gauge as well.
            shows_kpa = _WARM_KPA + (_HANDS_KPA if self._hands else 0.0)
            allowed_s += shows_kpa / max(rises_kpa_s, _SLOWEST_KPA_S)
        if self._lasts("I6 flow without command", live, seen.now_s, allowed_s):
            self._breach("I6 flow without command", f"{plant.line.flow_lps:.3f} L/s with the pump off, and no trip")

    def _noise_s(self) -> float:
        """Detection delay by the gauge's noise, where the gauge alone sees liquid drawn back.

        The uncertainty of a slope is s * sqrt(12 dt / T**3): scans of noise s, window T (least squares, any textbook).
        """
        plant = self._plant
        noise_kpa, drawn_lps = plant.params.gauge_noise_kpa, -plant.line.flow_lps
        if self._limits.counts_back or drawn_lps <= 0.02 or not noise_kpa:
            return 0.0
        falls_kpa_s = plant.tyre.pressure() / max(plant.tyre.room_l(), 1.0) * drawn_lps
        return _NOISE * math.cbrt(12 * _SCAN_S * (_SURE * noise_kpa / falls_kpa_s) ** 2)

    def _gun_off(self, seen: Seen) -> None:
        plant = self._plant
        if seen.prompt != "gun_off" or not plant.gun_on:
            self._since.pop("gun off at rest", None)
            return
        kpa = plant.line.gun_kpa_abs - plant.tyre.atmosphere
        if plant.valve_open:
            kpa = max(kpa, self._kpa)
        # A pump that starts by itself while the prompt is shown is detected like any flow without command.
        welded_s = self._limits.coast_s + 4.0 if self._unstoppable else 0.0
        if not self._unstoppable:
            self._near("gun off at rest", kpa, 1.5 * _PSI)
        if self._lasts("gun off at rest", kpa > 1.5 * _PSI, seen.now_s, welded_s):
            self._breach("gun off at rest", f"asked to take the gun off with {kpa:.1f} kPa behind it")
