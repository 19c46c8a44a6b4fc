"""Runs a tool of the system. It must not know what for."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence

from rig.run.refused import Refused


def run(words: Sequence[str], seconds: float | None = None) -> None:
    """Run a command; Refused with its words if it fails, is not there, or takes longer than ``seconds``."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=seconds, check=False)
    except OSError as error:
        raise Refused(f"{words[0]}: {error.strerror}; is it installed?") from error
    except subprocess.TimeoutExpired as error:
        raise Refused(f"{' '.join(words)} took too long") from error
    if done.returncode:
        said = (done.stderr or done.stdout).strip() or f"exit status {done.returncode}"
        raise Refused(f"{' '.join(words)}: {said}")
