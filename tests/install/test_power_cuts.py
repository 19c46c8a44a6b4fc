"""The power fails at any moment: what the journal and the book acknowledged is there, and nothing that was not begun.

Also in the middle of an upgrade: the version that runs is the old one or the new one, whole, with the way back.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Sequence
from pathlib import Path

import pytest
from power import Disk, Event, moments, recorded
from shop_books import TRUCK, fill_of

from rig.install.doing import shipped_files
from rig.install.plan import CURRENT, HOME, PREVIOUS, TRIAL
from rig.ledger import BOOK_NAME
from rig.ledger.journal import Journal
from rig.ledger.keeping import book_or_empty, book_read, unsound
from rig.shop.posting import FILL, JOURNAL_NAME, book_to_write

FILLS = 8
ENTRIES = 3
RECORDING = """
import contextlib, os, sys
from pathlib import Path
from shop_books import TRUCK, about_of, fill_of
from rig.ledger.journal import Journal
from rig.shop.posting import JOURNAL_NAME, book_to_write

def tell(what, n):
    os.write(1, f"{what} {n}\\n".encode())

folder = Path(sys.argv[1])
for n in range(int(sys.argv[2])):
    name, record = f"fill-{n}", fill_of(f"fill-{n}", n)
    with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
        tell("begun", n)
        journal.open_fill(name, record["started_at"], about_of(record), "{}", "{}")
        tell("opened", n)
        for step in range(int(sys.argv[3])):
            journal.append(name, record["started_at"], [("step", {"n": step, "pad": "x" * 3000})], "{}")
            tell("entered", n * 100 + step)
        journal.close_fill(name, record, {"hose_air_l": 0.1})
        tell("closed", n)
    with book_to_write(folder, TRUCK, simulated=True):
        tell("posted", n)
"""


def told_by(events: Sequence[Event]) -> dict[str, int]:
    """The last number that was told of each thing."""
    told = dict.fromkeys(("begun", "opened", "entered", "closed", "posted"), -1)
    for event in events:
        if event.kind == "told" and (words := event.data.decode().split()):
            told[words[0]] = int(words[1])
    return told


def faults_in(folder: Path, told: dict[str, int]) -> list[str]:
    """What was lost, and what was invented, in what a cut has left; the rig goes on from there."""
    found = []
    with contextlib.closing(Journal(folder / JOURNAL_NAME)) as journal:
        fills = {fill.fill_id: fill for fill in journal.fills()}
        lost = [n for n in range(told["opened"] + 1) if f"fill-{n}" not in fills]
        lost += [n for n in range(told["closed"] + 1) if n not in lost and fills[f"fill-{n}"].record is None]
        found += [f"fill {n} is lost" for n in lost]
        found += [f"{name} is invented" for name in fills if int(name.removeprefix("fill-")) > told["begun"]]
        found += [f"{name} is changed" for name, fill in fills.items()
                  if fill.record not in (None, fill_of(name, int(name.removeprefix("fill-"))))]  # fmt: skip
        if told["entered"] >= 0 and not lost:
            n, step = divmod(told["entered"], 100)
            kept = [entry.data["n"] for entry in journal.entries(f"fill-{n}")]
            found += [] if kept[: step + 1] == list(range(step + 1)) else [f"entry {step} of fill {n} is lost"]
        closed = [name for name, fill in fills.items() if fill.record is not None]
    if (why := unsound(folder)) is not None:
        return [*found, why]
    if (folder / BOOK_NAME).exists() and told["posted"] >= 0:
        with book_read(folder) as book:
            have = {record.key for record in book.valid(FILL)}
        found += [f"the book lost fill {n}" for n in range(told["posted"] + 1) if f"fill-{n}" not in have]
    with book_to_write(folder, TRUCK, simulated=True) as book:
        after = [record.key for record in book.valid(FILL)]
        found += [str(each) for each in book.faults()]
    return found if sorted(after) == sorted(closed) else [*found, f"the book has {after}, the journal {closed}"]


def cuts(events: Sequence[Event], folder: Path, into: Path, count: int, seed: int) -> list[tuple[int, Path]]:
    """What is left of ``folder`` after each of many cuts, with the number of events before it."""
    disk, done, left = Disk(), 0, []
    for number, moment in enumerate(moments(events, count, seed)):
        for event in events[done:moment]:
            disk.take(event)
        done = moment
        (into / str(number)).mkdir(parents=True)
        disk.cut(random.Random(f"{seed} {number}"), folder, into / str(number))
        left.append((moment, into / str(number)))
    return left


@pytest.mark.parametrize("count", [12, pytest.param(1000, marks=pytest.mark.release)])
def test_no_record_is_lost_and_none_invented(tmp_path: Path, count: int) -> None:
    folder = tmp_path / "rig"
    folder.mkdir()
    events = recorded(folder, RECORDING, str(FILLS if count > 100 else 3), str(ENTRIES))
    assert sum(event.kind == "fsync" for event in events) > 30
    found = [
        f"cut after {moment} of {len(events)} events: {fault}"
        for moment, left in cuts(events, folder, tmp_path / "cuts", count, seed=1)
        for fault in faults_in(left, told_by(events[:moment]))
    ]
    assert found == []


MAKING = """
import sys
from pathlib import Path
from shop_books import TRUCK
from rig.shop.posting import book_to_write

