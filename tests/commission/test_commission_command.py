"""`rig commission` as a command: piped answers, exit status, the result as JSON, the sheet as PDF; and a first fill."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
from commissioned import RIGS, commissioned, hidden_rig
from processes import Rig, command, ends_within, serving, started
from shop import REAL

from rig.commission.document import toml_of
from rig.commission.found import STEPS, Checked, Finding, Known, Progress, Row
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.ledger.keeping import book_read
from rig.run.assembly import Question
from rig.run.commissioning.session import progress_file
from rig.run.names import SIMULATED
from rig.run.person import Unattended
from rig.run.session import Errand, fill_wheel
from rig.run.settings import load_settings, settings_of

CONFIG = """
[rig]
name = "Bay 9"
data = "."
[links.io]
kind = "tcp"
host = "192.0.2.7"
[points]
pump_run      = { link = "io", table = "coil", address = 0 }
pump_reverse  = { link = "io", table = "coil", address = 1 }
vent_valve    = { link = "io", table = "coil", address = 2 }
meter_count   = { link = "io", table = "input", address = 0, type = "u32" }
line_pressure = { link = "io", table = "input", address = 2, type = "i16", scale = 0.01, quantity = "psi" }
[meter]
k_factor = "100 pulse/L"
[pipe]
hose_volume = "3.9 L"
suction_volume = "1.5 L"
[pump]
flow = "40 L/min"
[air_out]
method = "vent"
[tote]
content = "900 L"
"""
"""192.0.2.0/24 is kept for documentation (RFC 5737): nothing answers there."""
SLOWLY = 2.0
"""Speed at which a plant that waits for nobody is followed by a busy machine."""


def all_but_the_sheet(folder: Path, *tests: Checked) -> Path:
    config = folder / "rig.toml"
    config.write_text(CONFIG, encoding="utf-8")
    rig = Finding(rows=(Row(what="Hose volume", value="3.9 L", how="drained into a can"),), tests=tests)
    done = {step: Finding(by="Jo") for step in STEPS if step != "sheet"} | {"rig": rig}
    progress = Progress(done=done)
    progress_file(config).write_text(progress.model_dump_json(), encoding="utf-8")
    return config


def test_without_an_answer_it_is_refused_and_nothing_is_left(tmp_path: Path) -> None:
    done = command(tmp_path, "commission", "--config", "rig.toml")
    assert done.returncode == 3
    assert "nobody answers" in done.stderr
    assert "Traceback" not in done.stderr
    assert [*tmp_path.iterdir()] == []


def test_a_search_that_finds_nothing_says_for_how_long_it_looks_and_asks_again(tmp_path: Path) -> None:
    answers = "n\n127.0.0.1:1\nn\n192.0.2.7:99999\n\n"
    done = command(tmp_path, "commission", "--config", "rig.toml", "--patience", "0.05 s", typed=answers)
    assert done.returncode == 3
    assert "Looking takes at most" in done.stderr
    assert "It only reads: functions 1 to 4." in done.stderr
    assert "Nothing was found" in done.stderr
    assert "a port is a number from 1 to 65535" in done.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--units", "x"], "write for example 1-16"),
        (["--units", "9-3"], "the smaller one first"),
        (["--patience", "0 s"], "more than 0"),
        (["--budget", "10"], "has no unit"),
    ],
)
def test_options_that_make_no_sense_are_told(tmp_path: Path, options: list[str], words: str) -> None:
    done = command(tmp_path, "commission", "--config", "rig.toml", *options)
    assert done.returncode == 2
    assert words in done.stderr


def test_a_step_that_was_not_done_cannot_be_repeated(tmp_path: Path) -> None:
    done = command(tmp_path, "commission", "--config", "rig.toml", "--again", "meter")
    assert (done.returncode, "was not done yet" in done.stderr) == (3, True)


def test_the_last_step_enters_the_sheet_and_prints_it_as_json_and_pdf(tmp_path: Path) -> None:
    all_but_the_sheet(tmp_path, Checked(what="Relief valve", expected="opens at 30 psi", seen="30.4 psi", good=True))
    done = command(tmp_path, "commission", "--config", "rig.toml", "--by", "Jo", "--json", "--pdf", "sheet.pdf")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["whole"], found["good"], found["next"], found["pdf"]) == (True, True, None, "sheet.pdf")
    with book_read(tmp_path) as book:
        (record,) = book.valid("commissioning")
    assert record.document["values"] == [{"what": "Hose volume", "value": "3.9 L", "how": "drained into a can"}]
    assert record.document["by"] == "Jo"
    listed = command(tmp_path, "ledger", "list", "--records", "--config", "rig.toml")
    assert "commissioning Bay 9, by Jo" in listed.stdout
    if shutil.which("pdftotext"):
        text = subprocess.run(
            ["pdftotext", "-layout", tmp_path / "sheet.pdf", "-"], capture_output=True, text=True, check=True
        )
        for words in ("COMMISSIONING SHEET", "Bay 9", "Relief valve", "30.4 psi", "drained into a can", "Jo"):
            assert words in text.stdout


def test_a_test_that_is_not_good_is_no_success(tmp_path: Path) -> None:
    all_but_the_sheet(tmp_path, Checked(what="Relief valve", expected="opens at 30 psi", seen="41 psi", good=False))
    done = command(tmp_path, "commission", "--config", "rig.toml")
    assert done.returncode == 3
    assert "NOT ALL TESTS WERE GOOD" in done.stdout


def test_a_sheet_that_cannot_be_written_is_refused_before_anything(tmp_path: Path) -> None:
    done = command(tmp_path, "commission", "--config", "rig.toml", "--pdf", "no/such/sheet.pdf")
    assert (done.returncode, "cannot be written" in done.stderr) == (3, True)


def test_the_written_file_is_read_as_the_findings_say(tmp_path: Path) -> None:
    """Names with quotes, dates and comments go through the file unharmed."""
    progress = Progress()
    tables = {name: REAL[name] for name in ("meter", "pipe", "pump", "air_out", "tote")}
    tables |= {"rig": {"name": 'Bay "9" \\ ü'}, "limits": {"timeout_proven_on": "2026-11-29", "output_timeout": "2 s"}}
    wires = {"io": {"link": REAL["links"]["io"], "modules": []}}
    progress = progress.with_done("look", Finding.model_validate({"wires": wires}))
    progress = progress.with_done(
        "rig", Finding(tables=tables, points=REAL["points"], why={"pump.flow": "by # its plate"})
    )
    config = tmp_path / "rig.toml"
    config.write_text(toml_of(Known(progress, "2026-11-29"), "Two\nlines"), encoding="utf-8")
    found = load_settings(config)
    assert found.rig.name == 'Bay "9" \\ ü'
    assert str(found.limits.timeout_proven_on) == "2026-11-29"
    assert found.points == settings_of(REAL, "real").points


@pytest.mark.release
@pytest.mark.timeout(900)
async def test_from_an_empty_folder_to_a_proven_rig_and_a_first_fill(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody writes a line of TOML; the figures are printed with -s."""
    name = "three units, words swapped"
    async with hidden_rig(name, tmp_path, SLOWLY) as (rig, hands):
        del hands.said["A known can"]
        ended = await commissioned(hands, tmp_path / "rig.toml", RIGS[name])
        commissioned_s = rig.modules.plant.time_s
        settings, typed = load_settings(tmp_path / "rig.toml"), [*hands.typed]
        person, at_tyre = Unattended("test", go_on=True), list[str]()

        def watch(_setup: Setup, decision: Decision) -> None:
            phase = decision.state.phase.name
            if not at_tyre:
                rig.modules.move_hands(hand_in_vessel=False, hand_gun_on=True, hand_valve_open=True)
            if decision.prompt is not None and decision.prompt.name == "insert_back":
                rig.modules.move_hands(hand_valve_open=False)
            if decision.prompt is not None and decision.prompt.name == "gun_off":
                rig.modules.move_hands(hand_gun_on=False, hand_valve_open=False)
            at_tyre.append(phase)

        filled = (await fill_wheel(settings, Errand(Question("11L-15"), "test"), person, watch)).work
        truth = rig.document()
    proven = ended.progress.done["prove"].tests[0]
    assert proven.good, proven.seen
    assert filled.outcome == "complete", (filled.first_out, filled.flags, filled.net_l, filled.target_l)
    assert filled.net_l == pytest.approx(float(str(truth["delivered_l"])), abs=1.0)
    minutes, keys = commissioned_s / 60, sum(len(each) + 1 for each in typed)
    with capsys.disabled():
        print(f"\n{len(typed)} answers, {keys} keystrokes, {minutes:.1f} min of simulated hands")
        print(f"first fill {filled.net_l:.1f} of {filled.target_l:.1f} L; TOML by hand: 0 lines")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stop_signal_while_a_relay_is_on_switches_it_off(tmp_path: Path, number: signal.Signals) -> None:
    """Real processes: the simulated rig of the demonstration, and the command at its dry tests."""
    with serving(tmp_path, scale="1") as rig:
        told = tomllib.loads(rig.config.read_text(encoding="utf-8"))
        config = tmp_path / "new" / "rig.toml"
        config.parent.mkdir()
        progress_file(config).write_text(_before_the_dry_tests(told).model_dump_json(), encoding="utf-8")
        with started(tmp_path, "commission", "--config", str(config)) as process:
            assert process.stdin is not None
            assert process.stderr is not None
            process.stdin.write("isolated\n")
            process.stdin.flush()
            for line in process.stderr:
                if line.startswith("pump_run is on. Press"):
                    break
            assert _until(rig, on=True)
            process.send_signal(number)
            assert process.wait(30) == 3
            assert "stopped: what was finished is kept" in process.stderr.read()
            assert _until(rig, on=False)


