"""The built wheel is the whole program: the demonstration runs from it in an empty folder, without a checkout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from processes import ROOT

from rig.shop.posting import software


@pytest.mark.release
def test_the_demonstration_runs_from_the_wheel_alone(tmp_path: Path) -> None:
    wheel, installed, empty = tmp_path / "wheel", tmp_path / "installed", tmp_path / "empty"
    build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(wheel)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True, timeout=60)
    (built,) = wheel.glob("*.whl")
    zipfile.ZipFile(built).extractall(installed)
    empty.mkdir()
    said = (
        "import rig, runpy, sys; print(rig.__file__, file=sys.stderr); sys.argv[0] = 'rig'; runpy.run_module('rig.cli')"
    )
    done = subprocess.run(
        [sys.executable, "-c", said, "demo", "--size", "11L-15", "--speed", "60", "--json"],
        cwd=empty, env={**os.environ, "PYTHONPATH": str(installed)}, capture_output=True, text=True, timeout=100,
        check=False,
    )  # fmt: skip
    assert str(installed) in done.stderr.splitlines()[0]
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["outcome"] == "complete"
    # The guide travels with it: a made page, a written one, and the wiring that stands beside the configurations.
    for topic, words in (("no_flow", "To test it"), ("try-it", "rig demo"), ("wiring", "Parts, by what they do")):
        read = subprocess.run(
            [sys.executable, "-c", said, "guide", topic],
            cwd=empty, env={**os.environ, "PYTHONPATH": str(installed)}, capture_output=True, text=True, timeout=60,
            check=True,
        )  # fmt: skip
        assert words in read.stdout
    # What is packed is what the checkout has, as tickets print it.
    code = "from rig.shop.posting import software; print(software().hash)"
    packed = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, "PYTHONPATH": str(installed)}, cwd=empty,
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout.strip()  # fmt: skip
    assert packed == software().hash
