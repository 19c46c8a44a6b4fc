"""`rig fill` on real terminals of several sizes, read back by a terminal emulator: what a person sees all the time."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pyte
import pytest
from processes import PATIENCE_S, serving


class Terminal:
    """A terminal with a person who answers whatever waits, and remembers the screens."""

    def __init__(self, folder: Path, columns: int, rows: int, **environment: str) -> None:
        self.screen = pyte.HistoryScreen(columns, rows, history=2000)
        self._stream = pyte.ByteStream(self.screen)
        self.raw = b""
        self.seen: list[tuple[str, ...]] = []
        self.keyboard, terminal = pty.openpty()
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self._terminal = terminal
        self.process = subprocess.Popen(
            [sys.executable, "-m", "rig.cli", "fill", "--config", "rig.toml", "--size", "11L-15"],
            cwd=folder, stdin=terminal, stdout=terminal, stderr=terminal,
            env={**os.environ, "TERM": "xterm", "COLUMNS": str(columns), "LINES": str(rows), **environment},
        )  # fmt: skip

    def look(self) -> str:
        """Take in what was written until nothing more comes for a moment; the present screen."""
        while select.select([self.keyboard], [], [], 0.03)[0]:
            data = os.read(self.keyboard, 65536)
            self.raw += data
            self._stream.feed(data)
        lines = tuple(line.rstrip() for line in self.screen.display)
        if not self.seen or lines != self.seen[-1]:
            self.seen.append(lines)
        return "\n".join(lines)

    def echoes(self) -> bool:
        """Whether typed characters are shown."""
        return bool(termios.tcgetattr(self._terminal)[3] & termios.ECHO)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self.keyboard)
        os.close(self._terminal)


def filled(terminal: Terminal) -> None:
    """Answer every question until the command ends."""
    end, answered = time.monotonic() + PATIENCE_S, 0.0
    while terminal.process.poll() is None and time.monotonic() < end:
        shown = terminal.look()
        watched = "press Enter." in shown.replace("\n", "")
        typed = b"e\n" if "e = end it here" in shown else b"\n" if "[Enter" in shown or watched else b""
        if typed and time.monotonic() - answered > 0.5:
            answered = time.monotonic()
            os.write(terminal.keyboard, typed)
    terminal.look()


@pytest.mark.full
@pytest.mark.parametrize(
    ("columns", "rows"),
    [(80, 24), *(pytest.param(*size, marks=pytest.mark.release) for size in ((40, 24), (80, 9), (200, 24)))],
)
def test_the_region_stays_in_place_and_keeps_question_and_figure(tmp_path: Path, columns: int, rows: int) -> None:
    with serving(tmp_path, scale="20"):
        terminal = Terminal(tmp_path, columns, rows)
        try:
            filled(terminal)
            assert terminal.process.returncode == 0
            assert terminal.echoes(), "what is typed stays hidden after the command has ended"
        finally:
            terminal.close()
    filling = [lines for lines in terminal.seen if any(line.strip() in ("FILL", "TOP UP") for line in lines)]
    assert filling
    for lines in filling:
        text = " ".join(" ".join(lines).split())
        assert "tyre " in text
        assert "h = hold, s = stop" in text, "what can be typed is out of sight"
        assert re.search(r"of 49\.\d L", text)
    asked = [" ".join(" ".join(lines).split()) for lines in terminal.seen if any("[Enter" in line for line in lines)]
    assert any("emergency stop and relief valve tried today? [Enter = yes, n = leave]" in text for text in asked)
    # Nothing scrolled away while it was redrawn many times: what left the screen is the answer and the cautions above.
    assert len(terminal.seen) > 30
    assert terminal.raw.count(b"\n") < 40 * 30
    assert len(terminal.screen.history.top) < 130


@pytest.mark.full
def test_what_stopped_the_fill_and_what_to_do_first_stay_on_the_screen(tmp_path: Path) -> None:
    with serving(tmp_path, "vent", "--fault", "meter_dead@25", scale="20"):
        terminal = Terminal(tmp_path, 40, 24)
        try:
            filled(terminal)
            assert terminal.process.returncode == 4
        finally:
            terminal.close()
    held = [" ".join(" ".join(lines).split()) for lines in terminal.seen if any("e = end it here" in x for x in lines)]
    assert held
    for text in held:
        assert "Stopped because: The pump runs and nothing is counted." in text
        assert "First: Is the core or insert out" in text
        assert "More: rig guide no_flow" in text


@pytest.mark.release
def test_without_colour_nothing_is_coloured(tmp_path: Path) -> None:
    with serving(tmp_path, scale="20"):
        terminal = Terminal(tmp_path, 80, 24, NO_COLOR="1")
        try:
            filled(terminal)
        finally:
            terminal.close()
    assert not re.search(rb"\x1b\[[0-9;]*3[0-9]m", terminal.raw)
