"""A plant with the values that recorded fills show of a shop's own rig, for a trainee to meet its faults on."""

from __future__ import annotations

from pathlib import Path

from rig.ledger.black_box import fills_in
from rig.run.fit_gauge import water_loss_kpa
from rig.run.fit_tracks import Track, tracks_of
from rig.run.fit_values import Value, values_of
from rig.run.fitting import Learned, learn
from rig.run.settings import Settings
from sim.table import sim_of

_EARLIER = 5
"""Most fills before the one asked for that are fitted with it."""
_SLIM = 8.0
"""Length of a valve's bore over its diameter, as the rig computes its loss."""
_MOST_GROWTH = 0.005
_FAULT_OF = {
    "air_pumped": "air_in_line", "air_stays": "valve_stuck_shut", "bead_lost": "bead_loss", "bus_late": "bus_slow",
    "emergency_stop": "estop", "field_lost": "bus_silent", "flow_too_high": "meter_double",
    "flow_while_stopped": "pump_welded", "gauge_stuck": "pressure_stuck", "insert_not_seated": "insert_not_seated",
    "liquid_in_vent": "liquid_in_vent", "meter_jumped": "meter_reset", "moves_while_off": "leak",
    "no_flow": "meter_dead", "no_rise": "hose_off", "off_unconfirmed": "write_ignored",
    "output_not_obeyed": "write_ignored",
    "output_timeout_lost": "device_restart", "pressure_high": "pressure_high", "reverse_flow": "reverse_welded",
    "suction_dry": "tote_empty", "tote_empty": "tote_empty", "valve_blocked": "blocked",
}  # fmt: skip
"""A fault that may raise an alarm, by the alarm's name; other faults may, too."""


def as_recorded(settings: Settings, asked: str, records: Path | None = None) -> tuple[Settings, list[str]]:
    """The settings with what the fill ``asked`` for, and those before it, show; and what was taken over, in words.

    ``records`` is the rig's folder, by default the configuration's. For the simulator alone: the controller's
    configuration stays as it is. BoxError if the fill was not recorded, Refused if its fills do not tell enough.
    """
    from rig.cli.replaying import parts_asked

    folder = Path(settings.rig.data) if records is None else records
    fill_id, parts = parts_asked(folder, asked)
    before = [name for name in fills_in(folder) if name < fill_id][-_EARLIER:]
    own = tracks_of(parts)
    tracks = [track for name in before for track in tracks_of(fills_in(folder)[name])] + own
    learned = learn(tracks)
    values = [each for each in values_of(learned) if not each.why_not and each.value is not None]
    changed = _changed(settings, learned, fill_id, {each.name: each for each in values})
    words = [f"the plant is as recorded in {', '.join([*before, fill_id])}; tyre and valve as in {fill_id}"]
    words += [f"  {each.name}: {each.value:.4g} {each.unit}".rstrip() for each in values if each.key]
    return changed, words + _hints(own)


def _changed(settings: Settings, learned: Learned, fill_id: str, values: dict[str, Value]) -> Settings:
    """The settings with the values that are known; the tyre is that of the fill."""
    drive, setup = learned.drive, learned.setup
    line, cavity = setup.line, values.get(f"cavity of {fill_id}")
    cavity_l = setup.cavity.volume_l if cavity is None or cavity.value is None else cavity.value
    pump: dict[str, object] = {"flow": drive.flow} if "pump flow" in values else {}
    pump |= {"slip": drive.slip} if "slip" in values else {}
    sim: dict[str, object] = {
        "cavity": cavity_l, "valve_bore": line.bore_m, "valve_length": _SLIM * line.bore_m,
        "discharge": line.discharge, "existing": min(setup.existing_l, 0.9 * cavity_l),
    }  # fmt: skip
    if {"start", "coast"} <= values.keys():
        pump |= {"start_lag": drive.lag, "coast": drive.coast}
        sim["relay_delay"] = drive.dead
    pipe: dict[str, object] = {"hose_length": line.hose_length_m, "hose_bore": line.hose_bore_m}
    if "hose loss, water" in values and learned.hose_kpa:
        # Method of equivalent lengths, as the rig itself has a measured loss.
        pipe["hose_length"] = line.hose_length_m * learned.hose_kpa / water_loss_kpa(line, drive.flow)
    if "gauge lag" in values:
        sim["sensor_lag"] = drive.gauge_lag
    if "gauge noise" in values:
        sim["gauge_noise"] = values["gauge noise"].value
    growth = values.get("growth per psi")
    if growth is not None and growth.value is not None:
        sim["growth"] = min(growth.value, _MOST_GROWTH)
    return settings.model_copy(
        update={
            "pump": settings.pump.model_copy(update=pump),
            "pipe": settings.pipe.model_copy(update=pipe),
            "sim": sim_of(settings).model_copy(update=sim),
        }
    )


def _hints(tracks: list[Track]) -> list[str]:
    """How to meet the alarms of a fill again."""
    found = []
    for track in tracks:
        for at_s, alarm in track.alarms:
            began_s = track.t_s[0] if track.t_s else at_s
            fault = _FAULT_OF.get(alarm)
            if fault is not None:
                found.append(f"  it had the alarm {alarm}: --fault {fault}@{max(at_s - began_s, 1.0):.0f} may raise it")
    return found
