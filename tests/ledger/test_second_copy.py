"""A copy on a second medium after every record: only what is new is written, a failure is said and not waited for."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from pathlib import Path

import pytest
from backed_rigs import AT, prove, rig_in
from shop import changed
from shop_books import TRUCK, fill_of, journal_only, journal_with

from rig.cli import main
from rig.ledger.book import BookError
from rig.ledger.journal import Journal
from rig.ledger.keeping import book_read
from rig.ledger.lock import alone
from rig.ledger.restoring import restore
from rig.ledger.second import second_copy
from rig.run.settings import SettingsError, settings_of
from rig.shop.holdings import holdings
from rig.shop.posting import JOURNAL_NAME, book_to_write
from rig.shop.second_copy import after_record


def copy(rig: Path, stick: Path) -> Path:
    return second_copy(rig, stick, AT, JOURNAL_NAME, (), {"data": "rig"})


def rows(path: Path, table: str) -> list[object]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()


def test_after_every_record_the_copy_is_the_same_and_restores(tmp_path: Path) -> None:
    rig, stick = rig_in(tmp_path / "rig", "a"), tmp_path / "stick"
    stick.mkdir()
    own = copy(rig, stick)
    for step in range(4):
        if step == 0:
            journal_with(rig, fill_of("b", 10))
        elif step == 1:
            prove(rig, 0.997)
        elif step == 2:
            with contextlib.closing(Journal(rig / JOURNAL_NAME)) as journal:
                journal.append("begun", AT, [("progress", {"t_s": 1.0})], '{"further": 1}')
        else:
            with contextlib.closing(Journal(rig / JOURNAL_NAME)) as journal:
                journal.close_fill("begun", fill_of("begun", 20), {"hose_holds": "beet"})
            (rig / "people.json").write_text("[]")
        with book_to_write(rig, TRUCK, simulated=True):
            pass
        assert copy(rig, stick) == own
        for table in ("fills", "entries", "memory", "provings", "events"):
            assert rows(own / "folder" / JOURNAL_NAME, table) == rows(rig / JOURNAL_NAME, table)
        with book_read(rig) as book, book_read(own / "folder") as there:
            assert list(there.every()) == list(book.every())
            assert there.truck == book.truck
    before = holdings(rig, None)
    shutil.rmtree(rig)
    restore(own, rig, JOURNAL_NAME, AT)
    assert holdings(rig, None) == before


def test_only_what_is_new_is_written(tmp_path: Path) -> None:
    """A year's book is not copied again for one record."""
    rig, stick = tmp_path / "rig", tmp_path / "stick"
    rig.mkdir()
    stick.mkdir()
    journal_with(rig, *(fill_of(f"f{number}") for number in range(300)))
    own = copy(rig, stick)
    (rig / "people.json").write_text("[]")
    copy(rig, stick)
    size, still = (own / "folder" / "book.sqlite").stat().st_size, (own / "folder" / "people.json").stat().st_ino
    wrote = written(lambda: (journal_with(rig, fill_of("last")), copy(rig, stick)))
    assert wrote < size / 2
    assert (own / "folder" / "people.json").stat().st_ino == still


def written(work: object) -> int:
    """Bytes that the process handed to the system while ``work`` was done, proc(5)."""

    def so_far() -> int:
        lines = Path(f"/proc/{os.getpid()}/io").read_text(encoding="ascii").splitlines()
        return int(next(line.split()[1] for line in lines if line.startswith("wchar")))

    before = so_far()
    assert callable(work)
    work()
    return so_far() - before


def test_a_copy_of_another_past_is_put_aside(tmp_path: Path) -> None:
    rig, stick = rig_in(tmp_path / "rig", "a"), tmp_path / "stick"
    stick.mkdir()
    own = copy(rig, stick)
    kept = tmp_path / "kept"
    shutil.copytree(rig, kept)
    journal_with(rig, fill_of("b", 10))
    copy(rig, stick)
    shutil.rmtree(rig)
    kept.rename(rig)
    journal_with(rig, fill_of("c", 10))
    copy(rig, stick)
    with book_read(own / "folder") as there:
        assert there.keys("fill") == {"a", "c"}
    with book_read(stick / f"{own.name}.before-1" / "folder") as aside:
        assert aside.keys("fill") == {"a", "b"}


