"""The demonstration: the simulated rig in a separate process, filled over the wire like any other rig."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from rig.record.work import Ended
from rig.run.settings import Settings, SettingsError, load_settings
from rig.run.shipped import shipped
from rig.wheel import read_size

_START_S = 20.0


def demo_config(layout: str) -> Path:
    """The demonstration rig's configuration for an air-out method."""
    path = shipped("demo.toml" if layout == "vent" else "demo-draw-down.toml")
    if not path.exists():
        raise SettingsError(f"{path} is missing: run from a checkout, or pass --config")
    return path


def run_demo(folder: Path, size: str, speed: float, layout: str, work: Callable[[Settings, Path], Ended]) -> Ended:
    """Start the simulated rig for ``size``, do ``work`` with its settings, stop the rig; returns the work's result."""
    if not 1 <= speed <= 100:
        raise SettingsError("--speed: write 1 to 100")
    folder.mkdir(parents=True, exist_ok=True)
    config = folder / "rig.toml"
    text = _with(demo_config(layout).read_text(encoding="utf-8"), "scale", f"{speed:g}")
    text = _with(text, "size", f'"{read_size(size).text}"')
    # The configuration is in the folder of the records itself.
    text = _with(text, "data", '"."')
    config.write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "sim", "serve", "--config", str(config), "--port", "0", "--with-parent"]
    # In a session of its own: Ctrl-C at a terminal is for the fill, not for the rig that it works on.
    with subprocess.Popen(
        [*command, "--truth", str(folder / "truth.json")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        start_new_session=True,
    ) as rig:  # fmt: skip
        try:
            config.write_text(_with(text, "port", str(_port_of(rig))), encoding="utf-8")
            return work(load_settings(config), config)
        finally:
            rig.terminate()


def _with(text: str, key: str, value: str) -> str:
    """The configuration text with one ``key`` replaced; comments are kept."""
    changed, times = re.subn(rf"(?m)^({key} *= *)(\S+)", rf"\g<1>{value}", text)
    assert times == 1, f"the demonstration configuration has {times} keys {key!r}"
    return changed


def _port_of(rig: subprocess.Popen[str]) -> int:
    assert rig.stdout is not None
    line = rig.stdout.readline()
    match = re.search(r":(\d+)\s*$", line)
    if match is None:
        raise SettingsError(f"the simulated rig did not start: {line.strip() or 'see its message above'}")
    return int(match[1])
