"""A restore that is killed at any of its steps leaves the old folder or the new one."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from backed_rigs import AT, rig_in

from rig.ledger import BOOK_NAME
from rig.ledger.backup import back_up, contents_of, read_manifest
from rig.ledger.keeping import unsound
from rig.ledger.restoring import exchange
from rig.shop.holdings import holdings

KILLED = """
import os, shutil, signal, sys
from pathlib import Path
from rig.ledger import restoring
from rig.ledger.book import BookError
file, folder, start, at = Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), sys.argv[4]
SEEN = ("open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "sqlite3.connect", "shutil.copyfile")
left = [0]

def step():
    left[0] -= 1
    if left[0] == 0:
        os.kill(os.getpid(), signal.SIGKILL)

def audit(event, arguments):
    if event in SEEN and left[0] > 0:
        step()

def exchange(one, other, real=restoring.exchange):
    step()
    real(one, other)
    step()

restoring.exchange = exchange
number, done = 0, False
while not done:
    number += 1
    shutil.rmtree(folder.parent)
    shutil.copytree(start, folder.parent)
    child = os.fork()
    if child == 0:
        sys.addaudithook(audit)
        left[0] = number
        restoring.restore(file, folder, "journal.sqlite", at)
        os._exit(0)
    done = os.waitpid(child, 0)[1] == 0
    keep = folder.parent.with_name(f"after-{number}")
    shutil.copytree(folder.parent, keep)
print(number)
"""


@pytest.mark.release
@pytest.mark.parametrize("lost", [True, False], ids=["folder lost", "book damaged"])
def test_killed_at_any_step_the_folder_is_the_old_one_or_the_new_one(tmp_path: Path, lost: bool) -> None:
    rig, file = rig_in(tmp_path / "start" / "rig", "a"), tmp_path / "b.zip"
    back_up(rig, file, AT)
    if lost:
        shutil.rmtree(rig)
    else:
        with contextlib.closing(sqlite3.connect(rig / BOOK_NAME)) as db:
            db.executescript("DROP TRIGGER records_no_update; UPDATE records SET body = '{}' WHERE serial = 1")
    old = {path.name: path.read_bytes() for path in rig.iterdir()} if rig.exists() else None
    work = tmp_path / "work" / "rig"
    work.parent.mkdir()
    made = subprocess.run(
        [sys.executable, "-c", KILLED, str(file), str(work), str(tmp_path / "start"), AT],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    steps, whole = int(made.stdout), read_manifest(file).records
    seen = set()
    for number in range(1, steps + 1):
        left = tmp_path / "work" / ".." / f"after-{number}" / "rig"
        now = {path.name: path.read_bytes() for path in left.iterdir()} if left.exists() else None
        if now == old:
            seen.add("old")
            continue
        seen.add("new")
        assert unsound(left) is None
        _, heads = contents_of(left)
        assert sum(serial for serial, _ in heads.values()) == whole + 1
        assert holdings(left, None)["people"] == 1
        if old is not None:
            # Whatever stood in place is somewhere beside it, whole.
            damaged = [path for path in left.parent.rglob(BOOK_NAME) if path.read_bytes() == old[BOOK_NAME]]
            assert damaged
    assert seen == {"old", "new"}
    assert steps > 30


def test_folders_take_each_other_s_place(tmp_path: Path) -> None:
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()
    exchange(tmp_path / "one", tmp_path / "other")
    assert (tmp_path / "one" / "other").exists()
    assert (tmp_path / "other" / "one").exists()
