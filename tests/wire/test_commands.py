"""The command line as its user runs it: real processes, real Modbus TCP, real disk, real signals."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from processes import (
    PATIENCE_S,
    ROOT,
    answer_prompts,
    command,
    configuration,
    ends_within,
    serving,
    started,
    wait_for_phase,
)

from rig.books.compare import matched
from rig.run.assembly import Question
from rig.run.settings import load_settings

FILL = ("fill", "--config", "rig.toml", "--size", "11L-15", "--unattended", "--json")
RECORD_KEYS = {
    "fill_id", "outcome", "first_out", "size", "fluid", "target_l", "net_l", "forward_l", "returned_l",
    "hose_change_l", "net_basis", "mass_kg", "strokes", "peak_pressure_kpa", "lowest_pressure_kpa",
    "final_static_kpa", "vented_l", "spilled_l", "unattended_l", "net_u_l", "pulses", "k_per_l", "meter_factor",
    "fluid_c", "ctl", "existing_l", "measured_cavity_l", "measured_cavity_u_l", "atm_kpa", "valve_at", "position",
    "by", "started_at", "ended_at", "flags",
}  # fmt: skip


@pytest.mark.parametrize(
    ("layout", "size"), [("vent", "11L-15"), pytest.param("draw-down", "26x12-12", marks=pytest.mark.full)]
)
def test_the_demonstration_fills_a_wheel_over_the_wire(tmp_path: Path, layout: str, size: str) -> None:
    done = command(tmp_path, "demo", "--size", size, "--layout", layout, "--speed", "60", "--json")
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    truth = json.loads((tmp_path / "rig-data" / "truth.json").read_text(encoding="utf-8"))
    assert set(record) >= RECORD_KEYS
    assert record["outcome"] == "complete"
    assert abs(record["net_l"] - truth["delivered_l"]) <= max(0.005 * record["target_l"], 0.2)
    assert truth["peak_tyre_kpa"] <= 137.9 + 6.9
    assert truth["both_relays_s"] == 0
    assert not truth["pump_on"]
    listed = command(tmp_path, "ledger", "list", "--json")
    assert json.loads(listed.stdout)[0]["fill_id"] == record["fill_id"]


@pytest.mark.full
def test_ctrl_c_at_a_terminal_stops_the_demonstration_s_fill_and_not_its_rig(tmp_path: Path) -> None:
    """A terminal sends it to every process in the foreground: the simulated rig ended, and no off was acknowledged."""
    arguments = [sys.executable, "-m", "rig.cli", "demo", "--size", "16.9-28", "--json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        arguments, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    wait_for_phase(tmp_path, process, "fill")
    os.killpg(process.pid, signal.SIGINT)
    shown, said = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 4, said
    assert json.loads(shown)["outcome"] == "stopped"
    assert "CANNOT BE SWITCHED OFF" not in said


@pytest.mark.full
def test_plain_text_shows_progress_and_a_ticket(tmp_path: Path) -> None:
    done = command(tmp_path, "demo", "--size", "11L-15", "--speed", "60")
    assert done.returncode == 0, done.stderr
    for words in ("IN THE TYRE", "SIMULATED", "not from a type-approved", "air up"):
        assert words in done.stdout
    assert re.search(r"fill +in the tyre +\d+\.\d of \d+\.\d L .* gal\) +flow .* tyre .* left \d+:\d\d", done.stderr)


@pytest.mark.full
@pytest.mark.parametrize(
    ("layout", "phase"),
    [
        pytest.param("vent", "running", marks=pytest.mark.release),
        pytest.param("vent", "settle", marks=pytest.mark.release),
        ("vent", "fill"),
        pytest.param("vent", "vent", marks=pytest.mark.release),
        pytest.param("vent", "back-flush", marks=pytest.mark.release),
        ("draw-down", "draw-down"),
    ],
)
def test_kill_in_any_step_keeps_the_count_and_can_go_on(tmp_path: Path, layout: str, phase: str) -> None:
    with serving(tmp_path, layout, scale="20") as rig:
        with started(tmp_path, *FILL) as process:
            wait_for_phase(tmp_path, process, phase)
            process.send_signal(signal.SIGKILL)
            process.wait()
        again = command(tmp_path, *FILL)
        assert again.returncode == 3
        match = re.search(r"rig resume (\S+) ", again.stderr)
        assert match is not None, again.stderr
        assert rig.off()
        resumed = command(tmp_path, "resume", match[1], "--unattended", "--json", "--config", "rig.toml")
        truth = rig.stop()
    record = json.loads(resumed.stdout)
    assert record["outcome"] == "complete", resumed.stderr
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
    assert "interrupted" in record["flags"]


@pytest.mark.full
def test_closed_after_a_kill_without_a_watchdog_the_record_has_what_the_pump_moved_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pump runs on until somebody closes the fill: outputs off first, then the count, the rest and the record."""
    with serving(tmp_path, scale="20", size='"16.9-28"') as rig:
        named = re.compile(r"(?m)^(output_timeout|timeout_proven_on) *=.*\n")
        plain = named.sub("", rig.config.read_text(encoding="utf-8"))
        assert "output_timeout = {" not in plain
        rig.config.write_text(plain, encoding="utf-8")
        whole = ("fill", "--config", "rig.toml", "--size", "16.9-28", "--unattended", "--json")
        with started(tmp_path, *whole) as process:
            wait_for_phase(tmp_path, process, "fill")
            # The journal has the start before the relay has.
            while not rig.truth()["pump_on"]:
                assert not ends_within(process, 0.02)
            process.send_signal(signal.SIGKILL)
            process.wait()
        left_l = rig.truth()["delivered_l"]
        while rig.truth()["delivered_l"] < left_l + 2.0:
            assert not ends_within(rig.process, 0.02)
        fill_id = json.loads(command(tmp_path, "ledger", "list", "--json", "--config", "rig.toml").stdout)[0]["fill_id"]
        closed = command(tmp_path, "close", fill_id, "--json", "--config", "rig.toml")
        assert rig.off()
        truth = rig.stop()
    record = json.loads(closed.stdout)
    assert closed.returncode == 4, closed.stderr
    assert record["unattended_l"] > 1.0
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=record["net_u_l"] + 0.05)
    left_kpa = record["final_static_kpa"]
    assert left_kpa is None or left_kpa == pytest.approx(truth["tyre_kpa"], abs=3.0)
    monkeypatch.chdir(tmp_path)
    assert record["delivery"] == "known"
    twin = matched(load_settings(rig.config), fill_id, Question("16.9-28"))
    assert twin.wanted.volume_l == pytest.approx(truth["delivered_l"], abs=record["net_u_l"] + 0.05)


