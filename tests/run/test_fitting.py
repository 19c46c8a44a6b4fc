"""`rig fit` on recorded fills of a plant unlike its configuration: every fitted value against the plant's own."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from virtual_fills import fill_of, rig_settings

from rig.cli.commands import main
from rig.control.words.values import Setup
from rig.ledger.black_box import FOLDER_NAME
from rig.run.assembly import Question
from rig.run.fit_tracks import Track, strokes_of, tracks_of
from rig.run.fit_values import checked, values_of
from rig.run.fitting import Learned, learn
from rig.run.refused import Refused
from rig.run.settings import Settings
from sim.__main__ import main as sim_main
from sim.as_recorded import as_recorded
from sim.assembly import plant_params
from sim.faults import FAULTS, read_fault
from sim.plant.laws import HoseLoss, ShortBore
from sim.table import with_sim
from sim.taping import FileTape
from sim.virtual import VirtualRig

# Many whole fills in virtual time: CI runs them on compiled code.
pytestmark = pytest.mark.full

FILLS = {"fill-1": "11L-15", "fill-2": "16.9-28", "fill-3": "14.9-24", "fill-4": "12.4-24"}
FLOW, SLIP, DEAD_S, START_S, COAST_S = 0.6, 0.0006, 0.05, 0.4, 1.4
"""Truths of the plant: 10 % less flow and half more slip than configured, slower to start and to stop."""
NOISE_KPA, LAG_S, FITTINGS_KPA, GROWTH = 0.4, 0.4, 20.0, 0.001
BORE_M = 0.008
USUAL = {"tote__content": "2500 L", "tote__fluid": "water"}


def unlike(seed: int, fault: str = "", fluid: str = "water") -> tuple[Settings, list[str]]:
    """The settings of the plant."""
    plant = rig_settings(
        **USUAL | {"tote__fluid": fluid}, pump__flow=f"{60 * FLOW} L/min", pump__slip=SLIP,
        pump__start_lag=f"{START_S} s", pump__coast=f"{COAST_S} s",
        sim__relay_delay=f"{DEAD_S} s", sim__gauge_noise=f"{NOISE_KPA} kPa",
        sim__sensor_lag=f"{LAG_S} s", sim__fittings_loss=f"{FITTINGS_KPA} kPa", sim__valve_length=f"{8 * BORE_M} m",
        sim__growth=GROWTH, sim__seed=seed,
    )  # fmt: skip
    return plant, [fault] if fault else []


def recorded(
    folder: Path, fill_id: str, size: str, seed: int, fault: str = "", most_s: float = 3600, fluid: str = "water"
) -> FileTape:
    """A fill by a controller that is configured as the demonstration, on the unlike plant."""
    fill = fill_of(rig_settings(**USUAL | {"tote__fluid": fluid}), Question(size))
    plant, faults = unlike(seed, fault, fluid)
    fill.rig = VirtualRig(with_sim(plant, size=size), [read_fault(text) for text in faults])
    fill.setup = replace(fill.setup, fill_id=fill_id)
    tape = FileTape(folder / FOLDER_NAME, fill.setup)
    fill.tape = tape
    fill.run(most_s)
    tape.close()
    return tape


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a rig that has filled four wheels."""
    folder = tmp_path_factory.mktemp("rig")
    for seed, (fill_id, size) in enumerate(FILLS.items(), start=21):
        recorded(folder / "rig-data", fill_id, size, seed)
    return folder


@pytest.fixture(scope="module")
def tracks(rig: Path) -> list[Track]:
    boxes = rig / "rig-data" / FOLDER_NAME
    return [track for fill_id in FILLS for track in tracks_of([boxes / f"{fill_id}.1.box.gz"])]


@pytest.fixture(scope="module")
def learned(tracks: list[Track]) -> Learned:
    return learn(tracks)


