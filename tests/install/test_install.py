"""What an installation does, carried out in a folder that stands for the computer's root, by the system's own tools."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shlex
import shutil
import sqlite3
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
from processes import ROOT
from shop_books import about_of, fill_of, journal_with

from rig.cli.commands import main, parser_of
from rig.install.doing import Doer, shipped_files
from rig.install.plan import (
    CURRENT,
    HOME,
    PREVIOUS,
    RECORDS,
    TRIAL,
    CopyRecords,
    DecidesAlike,
    IsOffered,
    NothingUnfinished,
    Point,
    Put,
    Reads,
    Run,
    Try,
    Unpack,
    installing,
    uninstalling,
    upgrading,
)  # fmt: skip
from rig.ledger.black_box import FOLDER_NAME
from rig.ledger.journal import Journal
from rig.ledger.keeping import book_read, unsound
from rig.office.link import copy_of_office
from rig.record.notes import Shared
from rig.run.refused import Refused

VERSION = version("ballast-rig")
UNIT = shipped_files()["systemd/system/ballast-rig.service"]


def needed(tool: str) -> str:
    found = shutil.which(tool)
    if found is None:
        if os.environ.get("RIG_NO_SKIPS"):
            pytest.fail(f"no {tool}: this test must not be left out here")
        pytest.skip(f"{tool} is missing: apt install systemd")
    return found


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A computer with the program's folder in place, as `rig install` finds it that is run once more."""
    home = tmp_path / "root" / HOME.lstrip("/")
    (home / VERSION).mkdir(parents=True)
    (home / "current").symlink_to(VERSION)
    return tmp_path / "root"


def tree(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): str(path.readlink()) if path.is_symlink() else path.read_text()
        for path in sorted(folder.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


# --- the plan ---------------------------------------------------------------------------------------------------------


def test_an_upgrade_has_its_way_back_before_it_switches_and_asks_for_unfinished_fills_before_it_stops() -> None:
    plan = upgrading("2.0", "1.0", shipped_files())
    kinds = [type(step) for step in plan]
    stop = plan.index(Run(("systemctl", "stop", "ballast-rig.service"), live=True))
    switch = plan.index(Point(CURRENT, "2.0"))
    assert kinds.index(Unpack) < kinds.index(Reads) < kinds.index(DecidesAlike) < stop
    assert DecidesAlike not in map(type, upgrading("2.0", "1.0", shipped_files(), otherwise=True))
    assert NothingUnfinished() in (plan[0], plan[stop - 1])
    assert plan[stop - 1] == NothingUnfinished()
    assert plan.index(Point(PREVIOUS, "1.0")) < plan.index(Put(TRIAL, "2.0\n")) < switch
    assert isinstance(plan[-1], Try)


def test_no_plan_starts_a_pump_or_anything_but_the_one_service() -> None:
    files = shipped_files()
    for plan in (installing("1.0", files), upgrading("2.0", "1.0", files), uninstalling(files)):
        for step in plan:
            if isinstance(step, Run):
                assert step.words[0] in ("systemctl", "systemd-sysusers", "systemd-tmpfiles")
                assert not {"start", "enable"} & set(step.words) or step.words[-1] == "ballast-rig.service"


def test_what_is_removed_is_what_was_written() -> None:
    files = shipped_files()
    written = {step.path for step in installing("1.0", files) if isinstance(step, Put)}
    removed = {each for step in uninstalling(files) if (each := getattr(step, "path", None))}
    assert removed == written | {HOME}


def test_a_dry_run_prints_the_plan_and_does_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["install", "--dry-run", "--json", "--root", str(tmp_path)]) == 0
    steps = json.loads(capsys.readouterr().out)["steps"]
    assert steps == [str(step) for step in installing(VERSION, shipped_files())]
    assert list(tmp_path.iterdir()) == []


# --- refused ----------------------------------------------------------------------------------------------------------


