"""``python -m sim serve`` as a process: what it prints, how it ends."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "config" / "demo.toml"


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "sim", "serve", *map(str, arguments)]


@pytest.mark.full
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_serves_until_it_is_told_to_stop(tmp_path: Path, number: signal.Signals) -> None:
    truth = tmp_path / "truth.json"
    arguments = command("--config", DEMO, "--port", 0, "--truth", truth, "--size", "11.2-24", "--fault", "leak@3")
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert line.startswith("serving ")
        host, _, port = line.split()[-1].partition(":")
        with socket.create_connection((host, int(port)), timeout=2):
            process.send_signal(number)
            out, err = process.communicate(timeout=10)
    assert (process.returncode, out, err) == (0, "", "")
    document = json.loads(truth.read_text())
    assert document["size"] == "11.2-24"
    assert document["faults"][0]["name"] == "leak"


def failed(*arguments: object) -> tuple[int, str]:
    done = subprocess.run(command(*arguments), capture_output=True, text=True, cwd=ROOT, timeout=30, check=False)
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    return done.returncode, done.stderr


def test_a_port_in_use_ends_with_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        code, text = failed("--config", DEMO, "--port", other.getsockname()[1])
    assert code == 5
    assert len(text.splitlines()) == 1
    assert "--port" in text


@pytest.mark.full
def test_bad_usage_is_explained(tmp_path: Path) -> None:
    assert failed("--config", tmp_path / "none.toml")[0] == 2
    code, text = failed("--config", DEMO, "--fault", "meter_stuk@5")
    assert code == 2
    assert "meter_stuck" in text
    code, text = failed("--config", DEMO, "--size", "round")
    assert code == 2
    assert "round" in text
    assert failed("--config", DEMO, "--speed", "0")[0] == 2
    blocked = tmp_path / "file"
    blocked.write_text("")
    code, text = failed("--config", DEMO, "--port", 0, "--truth", blocked / "truth.json")
    assert code == 2
    assert "cannot be written" in text