with book_to_write(Path(sys.argv[1]), TRUCK, simulated=True):
    pass
"""


def test_a_book_that_was_being_made_is_made_by_the_next_start(tmp_path: Path) -> None:
    """Tables, triggers and their version are there together, or not at all."""
    folder = tmp_path / "rig"
    folder.mkdir()
    events = recorded(folder, MAKING)
    disk, writes = Disk(), [n for n, event in enumerate(events) if event.kind in ("fsync", "unlink")]
    assert len(writes) > 5
    for number, event in enumerate(events):
        disk.take(event)
        if number in writes[::2]:
            left = tmp_path / f"cut-{number}"
            left.mkdir()
            disk.cut(random.Random(number), folder, left)
            assert unsound(left) is None
            with book_or_empty(left) as book:
                assert book.valid(FILL) == []
            with book_to_write(left, TRUCK, simulated=True) as book:
                assert book.truck
                assert book.faults() == []


@pytest.mark.full
def test_a_disk_that_only_says_that_it_has_written_loses_records(tmp_path: Path) -> None:
    """The check can fail: without what fsync keeps, acknowledged records are gone."""
    folder = tmp_path / "rig"
    folder.mkdir()
    events = [event for event in recorded(folder, RECORDING, "2", "1") if event.kind != "fsync"]
    found = []
    for moment, left in cuts(events, folder, tmp_path / "cuts", 12, seed=2):
        with contextlib.suppress(Exception):
            found += faults_in(left, told_by(events[:moment]))
    assert [each for each in found if "lost" in each]


# --- upgrades ---------------------------------------------------------------------------------------------------------

UPGRADING = """
import sys
from pathlib import Path
from rig.install.doing import Doer, shipped_files
from rig.install.plan import Point, Put, Remove, going_back, upgrading

doer = Doer(Path(sys.argv[1]))
new = {name: f"{text}# of version 2\\n" for name, text in shipped_files().items()}
plan = [step for step in upgrading("2.0", "1.0", new) if isinstance(step, Point | Put)]
program = doer.at("/opt/ballast-rig/2.0/program")
program.parent.mkdir(parents=True)
program.write_text("version 2" * 1000)
for step in [*plan, *going_back("1.0", shipped_files())] if sys.argv[2] == "back" else plan:
    if isinstance(step, Point | Put | Remove):
        doer.do(step)
"""


def installed(folder: Path) -> None:
    """Version 1, as it was kept long ago."""
    for name, text in {f"etc/{name}": text for name, text in shipped_files().items()}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    home = folder / HOME.lstrip("/")
    (home / "1.0").mkdir(parents=True)
    (home / "1.0/program").write_text("version 1" * 1000)
    (home / "current").symlink_to("1.0")


def long_ago(folder: Path) -> list[Event]:
    """What puts a folder's present files onto a disk, to stay."""
    events = []
    for path in sorted(folder.rglob("*")):
        if path.is_symlink():
            events.append(Event("symlink", str(path), str(path.readlink())))
        elif path.is_file():
            events += [Event("create", str(path)), Event("write", str(path), data=path.read_bytes())]
    return [*events, Event("sync")]


def upgrade_faults(left: Path) -> list[str]:
    """What is wrong with the program after a cut."""
    current = (left / CURRENT.lstrip("/")).readlink().name
    program = left / HOME.lstrip("/") / current / "program"
    text = program.read_text() if program.exists() else ""
    found = [] if text == f"version {current[0]}" * 1000 else [f"version {current} is not whole"]
    trial, previous = left / TRIAL.lstrip("/"), left / PREVIOUS.lstrip("/")
    if current == "2.0" and not (trial.exists() and previous.is_symlink()):
        found.append("the new version runs without a way back")
    if trial.exists() and previous.readlink().name != "1.0":
        found.append("the way back leads nowhere")
    for name, old in shipped_files().items():
        if (left / "etc" / name).read_text() not in (old, f"{old}# of version 2\n"):
            found.append(f"{name} is neither the old nor the new one")
    return found


@pytest.mark.parametrize("count", [60, pytest.param(1000, marks=pytest.mark.full)])
def test_in_an_upgrade_the_old_or_the_new_version_runs_whole_with_the_way_back(tmp_path: Path, count: int) -> None:
    folder = tmp_path / "root"
    installed(folder)
    before = long_ago(folder)
    events = recorded(folder, UPGRADING, "back")
    seen, found = set(), []
    for moment, left in cuts([*before, *events], folder, tmp_path / "cuts", count, seed=3):
        if moment >= len(before):
            seen.add((left / CURRENT.lstrip("/")).readlink().name)
            found += [f"cut after {moment - len(before)}: {fault}" for fault in upgrade_faults(left)]
    assert found == []
    assert seen == {"1.0", "2.0"}


@pytest.mark.full
def test_a_switch_without_its_sync_is_noticed(tmp_path: Path) -> None:
    """The check can fail: a version that is switched to before it is on the disk is found torn."""
    folder = tmp_path / "root"
    installed(folder)
    before = long_ago(folder)
    events = [event for event in recorded(folder, UPGRADING, "on") if event.kind != "sync"]
    left = cuts([*before, *events], folder, tmp_path / "cuts", 200, seed=4)
    assert any(upgrade_faults(each) for moment, each in left if moment >= len(before))