@pytest.mark.full
@pytest.mark.parametrize(("prompt", "step"), [("insert back", "shut"), ("gun off.", "uncouple")])
def test_kill_while_a_prompt_waits(tmp_path: Path, prompt: str, step: str) -> None:
    attended = [word for word in FILL if word != "--unattended"]
    with serving(tmp_path) as rig:
        with started(tmp_path, *attended) as process:
            answer_prompts(process, until=prompt)
            process.send_signal(signal.SIGKILL)
            process.wait()
        again = command(tmp_path, *FILL)
        assert f"interrupted in step '{step}'" in again.stderr
        match = re.search(r"rig resume (\S+) ", again.stderr)
        assert match is not None
        resumed = command(tmp_path, "resume", match[1], "--unattended", "--json", "--config", "rig.toml")
        truth = rig.stop()
    record = json.loads(resumed.stdout)
    assert record["outcome"] == "complete", resumed.stderr
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)


def test_an_interrupted_fill_can_be_closed_as_it_is_with_the_rig_gone(tmp_path: Path) -> None:
    with serving(tmp_path) as rig, started(tmp_path, *FILL) as process:
        wait_for_phase(tmp_path, process, "vent")
        process.send_signal(signal.SIGKILL)
        process.wait()
        truth = rig.stop()
    fill_id = json.loads(command(tmp_path, "ledger", "list", "--json", "--config", "rig.toml").stdout)[0]["fill_id"]
    closed = command(tmp_path, "close", fill_id, "--json", "--config", "rig.toml")
    assert closed.returncode == 4
    record = json.loads(closed.stdout)
    assert record["outcome"] == "stopped"
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
    assert command(tmp_path, "close", fill_id, "--config", "rig.toml").returncode == 3


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.full)])
def test_a_stop_signal_switches_off_and_records(tmp_path: Path, number: signal.Signals) -> None:
    with serving(tmp_path, scale="20") as rig, started(tmp_path, *FILL) as process:
        wait_for_phase(tmp_path, process, "fill")
        process.send_signal(number)
        output, _ = process.communicate(timeout=PATIENCE_S)
        truth = rig.stop()
    assert process.returncode == 4
    record = json.loads(output)
    assert record["outcome"] == "stopped"
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.2)
    assert not truth["pump_on"]