def line_loss_kpa(setup: Setup, lps: float) -> float:
    """What the plant's hose, fittings and bore lose, by the simulator's own laws."""
    line = setup.line
    fluid = line.density_kg_m3, line.viscosity_mpas
    hose = HoseLoss(line.hose_length_m, line.hose_bore_m, *fluid).drop_kpa(lps)
    bore = ShortBore(BORE_M, 8 * BORE_M, 0.7, *fluid).drop_kpa(lps)
    return hose + bore + FITTINGS_KPA * line.density_kg_m3 / 1000 * (lps / FLOW) ** 2


@dataclass(frozen=True)
class Truth:
    value: float
    within: float
    """Greatest error, whatever the stated uncertainty."""


def truths(learned: Learned, tracks: list[Track]) -> dict[str, Truth]:
    found = {
        "pump flow": Truth(FLOW, 0.005 * FLOW),
        "slip": Truth(SLIP, 2e-5),
        "start": Truth(DEAD_S + START_S, 0.05),
        "coast": Truth(DEAD_S + COAST_S, 0.05),
        "gauge lag": Truth(LAG_S, 0.03),
        "gauge noise": Truth(NOISE_KPA, 0.03),
        "line loss": Truth(line_loss_kpa(learned.setup, learned.at_lps), 2.0),
        "growth per psi": Truth(GROWTH, 0.0008),
    }
    for track in tracks:
        litres = track.setup.cavity.volume_l
        found[f"cavity of {track.fill_id}"] = Truth(litres, 0.03 * litres)
    return found


def test_every_value_is_within_its_uncertainty_of_the_plant_s(learned: Learned, tracks: list[Track]) -> None:
    values, true = {each.name: each for each in values_of(learned)}, truths(learned, tracks)
    assert values.keys() == true.keys() | {"hose loss, water"}
    for name, truth in true.items():
        value = values[name]
        assert value.value is not None
        assert value.u95 is not None
        error = value.value - truth.value
        print(f"{name}: {value.value:.5g} ± {value.u95:.2g}, true {truth.value:.5g}, error {error:+.2g}")
        assert abs(error) <= value.u95, name
        assert abs(error) <= truth.within, name
        assert value.u95 < 2 * truth.within, name
        assert not value.why_not, name
    # The loss with water at the pump's flow is that at the strokes' flow, carried on by the law of a smooth hose.
    hose = values["hose loss, water"]
    assert hose.configured is not None
    assert hose.value == pytest.approx(hose.configured + FITTINGS_KPA, abs=2.0)


def test_fills_that_were_held_out_are_predicted_better_by_far(tracks: list[Track]) -> None:
    found, out = checked(tracks)
    assert out == ["fill-4"]
    assert [each.name for each in found] == ["litres of a stroke", "litres after the off", "gauge around the off"]
    for each in found:
        print(f"{each.name}: {each.configured:.3g} as configured, {each.fitted:.3g} {each.unit} as fitted")
        assert each.fitted < each.configured / 5
    assert checked(tracks[:1]) == ([], [])


def test_what_the_fills_do_not_tell_is_not_proposed(tracks: list[Track]) -> None:
    behind = [replaced(track, cuts_gauge_off=True) for track in tracks[:2]]
    values = {each.key or each.name: each for each in values_of(learn(behind))}
    for key in ("pipe.hose_loss", "points.line_pressure.lag"):
        assert values[key].value is None
        assert "shuts the gauge off" in values[key].why_not
    assert values["growth per psi"].value is None
    assert values["pump.flow"].value == pytest.approx(FLOW, rel=0.01)
    # One fill of six strokes tells the pump, and hardly the casing.
    one = {each.name: each for each in values_of(learn(tracks[1:2]))}
    assert not one["pump flow"].why_not
    assert one["growth per psi"].u95 is not None
    assert one["growth per psi"].u95 > 0.0005
    assert "well enough" in one["growth per psi"].why_not


def test_a_gauge_without_noise_gets_none_proposed(learned: Learned) -> None:
    quiet = {each.name: each for each in values_of(replace(learned, noise=(0.001, 0.0001, 500)))}
    assert "next to none" in quiet["gauge noise"].why_not
    few = {each.name: each for each in values_of(replace(learned, noise=None))}
    assert few["gauge noise"].value is None


