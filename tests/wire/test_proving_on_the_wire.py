"""`rig prove` and `rig meter` as their user runs them, against a simulated rig whose meter is off by an unknown amount.

The truth of a proving is what stood in the open vessel, never the simulated meter's own pulses per litre.
"""

from __future__ import annotations

import json
import signal
from pathlib import Path

import pytest
from processes import PATIENCE_S, Rig, command, configuration, ends_within, serving, started, wait_for_phase

PROVE = ("prove", "--config", "rig.toml", "--json")
LIVE = (*PROVE, "--can", "60 L", "--unattended")
OFF = '\nk_factor = "97.3 pulse/L"\n'
"""The end of the demonstration's [sim] table: its meter gives fewer pulses than its plate says."""


def vessel_l(rig: Rig) -> float:
    """What stands in the vessel now: the truth is written from time to time, so the second one from here on."""
    times = {rig.truth()["time_s"]}
    while len(times) < 3:
        ends_within(rig.process, 0.05)
        times.add(rig.truth()["time_s"])
    return rig.truth()["vessel_l"]


def plate(folder: Path) -> None:
    configuration(folder, k_factor='"250 pulse/gal"')


@pytest.mark.release
def test_an_unattended_proving_finds_what_the_plate_does_not_say(tmp_path: Path) -> None:
    with serving(tmp_path, "vent", extra=OFF) as rig:
        done = command(tmp_path, *LIVE, "--by", "Jo", "--accept")
        filled = command(tmp_path, "fill", "--config", "rig.toml", "--size", "11L-15", "--unattended", "--json")
        page = command(tmp_path, "meter", "--config", "rig.toml", "--json")
        truth = rig.stop()
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert len(found["runs"]) == 3
    # The fill after it is right within half a per cent, which the plate alone would have missed by 2.7 %.
    record = json.loads(filled.stdout)
    assert record["net_l"] == pytest.approx(truth["delivered_l"], rel=0.005)
    assert abs(found["factor"] - 1) > 0.02
    assert record["meter_factor"] == found["factor"]
    assert record["meter_factor_on"] == found["at"][:10]
    assert record["calibration_events"] == found["calibration_events"] == 1
    assert record["configuration_events"] == 1
    # What four runs caught in all is what the factor makes of their pulses.
    runs = sum(run["pulses"] for run in found["runs"]) / found["k_effective_per_l"]
    assert runs == pytest.approx(sum(run["shown"] for run in found["runs"]), rel=1e-3)
    assert truth["caught_l"] == pytest.approx(4 / 3 * runs, rel=0.02)
    shown = json.loads(page.stdout)
    assert (shown["factor"], shown["proven_by"], shown["runs"], shown["fills_since"]) == (found["factor"], "Jo", 3, 1)
    assert shown["charts"]


@pytest.mark.full
def test_a_person_reads_the_can_and_says_yes(tmp_path: Path) -> None:
    attended = [word for word in LIVE if word != "--unattended"]
    with serving(tmp_path, "vent", extra=OFF) as rig, started(tmp_path, *attended) as process:
        assert process.stderr is not None
        assert process.stdin is not None
        asked = []
        for line in process.stderr:
            if "[Enter" in line:
                answer = ""
            elif "What does the can show" in line:
                # Scales of such cans are read to a few hundredths of a litre.
                answer = f"{vessel_l(rig):.2f} L @ 15 degC"
            elif "Take this factor" in line:
                answer = "y"
            else:
                continue
            asked.append(line)
            process.stdin.write(f"{answer}\n")
            process.stdin.flush()
        output, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    found = json.loads(output)
    assert found["accepted"]
    assert found["factor"] == pytest.approx(1.0277, abs=0.002)
    assert sum("Vessel empty" in line for line in asked) == 4
    assert sum("What does the can show" in line for line in asked) == 3


@pytest.mark.full
def test_a_good_sheet_is_taken_and_a_bad_one_is_refused(tmp_path: Path) -> None:
    """250 pulse/gal: 25010 … over 100 gal is 0.028 % apart, 1252 … over 5 gal is 0.24 %."""
    plate(tmp_path)
    good = command(tmp_path, *PROVE, "--pulses", "25010,25015,25012,25008,25011", "--reference", "100 gal", "--accept")
    assert good.returncode == 0, good.stderr
    assert json.loads(good.stdout)["factor"] == pytest.approx(0.999552, abs=1e-6)
    bad = command(tmp_path, *PROVE, "--pulses", "1252,1249,1251,1250,1250", "--reference", "5 gal", "--accept")
    assert bad.returncode == 3
    found = json.loads(bad.stdout)
    assert (found["passed"], found["accepted"]) == (False, False)
    assert "0.24 % apart" in found["fails"][0]
    assert found["factor_in_force"] == pytest.approx(0.999552, abs=1e-6)
    history = command(tmp_path, "prove", "--config", "rig.toml", "--history", "--json")
    assert [row["accepted"] for row in json.loads(history.stdout)] == [True, False]


