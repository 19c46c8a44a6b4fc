"""A backup is everything that the rig would miss; a restore is the old folder or the new one, whenever it is killed.

The ZIP file is read by Python's own module and the hashes by hashlib, so that neither rests on this program.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import sqlite3
import tempfile
import zipfile
from pathlib import Path

import pytest
from backed_rigs import AT, prove, rig_in
from hypothesis import given
from hypothesis import strategies as st
from shop_books import TRUCK, fill_of, journal_only, journal_with

from rig.ledger import BOOK_NAME
from rig.ledger.backup import back_up, read_manifest, unpack
from rig.ledger.book import BookError, witness_of
from rig.ledger.journal import Journal
from rig.ledger.keeping import book_read, unsound
from rig.ledger.restoring import restore
from rig.shop.holdings import holdings
from rig.shop.posting import JOURNAL_NAME, book_to_write


def hashes(folder: Path) -> set[str]:
    with book_read(folder) as book:
        return {record.hash for record in book.every()}


def test_everything_that_the_rig_would_miss_comes_back(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a", "b"), tmp_path / "b.zip"
    before, records = holdings(rig, None), hashes(rig)
    manifest = back_up(rig, file, AT, facts=lambda folder: holdings(folder, None))
    shutil.rmtree(rig)
    found = restore(file, rig, JOURNAL_NAME, AT)
    assert manifest.facts == before == holdings(rig, None)
    assert before["stock_l"] == {"": 900.0}
    assert before["provings"] == before["calibration_events"] == before["people"] == 1
    assert before["unfinished"] == ["begun"]
    assert before["last_fill"] == {"number": 2, "fill_id": "b"}
    assert records < hashes(rig)
    assert found.record is not None
    assert found.record.document["records"] == manifest.records == len(records)
    assert (rig / "people.json").stat().st_mode & 0o777 == 0o600
    assert unsound(rig) is None
    assert (found.aside, found.said) == (None, ())


def test_a_proving_after_a_restore_has_a_number_of_its_own_and_is_posted(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip"
    back_up(rig, file, AT)
    shutil.rmtree(rig)
    restore(file, rig, JOURNAL_NAME, AT)
    assert prove(rig, 0.996) == 2
    with book_to_write(rig, TRUCK, simulated=True) as book:
        assert [each.document["document"]["factor"] for each in book.valid("proving")] == [0.99553, 0.996]  # type: ignore[index]


def test_the_manifest_says_what_is_in_it(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip"
    (tmp_path / "shop.toml").write_text("x = 1\n")
    back_up(rig, file, AT, beside=[str(tmp_path / "shop.toml")], about={"version": "1"})
    with zipfile.ZipFile(file) as packed:
        manifest = json.loads(packed.read("manifest.json"))
        found = {part["name"]: hashlib.sha256(packed.read(part["name"])).hexdigest() for part in manifest["parts"]}
    assert found == {part["name"]: part["sha256"] for part in manifest["parts"]}
    assert set(found) == {
        "folder/book.sqlite", "folder/journal.sqlite", "folder/people.json", "beside/0-shop.toml",
    }  # fmt: skip
    with book_read(rig) as book:
        assert {truck: tuple(head) for truck, head in manifest["heads"].items()} == book.heads()
        assert manifest["truck"] == book.truck
    assert file.stat().st_mode & 0o077 == 0


def test_a_backup_is_taken_while_others_write(tmp_path: Path) -> None:
    rig = rig_in(tmp_path / "rig", "a")
    with contextlib.closing(sqlite3.connect(rig / JOURNAL_NAME, isolation_level=None)) as busy:
        busy.execute("BEGIN IMMEDIATE")
        busy.execute("DELETE FROM memory")
        back_up(rig, tmp_path / "b.zip", AT)
        busy.execute("ROLLBACK")
    assert read_manifest(tmp_path / "b.zip").records == 4


def test_a_backup_replaces_nothing_and_leaves_nothing_half_written(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip"
    back_up(rig, file, AT)
    with pytest.raises(BookError, match="replaces nothing"):
        back_up(rig, file, AT)
    with pytest.raises(BookError, match="neither a book nor a journal"):
        back_up(tmp_path / "nothing", tmp_path / "c.zip", AT)
    with pytest.raises(BookError, match="cannot be written"):
        back_up(rig, tmp_path / "no" / "c.zip", AT)
    with contextlib.closing(sqlite3.connect(rig / BOOK_NAME)) as db:
        db.executescript("DROP TRIGGER records_no_update; UPDATE records SET body = '{}' WHERE serial = 1")
    with pytest.raises(BookError, match="the copy is unsound"):
        back_up(rig, tmp_path / "c.zip", AT)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.zip", "rig"]


@pytest.fixture(scope="module")
def backed_up(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    top = tmp_path_factory.mktemp("whole")
    rig = rig_in(top / "rig", "a")
    back_up(rig, top / "b.zip", AT)
    return rig, top / "b.zip"


@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255), cut=st.booleans())
def test_a_damaged_or_cut_off_backup_is_refused_and_changes_nothing(
    backed_up: tuple[Path, Path], place: float, flip: int, cut: bool
) -> None:
    rig, file = backed_up
    whole, where = file.read_bytes(), int(place * file.stat().st_size)
    before = {path.name: path.read_bytes() for path in rig.iterdir()}
    rest = b"" if cut else bytes([whole[where] ^ flip]) + whole[where + 1 :]
    with tempfile.TemporaryDirectory() as name:
        changed, out = Path(name) / "changed.zip", Path(name) / "out"
        changed.write_bytes(whole[:where] + rest)
        try:
            manifest = unpack(changed, out)
        except BookError:
            with pytest.raises(BookError, match=r"changed\.zip"):
                restore(changed, rig, JOURNAL_NAME, AT)
            assert {path.name: path.read_bytes() for path in rig.iterdir()} == before
        else:
            # The byte was none that anything is read from, as a time in a header.
            assert not cut
            assert manifest.heads == read_manifest(file).heads
            for part in read_manifest(file).parts:
                assert hashlib.sha256((out / part.name).read_bytes()).hexdigest() == part.sha256


def test_a_name_that_leads_out_of_the_backup_is_refused(tmp_path: Path) -> None:
    part = {"name": "folder/../../evil", "path": "x", "size": 1, "sha256": "", "mode": 0o600}
    manifest = {"made_at": AT, "truck": "", "heads": {}, "parts": [part], "left_out": [], "about": {}, "facts": {}}
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as packed:
        packed.writestr("manifest.json", json.dumps({**manifest, "format": 1}))
        packed.writestr("folder/../../evil", "x")
    with pytest.raises(BookError, match="does not belong"):
        restore(tmp_path / "b.zip", tmp_path / "rig", JOURNAL_NAME, AT)
    with zipfile.ZipFile(tmp_path / "new.zip", "w") as packed:
        packed.writestr("manifest.json", json.dumps({**manifest, "format": 99}))
    with pytest.raises(BookError, match="later version"):
        read_manifest(tmp_path / "new.zip")


# --- what is newer in place -----------------------------------------------------------------------------------------


def test_a_sound_newer_book_is_never_lost(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip"
    back_up(rig, file, AT)
    journal_with(rig, fill_of("b", 10))
    before = hashes(rig)
    with pytest.raises(BookError, match=r"sound and holds record 5 of .* which the backup of 4 records does not have"):
        restore(file, rig, JOURNAL_NAME, AT)
    assert hashes(rig) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.zip", "rig"]


def test_a_damaged_book_is_put_aside_and_what_it_had_more_is_said(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip"
    back_up(rig, file, AT)
    journal_with(rig, fill_of("b", 10))
    with contextlib.closing(sqlite3.connect(rig / BOOK_NAME)) as db:
        db.executescript("DROP TRIGGER records_no_update; UPDATE records SET body = '{}' WHERE serial = 1")
    found = restore(file, rig, JOURNAL_NAME, AT)
    assert found.aside is not None
    assert (found.aside / BOOK_NAME).exists()
    assert any("1 record(s) more than the backup" in text for text in found.said)
    # The journal in place had gone on: what it has is posted again.
    assert any("goes further than the backup's and is kept" in text for text in found.said)
    with book_to_write(rig, TRUCK, simulated=True) as book:
        assert book.keys("fill") == {"a", "b"}


def test_neither_journal_is_lost_where_each_has_what_the_other_lacks(tmp_path: Path) -> None:
    rig, file = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip"
    back_up(rig, file, AT)
    shutil.rmtree(rig)
    rig.mkdir()
    journal_only(rig, fill_of("z"))
    with pytest.raises(BookError, match="put the folder aside first"):
        restore(file, rig, JOURNAL_NAME, AT)
    with contextlib.closing(Journal(rig / JOURNAL_NAME)) as journal:
        assert journal.closed() == ["z"]


def test_files_beside_the_folder_come_back_and_another_one_there_is_kept(tmp_path: Path) -> None:
    rig, file, config = rig_in(tmp_path / "rig", "a"), tmp_path / "b.zip", tmp_path / "conf" / "shop.toml"
    config.parent.mkdir()
    config.write_text("old = 1\n")
    back_up(rig, file, AT, beside=[str(config)])
    shutil.rmtree(config.parent)
    restore(file, rig, JOURNAL_NAME, AT)
    assert config.read_text() == "old = 1\n"
    config.write_text("new = 1\n")
    shutil.rmtree(rig)
    [said] = restore(file, rig, JOURNAL_NAME, AT).said
    assert "is another one here and is kept" in said
    assert config.read_text() == "new = 1\n"
    assert config.with_name("shop.toml.restored").read_text() == "old = 1\n"


# --- backups of earlier versions ------------------------------------------------------------------------------------


def old_backup(rig: Path, into: Path) -> Path:
    """The book alone, as versions before wrote it."""
    with (
        contextlib.closing(sqlite3.connect(rig / BOOK_NAME)) as source,
        contextlib.closing(sqlite3.connect(into)) as copy,
    ):
        source.backup(copy)
    return into


def test_a_book_alone_still_restores_and_brings_the_meter_s_standing_with_it(tmp_path: Path) -> None:
    """The proven factor fell to 1 without a word, "these counts never go back" read 0, and a number came twice."""
    rig = rig_in(tmp_path / "rig", "a")
    before = holdings(rig, None)
    file = old_backup(rig, tmp_path / "old.sqlite")
    shutil.rmtree(rig)
    found = restore(file, rig, JOURNAL_NAME, AT)
    assert any("came back out of the book" in text for text in found.said)
    with contextlib.closing(Journal(rig / JOURNAL_NAME)) as journal:
        assert [each.document["factor"] for each in journal.provings()] == [0.99553]
        assert journal.event_counts() == {"calibration": 1, "configuration": 0}
    after = holdings(rig, None)
    assert {key: after[key] for key in ("provings", "calibration_events", "totaliser_l", "stock_l", "last_fill")} == {
        key: before[key] for key in ("provings", "calibration_events", "totaliser_l", "stock_l", "last_fill")
    }
    assert prove(rig, 0.996) == 2
    with book_to_write(rig, TRUCK, simulated=True) as book:
        assert len(book.valid("proving")) == 2


def test_a_book_alone_leaves_everything_else_in_place(tmp_path: Path) -> None:
    rig = rig_in(tmp_path / "rig", "a")
    file = old_backup(rig, tmp_path / "old.sqlite")
    (rig / BOOK_NAME).unlink()
    witness_of(rig / BOOK_NAME).unlink()
    restore(file, rig, JOURNAL_NAME, AT)
    assert holdings(rig, None)["people"] == 1
    assert holdings(rig, None)["unfinished"] == ["begun"]
    shutil.copyfile(file, tmp_path / "bad.sqlite")
    with contextlib.closing(sqlite3.connect(tmp_path / "bad.sqlite")) as db:
        db.executescript("DROP TRIGGER records_no_delete; DELETE FROM records WHERE serial = 2")
    with pytest.raises(BookError, match="unsound"):
        restore(tmp_path / "bad.sqlite", tmp_path / "other", JOURNAL_NAME, AT)
    assert not (tmp_path / "other").exists()
