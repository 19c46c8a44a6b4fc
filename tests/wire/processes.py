"""Real processes for the tests: the simulated rig serving a configuration, and the command line against it."""

from __future__ import annotations

import contextlib
import json
import os
import re
import select
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
PATIENCE_S = 120.0
"""How long what must happen is awaited, on a machine that may be busy."""


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


def ends_within(process: subprocess.Popen[str], seconds: float) -> bool:
    """Whether the process ends within the time: how a file that it writes is awaited without a core spent on it."""
    with contextlib.suppress(ProcessLookupError):
        handle = os.pidfd_open(process.pid)
        try:
            return bool(select.select([handle], [], [], seconds)[0])
        finally:
            os.close(handle)
    return True


@dataclass
class Rig:
    """A folder with a configuration, and the simulated rig that serves it."""

    folder: Path
    process: subprocess.Popen[str]

    @property
    def config(self) -> Path:
        return self.folder / "rig.toml"

    def truth(self) -> dict[str, float]:
        """What really happened, as the simulated rig last wrote it."""
        return json.loads((self.folder / "truth.json").read_text(encoding="utf-8"))

    def off(self) -> bool:
        """Whether the pump comes to stand, as the truth file tells in time."""
        end = time.monotonic() + PATIENCE_S
        while self.truth()["pump_on"] and time.monotonic() < end:
            ends_within(self.process, 0.02)
        return not self.truth()["pump_on"]

    def stop(self) -> dict[str, float]:
        """End the simulated rig; returns the final truth."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE_S)
        return self.truth()


def configuration(folder: Path, layout: str = "vent", extra: str = "", **changes: str) -> Path:
    """A demonstration configuration in ``folder`` with keys set anew, ``scale="60"``, and ``extra`` text behind it."""
    name = "demo.toml" if layout == "vent" else "demo-draw-down.toml"
    text = (ROOT / "config" / name).read_text(encoding="utf-8")
    for key, value in changes.items():
        text, times = re.subn(rf"(?m)^({key} *= *)(\S.*)$", rf"\g<1>{value}", text)
        assert times == 1, key
    path = folder / "rig.toml"
    path.write_text(text + extra, encoding="utf-8")
    return path


@contextmanager
def serving(folder: Path, layout: str = "vent", *options: str, **changes: str) -> Iterator[Rig]:
    """The simulated rig on a free port, its port written into the configuration."""
    changes = {"scale": "60", "size": '"11L-15"', **changes}
    configuration(folder, layout, **changes)
    command = [sys.executable, "-m", "sim", "serve", "--config", "rig.toml", "--port", "0", "--truth", "truth.json"]
    process = subprocess.Popen([*command, *options], cwd=folder, env=_environment(), stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        match = re.search(r":(\d+)\s*$", process.stdout.readline())
        assert match is not None
        configuration(folder, layout, **changes, port=match[1])
        yield Rig(folder, process)
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def command(folder: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """Run ``rig`` to its end."""
    return subprocess.run(
        [sys.executable, "-m", "rig.cli", *arguments],
        cwd=folder,
        env=_environment(),
        input=typed,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


@contextmanager
def started(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """Start ``rig`` and leave it running."""
    process = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *arguments],
        cwd=folder,
        env=_environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def wait_for_phase(folder: Path, process: subprocess.Popen[str], phase: str) -> None:
    """Return as soon as the journal shows that the fill has entered ``phase``."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end and process.poll() is None:
        if phase in _phases(folder / "rig-data" / "journal.sqlite"):
            return
        ends_within(process, 0.02)
    raise AssertionError(f"the fill never reached {phase!r}")


def _phases(journal: Path) -> set[str]:
    if not journal.exists():
        return set()
    try:
        with closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as db:
            rows = db.execute("SELECT data FROM entries WHERE kind IN ('phase', 'state')").fetchall()
    except sqlite3.OperationalError:
        return set()
    return {json.loads(data)["now"] for (data,) in rows}


def answer_prompts(process: subprocess.Popen[str], until: str | None = None) -> list[str]:
    """Press Enter at every prompt, go on after a hold, stop at the prompt with ``until`` in it; returns the prompts.

    Without ``until`` it returns when the command ends.
    """
    assert process.stderr is not None
    assert process.stdin is not None
    asked = []
    for line in process.stderr:
        if "[Enter" in line:
            asked.append(line.strip())
            if until is not None and until in line:
                break
            process.stdin.write("\n")
            process.stdin.flush()
        elif "r = go on" in line:
            # A busy machine may have made the controller late: a person looks and goes on.
            process.stdin.write("r\n")
            process.stdin.flush()
    return asked
