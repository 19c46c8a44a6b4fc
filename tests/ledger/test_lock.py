"""One controller for one rig, however the other one ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from locked_away import read_only_folder

from rig.ledger.lock import LockedError, RigLock

ROOT = Path(__file__).parents[2]
HOLD = """
import sys
from pathlib import Path
from rig.ledger.lock import RigLock
with RigLock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.readline()
"""


def test_the_folder_is_made_and_the_lock_is_free_again_afterwards(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "rig-data"
    for _ in range(3):
        with RigLock(folder):
            assert (folder / "controller.lock").read_text() == str(os.getpid())


def test_two_controllers_in_one_program(tmp_path: Path) -> None:
    with RigLock(tmp_path):
        with pytest.raises(LockedError, match=f"process {os.getpid()}"), RigLock(tmp_path):
            pytest.fail("two controllers hold one rig")
        with pytest.raises(LockedError), RigLock(tmp_path):
            pytest.fail("a refused controller must not free the lock")
    with RigLock(tmp_path):
        pass


def test_another_process_is_named_and_its_death_frees_the_rig(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with (
            pytest.raises(LockedError, match=rf"process {child.pid}\) runs this rig; stop it first"),
            RigLock(tmp_path),
        ):
            pytest.fail("two controllers hold one rig")
        child.kill()
        child.wait()
    assert child.returncode == -signal.SIGKILL
    with RigLock(tmp_path):
        assert (tmp_path / "controller.lock").read_text() == str(os.getpid())


def test_different_rigs_do_not_meet(tmp_path: Path) -> None:
    with RigLock(tmp_path / "one"), RigLock(tmp_path / "two"):
        pass


def test_an_exception_inside_frees_the_rig(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), RigLock(tmp_path):
        _ = 1 / 0
    with RigLock(tmp_path):
        pass


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    folder = tmp_path / "rig-data"
    folder.write_text("not a folder")
    with pytest.raises(LockedError, match=r"cannot be locked .*; check the disk and the folder"), RigLock(folder):
        pytest.fail("no folder, no lock")


def test_a_forbidden_folder_is_told() -> None:
    refused = pytest.raises(LockedError, match=r"controller.lock: the rig cannot be locked \(Permission denied\)")
    with read_only_folder() as folder, refused, RigLock(folder):
        pytest.fail("no lock without its file")