@pytest.mark.full
def test_a_field_that_goes_away_aborts_the_fill(tmp_path: Path) -> None:
    with serving(tmp_path, scale="20") as rig, started(tmp_path, *FILL) as process:
        wait_for_phase(tmp_path, process, "fill")
        rig.process.kill()
        output, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 4
    record = json.loads(output)
    assert record["first_out"] == "field_lost"
    assert record["net_basis"] == "estimated"


@pytest.mark.full
def test_a_second_controller_is_refused(tmp_path: Path) -> None:
    with serving(tmp_path, scale="5"), started(tmp_path, *FILL) as process:
        wait_for_phase(tmp_path, process, "fill")
        second = command(tmp_path, *FILL)
        assert second.returncode == 3
        assert str(process.pid) in second.stderr


def test_a_person_at_the_terminal_answers_every_prompt(tmp_path: Path) -> None:
    attended = [word for word in FILL if word != "--unattended"]
    with serving(tmp_path) as rig, started(tmp_path, *attended) as process:
        questions = answer_prompts(process)
        output, _ = process.communicate(timeout=PATIENCE_S)
        truth = rig.stop()
    assert process.returncode == 0
    record = json.loads(output)
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
    for words in ("Eye protection", "two supports", "12 o'clock", "Ready.", "insert back", "gun off"):
        assert any(words in question for question in questions), words
    assert {check["scope"] for check in record["confirmed"]} == {"shift", "machine", "wheel"}


def test_leaving_the_ready_check_moves_nothing(tmp_path: Path) -> None:
    with serving(tmp_path) as rig:
        attended = [word for word in FILL if word != "--unattended"]
        done = command(tmp_path, *attended, typed="n\n")
        truth = rig.stop()
    assert done.returncode == 3
    assert truth["delivered_l"] == 0
    assert "nothing has moved" in done.stderr


@pytest.mark.parametrize(
    ("change", "arguments", "status", "words"),
    [
        ({}, ("target", "banana"), 2, "no tyre size"),
        ({}, ("fill", "--config", "missing.toml", "--size", "11L-15"), 2, "cannot be read"),
        ({"scan": "0.1 s"}, ("check", "--config", "rig.toml"), 2, "not TOML"),
        ({"flow": '"40 furlongs"'}, ("check", "--config", "rig.toml"), 2, "pump.flow"),
        ({}, ("target", "16.9-28", "--temp", "20"), 2, "has no unit"),
        ({}, ("target", "16.9-28", "--valve-at", "14"), 2, "clock position"),
        ({}, ("target", "16.9-28", "--fill", "lots"), 2, "percentage"),
        ({}, ("target", "16.9-28", "--fluid", "soup"), 2, "soup"),
        ({}, ("target", "16.9-28", "--valve", "cork"), 2, "cork"),
        ({"port": "9"}, (*FILL,), 5, "127.0.0.1:9"),
        ({"simulated": "false", "scale": "1"}, (*FILL,), 2, "only a simulated rig"),
        ({}, ("close", "F1", "--config", "rig.toml"), 3, "F1"),
    ],
)
def test_bad_input_gives_one_clear_text_and_its_status(
    tmp_path: Path, change: dict[str, str], arguments: tuple[str, ...], status: int, words: str
) -> None:
    configuration(tmp_path, **change)
    done = command(tmp_path, *arguments)
    assert done.returncode == status
    assert words in done.stderr
    # A live look shows what it could not read, all the same.
    assert ("NOT READ" in done.stdout) if "--live" in arguments else done.stdout == ""
    assert "Traceback" not in done.stderr


def test_a_live_check_of_a_rig_that_is_away_shows_every_point_as_not_read(tmp_path: Path) -> None:
    configuration(tmp_path, port="9")
    done = command(tmp_path, "check", "--live", "--config", "rig.toml")
    assert done.returncode == 5
    assert "127.0.0.1:9" in done.stderr
    assert "NOT READ: io: nothing answers at 127.0.0.1:9" in done.stdout
    assert "Traceback" not in done.stderr


