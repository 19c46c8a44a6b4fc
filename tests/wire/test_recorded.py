"""The black box beside a real fill: killed, resumed and replayed; without a disk for it, and the fill goes on."""

from __future__ import annotations

import json
import re
import signal
from pathlib import Path

import pytest
from processes import command, serving, started, wait_for_phase

from rig.ledger.black_box import FOLDER_NAME, parts_of
from rig.run.black_box import STOPPED
from rig.run.replaying import read_part
from rig.run.scans import Scan

FILL = ("fill", "--config", "rig.toml", "--size", "11L-15", "--unattended", "--json")


@pytest.mark.release
def test_a_fill_that_was_killed_and_resumed_is_replayed_in_both_parts(tmp_path: Path) -> None:
    with serving(tmp_path, scale="20") as rig:
        with started(tmp_path, *FILL) as process:
            wait_for_phase(tmp_path, process, "vent")
            process.send_signal(signal.SIGKILL)
            process.wait()
        match = re.search(r"rig resume (\S+) ", command(tmp_path, *FILL).stderr)
        assert match is not None
        done = command(tmp_path, "resume", match[1], "--unattended", "--json", "--config", "rig.toml")
        rig.stop()
    record = json.loads(done.stdout)
    assert record["outcome"] == "complete", done.stderr
    assert STOPPED not in record["flags"]
    replayed = command(tmp_path, "replay", match[1], "--json", "--config", "rig.toml")
    found = json.loads(replayed.stdout)
    assert (found["identical"], found["as_sealed"], found["same_program"]) == (True, True, True), found
    assert found["net_l_now"] == record["net_l"]
    parts = parts_of(tmp_path / "rig-data", match[1])
    heads = [read_part(path)[0] for path in parts]
    assert [head.taken_up is not None for head in heads] == [False, True]
    # What was flushed before the kill is there.
    assert sum(isinstance(each, Scan) for each in read_part(parts[0])[1]) > 10


@pytest.mark.full
def test_without_room_for_the_recording_the_fill_goes_on_and_says_so(tmp_path: Path) -> None:
    with serving(tmp_path, scale="40") as rig:
        (tmp_path / "rig-data").mkdir(exist_ok=True)
        (tmp_path / "rig-data" / FOLDER_NAME).write_text("in the way", encoding="utf-8")
        done = command(tmp_path, *FILL)
        truth = rig.stop()
    record = json.loads(done.stdout)
    assert record["outcome"] == "complete", done.stderr
    assert record["flags"] == [STOPPED]
    assert "black_box" not in record
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.25)