NOBODY = """
import os, sys
from rig.cli.commands import _status_of, main, parser_for

# All that is loaded later: nobody may read this checkout or its Python.
parser_for("install"), _status_of(ValueError())
if os.geteuid() == 0:
    os.setuid(65534)
raise SystemExit(main(sys.argv[1:]))
"""


@pytest.mark.parametrize("words", [["install"], ["install", "--show"], ["uninstall"]])
def test_without_root_it_is_refused_with_words(words: list[str]) -> None:
    done = subprocess.run([sys.executable, "-c", NOBODY, *words], cwd=ROOT, capture_output=True, text=True, check=False)
    assert "run it as root (sudo); --dry-run says what it would do" in done.stderr
    assert done.returncode == 3
    assert done.stdout == ""


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(words) == 3
    return capsys.readouterr().err


def test_an_environment_that_the_service_cannot_use_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The tests run from a checkout: a copy of that would lead back to it."""
    said = refused(capsys, "install", "--root", str(tmp_path))
    assert "runs from a checkout" in said
    assert "give the wheel" in said
    assert not (tmp_path / CURRENT.lstrip("/")).is_symlink()


def test_an_upgrade_by_another_file_than_the_office_offers_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything else: the version that runs, and its records, are as they were."""
    wheel = tmp_path / "ballast_rig-9.9-py3-none-any.whl"
    wheel.write_bytes(b"invented")
    root = tmp_path / "root"
    current = root / CURRENT.lstrip("/")
    current.parent.mkdir(parents=True)
    current.symlink_to("1.0")
    said = {"sha256": hashlib.sha256(b"another file").hexdigest(), "day": "2026-12-01"}
    with copy_of_office(root / RECORDS.lstrip("/")) as copy:
        copy.append("shared release", "9.9", "2026-12-01T08:00:00.000+00:00", Shared(name="9.9", said=said))
    upgrade = ("install", "--upgrade", str(wheel), "--root", str(root))
    assert "is not the release 9.9 that the office offers" in refused(capsys, *upgrade)
    assert [each.name for each in current.parent.iterdir()] == ["current"]
    assert current.readlink().name == "1.0"
    assert main([*upgrade, "--dry-run", "--json"]) == 0
    assert "refuse if the office offers another file as 9.9" in json.loads(capsys.readouterr().out)["steps"][0]
    assert main([*upgrade, "--dry-run", "--json", "--not-offered"]) == 0
    assert "refuse if the office" not in capsys.readouterr().out
    # The file that is offered is gone on with.
    wheel.write_bytes(b"another file")
    Doer(root).do(IsOffered("9.9", "1.0", str(wheel)))


def test_a_file_that_is_no_wheel_of_it_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("other-1.0-py3-none-any.whl", "ballast_rig-1.0.zip", "ballast_rig-9.9-py3-none-any.whl"):
        if not name.startswith("ballast_rig-9"):
            (tmp_path / name).touch()
        assert "is no wheel of this program" in refused(
            capsys, "install", str(tmp_path / name), "--root", str(tmp_path)
        )