def replaced(track: Track, **changes: object) -> Track:
    return replace(track, setup=replace_setup(track.setup, **changes))


def replace_setup(setup: Setup, **changes: object) -> Setup:
    return replace(setup, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda track: replaced(track, by_hand=True), "a person moved the pump's lever"),
        (lambda track: replaced(track, meter=replace(track.setup.meter, kind="run time")), "were not metered"),
        (lambda track: replace(track, commands=track.commands[:6]), "usable strokes of the pump in these fills"),
        (lambda track: replace(track, t_s=[]), "no scan in these recordings"),
    ],
)
def test_fills_that_cannot_be_fitted_are_refused(
    tracks: list[Track], change: Callable[[Track], Track], words: str
) -> None:
    with pytest.raises(Refused, match=words):
        learn([change(tracks[0])])


def test_a_stroke_with_an_alarm_or_gas_in_the_line_is_left_out(tracks: list[Track]) -> None:
    strokes = strokes_of(tracks[0])
    alarmed = replace(tracks[0], alarms=[(strokes[1].on_s + 1.0, "no_flow")])
    assert [each.on_s for each in strokes_of(alarmed)] == [each.on_s for n, each in enumerate(strokes) if n != 1]
    dry = strokes_of(replaced(tracks[0], hose_air_l=3.9))
    assert not dry[0].starts
    assert tracks[0].litres[dry[0].first] >= 1.2 * 3.9
    assert any(each.starts for each in dry)


def test_a_pump_that_works_against_its_relief_valve_tells_its_times(tmp_path: Path) -> None:
    for seed, size in ((41, "11L-15"), (42, "14.9-24")):
        recorded(tmp_path, f"fill-{seed}", size, seed, fluid="beet")
    viscous = [each for n in (41, 42) for each in tracks_of([tmp_path / FOLDER_NAME / f"fill-{n}.1.box.gz"])]
    assert sum(each.relieved for track in viscous for each in strokes_of(track)) > 5
    values = {each.name: each for each in values_of(learn(viscous))}
    true = {"pump flow": FLOW, "slip": SLIP, "start": DEAD_S + START_S, "coast": DEAD_S + COAST_S, "gauge lag": LAG_S}
    for name, truth in true.items():
        value = values[name]
        assert value.value is not None
        assert value.u95 is not None
        print(f"{name}: {value.value:.5g} ± {value.u95:.2g}, true {truth:.5g}")
        assert abs(value.value - truth) <= value.u95, name
        assert value.u95 < 0.5 * truth, name


