"""A book of version 1, written by the code before the model of records: it verifies, prints and goes on as it did.

``old_book.jsonl`` is its export, ``old_book.txt`` what that code printed of it, but for the fields that could not be
corrected then; names in it are invented. The schema is checked by jsonschema, a general-purpose validator of the
standard (JSON Schema draft 2020-12).
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from shop_books import fill_of, journal_with

from rig.books.undo import correct
from rig.cli import main
from rig.ledger.chain import Record, canonical
from rig.ledger.keeping import book_of, book_read, export
from rig.record import kinds
from rig.record.base import VERSION, RecordError
from rig.record.kinds import read_kind, schema
from rig.record.notes import Dip, Load
from rig.record.proving import Event
from rig.record.work import PumpWork

HERE = Path(__file__).parent
RECORDS = [Record(**json.loads(line)) for line in (HERE / "old_book.jsonl").read_text(encoding="utf-8").splitlines()]
LOOKS = (
    "ticket 1", "ticket 1 --json", "ticket --job J1", "tag 1 --json", "invoice", "invoice 1", "invoice 1 --json",
    "invoice 2", "quote J2", "quote J2 --json", "job J1", "job J1 --json", "compare", "compare --json", "stock",
    "stock --json", "customer show 1", "prices", "teach loader-rear", "ledger list --records",
    "ledger list --records --json",
)  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    (tmp_path / "rig-data").mkdir()
    with book_of(tmp_path / "rig-data", RECORDS[0].truck) as book:
        book.take_in(RECORDS)
    yield tmp_path / "rig-data"
    monkeypatch.undo()
    time.tzset()


def printed(text: str) -> str:
    """What was printed, but the time of printing; a document with its keys in order."""
    if text.startswith(("{", "[")):
        text = json.dumps(json.loads(text), sort_keys=True, ensure_ascii=False, indent=1)
    return re.sub(r"Printed \d{4}-\S+ \S+ \S+ \S+", "Printed", re.sub(r"Printed [^\"\n]*", "Printed", text)).strip()


def test_an_old_book_is_sound_and_prints_what_it_printed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shown = []
    for words in LOOKS:
        assert main(words.split()) == 0, capsys.readouterr()
        shown.append(f"$ rig {words}\n{printed(capsys.readouterr().out)}\n")
    assert "\n".join(shown) == (HERE / "old_book.txt").read_text(encoding="utf-8")
    with book_read(folder) as book:
        assert (book.faults(), list(book.every())) == ([], RECORDS)


# --- the model ------------------------------------------------------------------------------------------------------


def test_every_record_is_written_again_as_it_was_read() -> None:
    for record in RECORDS:
        assert canonical(read_kind(record.kind, record.body).document()) == record.body
        assert canonical(read_kind(record.kind, record.body).sealed()) == record.body


def test_every_record_fits_the_schema_by_another_validator() -> None:
    own: dict[str, Any] = schema()
    jsonschema.Draft202012Validator.check_schema(own)
    for record in RECORDS:
        fits = jsonschema.Draft202012Validator({"$defs": own["$defs"], **own["properties"][record.kind]})
        fits.validate(record.document)
        assert not fits.is_valid(record.document | {"origin": "first"})


def test_the_schema_in_the_package_is_current(capsys: pytest.CaptureFixture[str]) -> None:
    """If not: `rig ledger schema > rig/record/schema.json`."""
    assert main(["ledger", "schema"]) == 0
    assert capsys.readouterr().out == (Path(kinds.__file__).parent / "schema.json").read_text(encoding="utf-8")


def test_what_a_newer_version_added_is_kept_by_a_correction_an_export_and_a_restore(folder: Path) -> None:
    with book_of(folder) as book:
        newer = RECORDS[1].document | {"record_version": VERSION + 1, "strength": {"freeze_c": -18.0}, "net_l": 250}
        made = book.append("fill", "newer", "2026-12-01T08:00:00.000+00:00", {**newer, "fill_id": "newer"})
        assert PumpWork.of(made).net_l == 250.0
        changed = correct(book, made, {"lot": "L2"}, "which lot", "A. Example")
        assert '"net_l":250,' in changed.body, "as it was written, not as 250.0"
        assert changed.document.keys() - newer.keys() == {
            "corrects", "origin", "revision", "written_clock", "corrected_at", "corrected_by", "why",
        }  # fmt: skip
        assert (changed.document["strength"], changed.document["lot"]) == ({"freeze_c": -18.0}, "L2")
        _, lines, _ = export(book.every(), folder.parent / "all.jsonl")
        bodies = [json.loads(json.loads(line)["body"]) for line in lines.read_text(encoding="utf-8").splitlines()]
        assert [body["strength"] for body in bodies if "strength" in body] == [{"freeze_c": -18.0}] * 2
        assert book.faults() == []


def test_a_value_that_this_version_does_not_know_is_refused_by_the_number_of_its_record(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with book_of(folder) as book:
        newer = RECORDS[1].document | {"record_version": VERSION + 1, "fill_id": "newer", "measured_by": "sonar"}
        book.append("fill", "newer", "2026-12-01T08:00:00.000+00:00", newer)
    assert main(["ticket", "newer"]) == 3
    assert "record 27: measured_by: " in (said := capsys.readouterr().err)
    assert "a newer version of this program wrote it: update this one" in said
    assert main(["ledger", "verify"]) == 0


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"litres": 3.0}, "a record of this kind has no litres"), ({"net_l": "3"}, "net_l: "), ({"flags": 3}, "flags: ")],
)
def test_a_change_that_no_record_can_have_is_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(RecordError, match=words):
        PumpWork.of(RECORDS[5]).changed(changes)


def test_a_new_record_states_its_version_and_one_known_by_its_content_does_not(folder: Path) -> None:
    with book_of(folder) as book:
        made = book.note("dip", "2026-12-01T08:00:00.000+00:00", Dip(tote="A", tote_l=500.0))
    assert made.document == {"tote": "A", "tote_l": 500.0, "record_version": VERSION}
    event = Event(event="calibration", number=1, what={})
    assert event.sealed() == event.document() == {"event": "calibration", "number": 1, "what": {}}


def test_a_key_that_is_left_out_has_no_null() -> None:
    load = Load(tote="A", loaded_l=1.0)
    assert load.document() == {"tote": "A", "loaded_l": 1.0, "fluid": "", "lot": ""}
    assert replace(load, from_="yard").document()["from"] == "yard"
    void = Load.read('{"tote":"A","loaded_l":1,"void":true}')
    assert void.changed({"void": None}).document() == {"tote": "A", "loaded_l": 1}


def test_posted_work_states_the_version_and_keeps_what_the_journal_has(tmp_path: Path) -> None:
    """The journal may have been written by a newer version, before this one was put back."""
    journal_with(tmp_path, fill_of("a", strength={"freeze_c": -18.0}))
    with book_read(tmp_path) as book:
        (record,) = book.valid("fill")
    assert record.document["record_version"] == VERSION
    assert record.document["strength"] == {"freeze_c": -18.0}
    assert (PumpWork.of(record).tote, PumpWork.of(record).drawn_l) == ("", None)
    assert "drawn_l" not in record.document