def test_a_register_that_the_device_does_not_have_is_told(tmp_path: Path) -> None:
    with serving(tmp_path) as rig:
        text = rig.config.read_text(encoding="utf-8")
        moved = text.replace('table = "input", address = 0', 'table = "input", address = 900')
        assert moved != text
        rig.config.write_text(moved, encoding="utf-8")
        done = command(tmp_path, *FILL)
    assert done.returncode == 5
    assert "900" in done.stderr


def test_unattended_is_refused_on_a_real_rig(tmp_path: Path) -> None:
    configuration(tmp_path, simulated="false", scale="1")
    text = (tmp_path / "rig.toml").read_text(encoding="utf-8")
    text = "\n".join(line for line in text.splitlines() if not line.startswith(("hand_", "plant_clock", "vessel_")))
    (tmp_path / "rig.toml").write_text(text, encoding="utf-8")
    done = command(tmp_path, *FILL)
    assert done.returncode == 3
    assert "rig.unattended" in done.stderr


def test_usage_errors_have_their_status(tmp_path: Path) -> None:
    assert command(tmp_path, "fill").returncode == 2
    assert command(tmp_path, "nonsense").returncode == 2
    assert command(tmp_path, "--help").returncode == 0


@pytest.mark.full
def test_a_fluid_of_the_shop_s_own_goes_through_to_the_record(tmp_path: Path) -> None:
    own = (
        '\n[fluids.house]\nfreeze = "-20 degC"\npoints = [\n'
        '  { temperature = "0 degC", density = "1200 kg/m^3", viscosity = "30 mPa*s" },\n'
        '  { temperature = "30 degC", density = "1190 kg/m^3", viscosity = "10 mPa*s" },\n]\n'
    )
    with serving(tmp_path, extra=own, fluid='"house"') as rig:
        options = ("--tubeless", "--coldest", "-10 degC", "--margin", "2 cm")
        done = command(tmp_path, *FILL, *options)
        truth = rig.stop()
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    assert record["fluid"] == "house"
    # Straight line between the table's rows at 15 degC.
    assert record["mass_kg"] == pytest.approx(record["net_l"] * 1.195, rel=2e-3)
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)


@pytest.mark.full
def test_the_record_tells_the_mix_in_the_wheel_from_what_came(tmp_path: Path) -> None:
    with serving(tmp_path, fluid='"cacl2:20%"') as rig:
        done = command(tmp_path, *FILL, "--holds", "8 L", "--holds-fluid", "water")
        rig.stop()
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    # By hand: 20 % brine weighs 1.181 kg/L at 15 C, water 0.999.
    brine_kg, water_kg = record["net_l"] * 1.181, 8 * 0.999
    share = 0.2 * brine_kg / (brine_kg + water_kg)
    assert record["fluid_mass_kg"] == pytest.approx(brine_kg, rel=2e-3)
    assert record["mass_kg"] == pytest.approx(brine_kg + water_kg, rel=2e-3)
    assert record["mix"] == f"cacl2:{100 * share:.1f}%"
    # Melinder's table for calcium chloride: 14 % freezes at -9.77 C, 19 % at -16.66 C.
    assert record["freeze_c"] == pytest.approx(-9.77 - (share - 0.14) / 0.05 * 6.89, abs=0.5)
    assert record["fluid_freeze_c"] == pytest.approx(-18.3, abs=0.1)
    assert record["existing_fluid"] == "water"


@pytest.mark.full
def test_a_taught_wheel_of_the_shop_is_filled_by_its_name(tmp_path: Path) -> None:
    own = '\n[wheels.front]\nsize = "11L-15"\ntook = "48 L"\n'
    with serving(tmp_path, extra=own) as rig:
        done = command(tmp_path, "fill", "--config", "rig.toml", "--wheel", "front", "--unattended", "--json")
        truth = rig.stop()
        asked = command(tmp_path, "target", "--config", "rig.toml", "--wheel", "front", "--json")
        missing = command(tmp_path, "target", "--config", "rig.toml", "--wheel", "frnt")
    assert done.returncode == 0, done.stderr
    record, target = json.loads(done.stdout), json.loads(asked.stdout)
    assert target["cavity_basis"] == record["cavity_basis"] == "taught"
    assert target["target_l"] == pytest.approx(48, abs=0.02)
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
    assert missing.returncode == 2
    assert "did you mean 'front'" in missing.stderr