def test_an_upgrade_in_the_middle_of_a_fill_is_refused_and_changes_nothing(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (root / HOME.lstrip("/") / VERSION).rename(root / HOME.lstrip("/") / "0.0")
    Doer(root).do(Point(CURRENT, "0.0"))
    records = root / "var/lib/ballast-rig"
    records.mkdir(parents=True)
    with contextlib.closing(Journal(records / "journal.sqlite")) as journal:
        journal.open_fill("begun", "2026-11-29T08:00:00.000+00:00", about_of(fill_of("begun")), "{}", "{}")
    before = sorted(path for path in root.rglob("*") if "journal" not in path.name)
    for words in (["install", "--upgrade"], ["uninstall"]):
        said = refused(capsys, *words, "--root", str(root))
        assert "fill begun (16.9-28) is unfinished: end it first, by `rig resume` or `rig close`" in said
    assert sorted(path for path in root.rglob("*") if "journal" not in path.name) == before


@pytest.mark.parametrize(("recorded", "status"), [(False, 3), (True, 0), (True, 3)])
def test_a_version_that_decides_recorded_fills_otherwise_is_refused(root: Path, recorded: bool, status: int) -> None:
    """The new version's command is a stand-in that says which words it got; `rig shadow` has tests of its own."""
    python = root / HOME.lstrip("/") / "2.0/bin/python"
    python.parent.mkdir(parents=True)
    python.write_text(f'#!/bin/sh\necho "$*" > {root}/asked; echo "1 of 1 otherwise"; exit {status}\n')
    python.chmod(0o755)
    boxes = root / "var/lib/ballast-rig" / FOLDER_NAME
    boxes.mkdir(parents=True)
    if recorded:
        (boxes / "20261129T080000-aaaa.1.box.gz").touch()
    step = DecidesAlike(f"{HOME}/2.0")
    if recorded and status:
        with pytest.raises(Refused, match=r"(?s)1 of 1 otherwise.*--decides-otherwise"):
            Doer(root).do(step)
    else:
        Doer(root).do(step)
    asked = (root / "asked").read_text().split() if recorded else []
    assert asked == (["-I", "-m", "rig.cli", "shadow", str(boxes.parent), "--last", "20"] if recorded else [])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["install", "--upgrade"], "is installed already"),
        (["install", "--back"], "no version is on trial"),
    ],
)
def test_what_makes_no_sense_here_is_refused(
    root: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert said in refused(capsys, *words, "--root", str(root))


def test_nothing_is_upgraded_or_removed_where_nothing_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "`rig install` first" in refused(capsys, "install", "--upgrade", "--root", str(tmp_path))
    assert "nothing is installed here" in refused(capsys, "uninstall", "--root", str(tmp_path))


def test_another_version_is_not_installed_over_one_that_runs(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Doer(root).do(Point(CURRENT, "0.0"))
    assert "version 0.0 is installed: `rig install --upgrade`" in refused(capsys, "install", "--root", str(root))


# --- carried out in a folder ------------------------------------------------------------------------------------------


def test_the_user_has_serial_ports_and_its_own_folders_and_the_service_starts_at_power_on(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    needed("systemd-sysusers")
    assert main(["install", "--root", str(root), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"version": VERSION, "previous": None, "on_trial": False}
    users = [line.split(":") for line in (root / "etc/passwd").read_text().splitlines()]
    ((name, _, uid, gid, _, home, shell),) = users
    assert (name, home, shell) == ("ballast-rig", "/var/lib/ballast-rig", "/usr/sbin/nologin")
    groups = {line.split(":")[0]: line.split(":")[3] for line in (root / "etc/group").read_text().splitlines()}
    assert [each for each, members in groups.items() if "ballast-rig" in members.split(",")] == ["dialout"]
    for folder in ("etc/ballast-rig", "var/lib/ballast-rig"):
        told = (root / folder).stat()
        assert oct(told.st_mode & 0o777) == "0o750"
        if os.geteuid() == 0:
            assert (str(told.st_uid), str(told.st_gid)) == (uid, gid)
    assert (root / "etc/ballast-rig/rig-data").readlink() == Path("/var/lib/ballast-rig")
    wanted = root / "etc/systemd/system/multi-user.target.wants/ballast-rig.service"
    assert wanted.is_symlink()
    assert os.access(root / "usr/local/bin/rig", os.X_OK)


def test_going_back_writes_the_files_of_the_version_before_and_removal_keeps_the_records(root: Path) -> None:
    needed("systemd-sysusers")
    assert main(["install", "--root", str(root), "--json"]) == 0
    before, doer = tree(root), Doer(root)
    newer = {name: f"{text}# newer\n" for name, text in shipped_files().items()}
    for step in upgrading("9.0", VERSION, newer):
        if isinstance(step, Point | Put):
            doer.do(step)
    assert doer.version() == "9.0"
    assert main(["install", "--back", "--root", str(root), "--json"]) == 0
    assert tree(root) == before | {PREVIOUS.lstrip("/"): VERSION}
    (root / "var/lib/ballast-rig/book.sqlite").write_text("records")
    (root / "etc/ballast-rig/rig.toml").write_text("configuration")
    assert main(["uninstall", "--root", str(root), "--json"]) == 0
    left = {name for name in tree(root) if not name.startswith("etc/") or "ballast" in name}
    assert left == {"etc/ballast-rig/rig-data", "etc/ballast-rig/rig.toml", "var/lib/ballast-rig/book.sqlite"}


def test_records_that_a_newer_version_changed_before_it_failed_are_put_back(root: Path) -> None:
    needed("systemd-sysusers")
    records, doer = root / "var/lib/ballast-rig", Doer(root)
    assert main(["install", "--root", str(root), "--json"]) == 0
    journal_with(records, fill_of("one"))
    kept = {path.name: path.read_bytes() for path in records.iterdir()}
    for step in upgrading("9.0", VERSION, shipped_files()):
        if isinstance(step, Point | Put | CopyRecords):
            doer.do(step)
    with contextlib.closing(sqlite3.connect(records / "book.sqlite")) as db, db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
    assert unsound(records) is not None
    assert main(["install", "--back", "--root", str(root), "--json"]) == 0
    assert {path.name: path.read_bytes() for path in records.iterdir()} == kept
    assert unsound(records) is None
    # What the other one left stays beside.
    assert unsound(records.with_name("ballast-rig.before")) is not None


def test_records_that_both_versions_read_stay_as_they_are(root: Path) -> None:
    needed("systemd-sysusers")
    records, doer = root / "var/lib/ballast-rig", Doer(root)
    assert main(["install", "--root", str(root), "--json"]) == 0
    journal_with(records, fill_of("one"))
    for step in upgrading("9.0", VERSION, shipped_files()):
        if isinstance(step, Point | Put | CopyRecords):
            doer.do(step)
    journal_with(records, fill_of("two", 20))
    assert main(["install", "--back", "--root", str(root), "--json"]) == 0
    with book_read(records) as book:
        assert {record.key for record in book.valid("fill")} == {"one", "two"}


# --- the unit ---------------------------------------------------------------------------------------------------------


def setting(name: str) -> list[str]:
    return re.findall(rf"(?m)^{name}=(.*)$", UNIT)


def test_the_unit_runs_a_command_that_this_version_has() -> None:
    (start,), (stopped,) = setting("ExecStart"), setting("ExecStopPost")
    for text, command in ((start, "serve"), (shlex.split(stopped)[-1], "install")):
        words = shlex.split(text)
        parser_of(command).parse_args(words[words.index(command) + 1 :])
    assert start.startswith(f"{CURRENT}/bin/python -I -m rig.cli serve --https")


def verified(folder: Path) -> subprocess.CompletedProcess[str]:
    """What systemd says of the unit; the program it names is not on the machine that tests."""
    unit = folder / "ballast-rig.service"
    unit.write_text(re.sub(r"/opt/ballast-rig/\w+/bin/python", sys.executable, UNIT))
    words = [needed("systemd-analyze"), "verify", "--man=no", str(unit)]
    return subprocess.run(words, capture_output=True, text=True, check=False)


def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path) -> None:
    done = verified(tmp_path)
    assert [line for line in done.stderr.splitlines() if "ballast-rig" in line] == []
    assert done.returncode == 0


def test_systemd_s_own_review_finds_the_service_well_confined(tmp_path: Path) -> None:
    """0 is locked in, 10 open; systemd calls 2 to 5 OK. It needs the network, serial ports and the clock's state."""
    unit = tmp_path / "ballast-rig.service"
    unit.write_text(UNIT)
    words = [needed("systemd-analyze"), "security", "--offline=true", "--no-pager", str(unit)]
    said = subprocess.run(words, capture_output=True, text=True, check=False).stdout
    found = re.search(r"Overall exposure level for ballast-rig.service: ([\d.]+)", said)
    assert found is not None
    print(f"exposure {found[1]}")
    assert float(found[1]) < 2.5