def test_brine_on_a_scale(tmp_path: Path) -> None:
    """315.0 kg of 1213 kg/m3 in air of 1.2 kg/m3 are 259.905 L, for which 25990 pulses came at 100 a litre."""
    configuration(tmp_path)
    by_weight = (*PROVE, "--scale", "0.1 kg", "--fluid", "cacl2:24%", "--pulses", "25990,25990,25990", "--accept")
    done = command(
        tmp_path, *by_weight, "--density", "1213 kg/m^3", "--readings", "325 kg,325 kg,325 kg", "--tare", "10 kg"
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["runs"][0]["reference_l"] == pytest.approx(259.905, abs=0.003)
    assert found["factor"] == pytest.approx(259.905 / 259.90, abs=2e-5)
    assert found["u_percent"] == pytest.approx(0.105, abs=0.005)


@pytest.mark.release
def test_a_map_without_hands_is_proven_with_the_hose_hung_in_a_vessel_and_readings_from_elsewhere(
    tmp_path: Path,
) -> None:
    with serving(tmp_path, "vent", "--open-vessel") as rig:
        text = rig.config.read_text(encoding="utf-8")
        bare = "\n".join(line for line in text.splitlines() if not line.startswith(("hand_", "vessel_level")))
        (tmp_path / "bare.toml").write_text(bare, encoding="utf-8")
        blind = command(tmp_path, "prove", "--config", "bare.toml", "--can", "60 L", "--unattended")
        before = rig.stop()
    assert blind.returncode == 3
    assert "nobody reads the vessel" in blind.stderr
    assert before["caught_l"] == 0.0
    with serving(tmp_path, "vent", "--open-vessel") as rig:
        done = command(tmp_path, *LIVE, "--readings", "60.0 L, 60.0 L, 60.0 L")
        truth = rig.stop()
    # Readings that do not follow what was delivered may fail the gate: here it counts where the liquid went.
    assert len(json.loads(done.stdout)["runs"]) == 3
    assert truth["caught_l"] == pytest.approx(240, rel=0.02)


@pytest.mark.full
def test_a_proving_that_is_stopped_keeps_nothing_but_its_delivery(tmp_path: Path) -> None:
    with serving(tmp_path, scale="20") as rig, started(tmp_path, *LIVE, "--accept") as process:
        wait_for_phase(tmp_path, process, "fill")
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=PATIENCE_S)
        truth = rig.stop()
    assert process.returncode == 3
    assert "nothing of this proving is kept" in said
    assert not truth["pump_on"]
    history = command(tmp_path, "prove", "--config", "rig.toml", "--history", "--json")
    assert json.loads(history.stdout) == []
    shown = command(tmp_path, "ledger", "list", "--config", "rig.toml", "--json")
    (delivered,) = json.loads(shown.stdout)
    assert (delivered["size"], delivered["outcome"]) == ("known can", "stopped")
    assert delivered["net_l"] == pytest.approx(truth["caught_l"], abs=0.2)
    ticket = command(tmp_path, "ledger", "show", delivered["fill_id"], "--config", "rig.toml")
    assert "in the vessel" in ticket.stdout.lower()


def test_without_a_word_a_good_proving_is_kept_but_not_taken(tmp_path: Path) -> None:
    plate(tmp_path)
    done = command(tmp_path, *PROVE, "--pulses", "25010,25015,25012", "--reference", "100 gal")
    assert done.returncode == 0
    found = json.loads(done.stdout)
    assert (found["passed"], found["accepted"], found["factor_in_force"]) == (True, False, 1.0)


@pytest.mark.full
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--pulses", "1,2,3"), "what is the meter compared with"),
        (("--pulses", "2000,x,2000", "--can", "20 L"), "whole numbers"),
        (("--pulses", "2000,2000,2000", "--can", "20"), "has no unit"),
        (("--pulses", "2000,2000,2000", "--can", "20 L", "--readings", "20.0 L, 20.1 L"), "3 runs by --pulses, 2 read"),
        (("--pulses", "2000,2000,2000", "--scale", "0.01 kg"), "what did the scale show"),
        (("--scale", "0.01 kg",), "--volume"),
        (("--can", "20 L", "--runs", "0"), "--runs 0"),
        (("--can", "20 L", "--range", "5"), "--range 5"),
        (("--can", "20 L", "--can-doubt", "much"), "is no percentage"),
        (("--can", "20 L", "--pulses", ",".join(["2000"] * 21)), "3 to 20 runs"),
        (("--can", "20 L", "--readings", "20 L"), "1 readings for 3 runs"),
        (("--can", "20 L", "--fluid", "soup"), "soup"),
    ],
)  # fmt: skip
def test_bad_words_are_told(tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    configuration(tmp_path)
    done = command(tmp_path, *PROVE, *arguments)
    assert done.returncode == 2, done.stderr
    assert words in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_a_rig_worked_by_hand_is_proven_from_a_sheet(tmp_path: Path) -> None:
    path = configuration(tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("simulated = true", "simulated = true\nby_hand = true"), encoding="utf-8")
    done = command(tmp_path, *LIVE)
    assert done.returncode == 3, done.stderr
    assert "--pulses" in done.stderr


def test_a_rig_that_is_not_there_ends_with_its_own_status(tmp_path: Path) -> None:
    configuration(tmp_path, port="9")
    done = command(tmp_path, *LIVE)
    assert done.returncode == 5
    assert "127.0.0.1:9" in done.stderr