def _until(rig: Rig, *, on: bool) -> bool:
    """Whether the pump comes to run, or to stand, as the simulated rig tells."""
    for _ in range(300):
        if bool(rig.truth()["pump_on"]) is on:
            return True
        ends_within(rig.process, 0.02)
    return False


def _before_the_dry_tests(told: dict[str, Any]) -> Progress:
    wired = {name: point for name, point in told["points"].items() if name not in SIMULATED}
    points = {name: {"unit": 1} | point for name, point in wired.items()}
    spans = [{"table": p["table"], "address": p["address"], "count": 2} for p in points.values()]
    wires = {"io": {"link": told["links"]["io"], "modules": [{"unit": 1, "spans": spans}]}}
    tables = {name: told[name] for name in ("pipe", "pump", "air_out", "tote")}
    tables["meter"] = {"kind": "pulses", "k_factor": "100 pulse/L"}
    tables["limits"] = {"output_timeout": "2 s"}
    progress = Progress()
    for step in STEPS:
        if step == "dry":
            return progress
        finding: dict[str, Any] = {"wires": wires} if step == "look" else {}
        finding |= {"points": points, "tables": tables} if step == "rig" else {}
        progress = progress.with_done(step, Finding.model_validate(finding))
    raise AssertionError("there is no dry step")
