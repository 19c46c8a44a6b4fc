"""Compiled or not, a seed leaves the same trace: what a campaign proves of the one holds for the other."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

import sim.compiled
from sim.__main__ import main
from sim.compiled import CompileError, is_compiled, run_compiled
from sim.seen import Breach

CAMPAIGN = ["campaign", "--fills", "8", "--seed", "20", "--drop", "wheel", "--json"]


def _can_compile() -> bool:
    """Never left out on the machine that judges."""
    headers = Path(sysconfig.get_paths()["include"]) / "Python.h"
    return bool(os.environ.get("RIG_NO_SKIPS")) or (headers.exists() and shutil.which("gcc") is not None)


@pytest.mark.release
@pytest.mark.timeout(600)
@pytest.mark.skipif(not _can_compile(), reason="no C compiler, or Python's headers are not installed")
def test_compiled_code_leaves_the_same_traces(capfd: pytest.CaptureFixture[str]) -> None:
    assert run_compiled([*CAMPAIGN, "--compiled"]) == 0
    compiled = json.loads(capfd.readouterr().out)
    assert main(CAMPAIGN) == 0
    interpreted = json.loads(capfd.readouterr().out)
    assert (compiled["code"], interpreted["code"]) == ("compiled", "interpreted")
    assert compiled["ticks"] > 1000
    assert {**compiled, **_OWN} == {**interpreted, **_OWN}
    # Found by a campaign: compiled, a frozen class of its own cannot be taken out of a parcel between processes.
    told = subprocess.run(
        [sys.executable, "-c", _PARCEL], cwd=sim.compiled.built(), capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == repr(Breach("I4", 1.0, "off"))


_PARCEL = "import pickle; from sim.seen import Breach; print(pickle.loads(pickle.dumps(Breach('I4', 1.0, 'off'))))"
_OWN = dict.fromkeys(("code", "fills_per_second", "times_real_time", "wall_s"))
"""What two runs of the same fills need not share."""


def test_without_a_checkout_nothing_is_compiled(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not is_compiled()
    monkeypatch.setattr(sim.compiled, "_ROOT", tmp_path)
    with pytest.raises(CompileError, match="Only a checkout"):
        run_compiled(CAMPAIGN)
    assert main([*CAMPAIGN, "--compiled"]) == 2
    assert "clone the repository" in capsys.readouterr().err


def test_sources_that_do_not_compile_are_told_and_leave_nothing(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in ("rig/control/words", "sim/plant", "config"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "pyproject.toml").write_text("[tool.mypy]\nstrict = true\n", encoding="utf-8")
    (tmp_path / "rig" / "control" / "words" / "wrong.py").write_text('number: int = "three"\n', encoding="utf-8")
    monkeypatch.setattr(sim.compiled, "_ROOT", tmp_path)
    with pytest.raises(CompileError, match=r"wrong\.py(.|\n)*Incompatible types"):
        run_compiled(CAMPAIGN)
    assert list((tmp_path / ".compiled").iterdir()) == []