def said(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(words) == status
    shown = capsys.readouterr()
    return shown.out + shown.err


def test_the_command_proposes_lines_and_writes_nothing(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(rig)
    before = {path: path.read_bytes() for path in rig.rglob("*") if path.is_file()}
    document = json.loads(said(capsys, "fit", "--from", "fill-1", "fill-3", "--json"))
    assert (document["fills"], document["held_out"]) == (["fill-1", "fill-3"], ["fill-3"])
    flow = next(each for each in document["values"] if each["key"] == "pump.flow")
    assert flow["value"] == pytest.approx(FLOW, rel=0.01)
    assert flow["configured"] == pytest.approx(40 / 60)
    assert (flow["unit"], flow["proposed"]) == ("L/s", True)
    assert 0 < flow["u95"] < 0.01
    assert {each["name"] for each in document["check"]} == {
        "litres of a stroke", "litres after the off", "gauge around the off",
    }  # fmt: skip
    assert "[pump]" in document["toml"]
    text = said(capsys, "fit", "--from", "fill-2")
    assert "No check: one fill" in text
    assert "not proposed" in text
    assert {path: path.read_bytes() for path in rig.rglob("*") if path.is_file()} == before


def test_the_proposed_lines_are_a_configuration(
    rig: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import tomllib

    monkeypatch.chdir(rig)
    text = said(capsys, "fit", "--from", "fill-1", "fill-3", "--toml")
    proposed = tomllib.loads(text)
    assert proposed.keys() == {"pump", "pipe"}
    assert '# in points.line_pressure: lag = "0.' in text
    whole = rig_settings(
        **{f"{table}__{key}": value for table, keys in proposed.items() for key, value in keys.items()}
    )
    assert whole.pump.flow == pytest.approx(FLOW, rel=0.01)
    assert whole.pump.coast == pytest.approx(DEAD_S + COAST_S, abs=0.1)


def test_what_was_not_recorded_and_what_is_not_installed_are_told(
    rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(rig)
    assert "nothing was recorded of fill 'none'" in said(capsys, "fit", "--from", "none", status=3)
    monkeypatch.setitem(sys.modules, "scipy.optimize", None)
    assert "ballast-rig[fit]" in said(capsys, "fit", "--from", "fill-1", status=3)
    monkeypatch.chdir(tmp_path)
    assert "nothing was recorded in rig-data yet" in said(capsys, "fit", status=3)


def test_a_plant_as_recorded_is_the_plant_that_was_recorded(rig: Path) -> None:
    settings, words = as_recorded(rig_settings(**USUAL), "fill-3", rig / "rig-data")
    assert words[0].startswith("the plant is as recorded in fill-1, fill-2, fill-3")
    plant = plant_params(settings)
    pump = plant.pump
    assert pump.flow_lps == pytest.approx(FLOW, rel=0.005)
    assert pump.slip_lps_per_kpa == pytest.approx(SLIP, abs=2e-5)
    assert pump.relay_delay_s + pump.start_lag_s == pytest.approx(DEAD_S + START_S, abs=0.05)
    assert pump.relay_delay_s + pump.coast_s == pytest.approx(DEAD_S + COAST_S, abs=0.05)
    assert plant.gauge_noise_kpa == pytest.approx(NOISE_KPA, abs=0.03)
    assert plant.sensor_lag_s == pytest.approx(LAG_S, abs=0.03)
    lps, fluid = 0.5, (plant.fluid.density_kg_m3, plant.fluid.viscosity_mpas)
    loss = HoseLoss(plant.pipe.length_m, plant.pipe.bore_m, *fluid).drop_kpa(lps)
    loss += ShortBore(plant.tyre.bore_m, plant.tyre.bore_length_m, plant.tyre.discharge, *fluid).drop_kpa(lps)
    track = tracks_of([rig / "rig-data" / FOLDER_NAME / "fill-3.1.box.gz"])[0]
    assert loss == pytest.approx(line_loss_kpa(track.setup, lps), abs=2.0)
    assert plant.tyre.cavity_l == pytest.approx(track.setup.cavity.volume_l, rel=0.03)


def test_the_fault_of_a_recorded_fill_is_offered(rig: Path, tmp_path: Path) -> None:
    recorded(tmp_path / "rig-data", "fill-1", "14.9-24", 31)
    recorded(tmp_path / "rig-data", "fill-2", "14.9-24", 32, "meter_dead@60", most_s=200)
    settings = rig_settings(**USUAL, rig__data=str(tmp_path / "rig-data"))
    _, words = as_recorded(settings, "fill-2")
    hints = [line for line in words if "--fault" in line]
    assert hints[0].startswith("  it had the alarm no_flow: --fault meter_dead@")
    name, _, seconds = hints[0].split("--fault ")[1].split()[0].partition("@")
    assert name in FAULTS
    assert 55 < float(seconds) < 75


def test_a_plant_as_recorded_nowhere_is_refused(rig: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "rig.toml"
    text = (Path(__file__).parents[2] / "config" / "demo.toml").read_text(encoding="utf-8")
    config.write_text(text, encoding="utf-8")
    assert sim_main(["serve", "--config", str(config), "--as-recorded", "none"]) == 2
    assert "nothing was recorded of fill 'none'" in capsys.readouterr().err