def test_a_medium_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    rig = rig_in(tmp_path / "rig", "a")
    with pytest.raises(BookError, match="is the medium in its place"):
        copy(rig, tmp_path / "media" / "stick")
    assert not (tmp_path / "media").exists()


def shop(tmp_path: Path) -> Path:
    """A configuration with a second copy."""
    config = (Path(__file__).resolve().parents[2] / "config" / "demo.toml").read_text(encoding="utf-8")
    extra = f'[rig]\ndata = "{tmp_path / "rig"}"\nsecond_copy = "{tmp_path / "stick"}"\n'
    path = tmp_path / "shop.toml"
    lines = [line for line in config.splitlines() if not line.startswith("data =")]
    path.write_text("\n".join(lines).replace("[rig]\n", extra, 1) + "\n", encoding="utf-8")
    return path


def test_a_command_that_writes_copies_and_says_when_it_could_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = shop(tmp_path)
    dip = ("stock", "dip", "--volume", "900 L", "--config", str(config))
    assert main(list(dip)) == 0
    assert "NOT ON THE SECOND MEDIUM" in capsys.readouterr().err
    (tmp_path / "stick").mkdir()
    assert main(list(dip)) == 0
    assert capsys.readouterr().err == ""
    [own] = (tmp_path / "stick").iterdir()
    with book_read(own / "folder") as there:
        assert len(there.valid("dip")) == 2
    # The configuration is with it: a new computer needs nothing else.
    assert main(["drill", str(own), "--config", str(config)]) == 0
    shutil.rmtree(tmp_path / "rig")
    config.rename(tmp_path / "moved.toml")
    assert main(["restore", str(own), "--config", str(config)]) == 0
    assert config.read_text() == (tmp_path / "moved.toml").read_text()
    with book_read(tmp_path / "rig") as book:
        assert len(book.valid("dip")) == 2


def test_a_restore_says_that_the_second_copy_is_newer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = shop(tmp_path)
    (tmp_path / "stick").mkdir()
    dip = ("stock", "dip", "--volume", "900 L", "--config", str(config))
    assert main(list(dip)) == 0
    assert main(["backup", str(tmp_path / "b.zip"), "--config", str(config)]) == 0
    assert main(list(dip)) == 0
    shutil.rmtree(tmp_path / "rig")
    capsys.readouterr()
    assert main(["restore", str(tmp_path / "b.zip"), "--config", str(config)]) == 0
    assert "has 2 records, 1 more than the backup" in capsys.readouterr().out


def test_a_copy_into_itself_is_refused() -> None:
    for place in ("rig-data", "rig-data/copy", "./rig-data/x/y"):
        with pytest.raises(SettingsError, match="another medium"):
            settings_of(changed({"rig.second_copy": place}), "test")
    assert settings_of(changed({"rig.second_copy": "rig-data-2"}), "test").rig.second_copy == "rig-data-2"


def test_a_slow_medium_is_not_waited_for(tmp_path: Path) -> None:
    """Another program holds the copy, as a stick that hangs would: the answer comes at once and says so."""
    rig, stick = rig_in(tmp_path / "rig", "a"), tmp_path / "stick"
    stick.mkdir()
    document = changed({"rig.data": str(rig), "rig.second_copy": str(stick)})
    settings = settings_of(document, "test")
    assert after_record(settings) == ""
    own = next(stick.iterdir())
    journal_only(rig, fill_of("b", 10))
    with contextlib.closing(sqlite3.connect(own / "folder" / JOURNAL_NAME, isolation_level=None)) as busy:
        busy.execute("BEGIN EXCLUSIVE")
        assert after_record(settings, wait_s=0.0) == ""
        assert "is still being written" in after_record(settings, wait_s=0.05)
        busy.execute("ROLLBACK")
    assert after_record(settings, wait_s=60.0) == ""
    assert len(rows(own / "folder" / JOURNAL_NAME, "fills")) == 3


def test_one_process_at_a_time_writes_the_copy(tmp_path: Path) -> None:
    """Else a manifest could name the files as another process had them."""
    rig, stick = rig_in(tmp_path / "rig", "a"), tmp_path / "stick"
    stick.mkdir()
    settings = settings_of(changed({"rig.data": str(rig), "rig.second_copy": str(stick)}), "test")
    with alone(rig / "second-copy"):
        assert "is still being written" in after_record(settings, wait_s=0.05)
        assert not [*stick.iterdir()]
    assert after_record(settings, wait_s=60.0) == ""
    assert [*stick.iterdir()]
