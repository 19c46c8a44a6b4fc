"""Ctrl-C at a terminal: the first one holds a running fill, the next one ends it, and an open valve stays watched."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from processes import PATIENCE_S, serving

from rig.cli.terminal import VALVE_OPEN


def test_the_first_holds_the_second_ends_and_the_valve_is_watched_until_it_is_shut(tmp_path: Path) -> None:
    keyboard, terminal = pty.openpty()
    heard: list[str] = []
    with serving(tmp_path, scale="10") as rig:
        process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", "fill", "--config", "rig.toml", "--size", "11L-15", "--json"],
            cwd=tmp_path, stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        os.close(terminal)
        assert process.stderr is not None
        try:
            for line in process.stderr:
                heard.append(line)
                if "[Enter" in line or VALVE_OPEN in line:
                    os.write(keyboard, b"\n")
                elif (
                    re.search("fill +in the tyre", line) and not any("HOLD:" in each for each in heard)
                ) or "r = go on" in line:
                    process.send_signal(signal.SIGINT)
            output, _ = process.communicate(timeout=PATIENCE_S)
        finally:
            process.kill()
            os.close(keyboard)
        truth = rig.stop()
    said = "".join(heard)
    assert said.index("HOLD: r goes on, Ctrl-C once more ends the fill.") < said.index("r = go on")
    assert VALVE_OPEN in said
    assert process.returncode == 4
    record = json.loads(output)
    assert record["outcome"] == "stopped"
    assert record["net_l"] == pytest.approx(truth["delivered_l"], abs=0.2)
