"""The book on a real disk: sealed, numbered, never changed; every change, gap and lost tail is found and placed.

SHA-256 is checked against FIPS 180-4's own example and against `hashlib` over an export, apart from the book's code.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.ledger import BOOK_NAME
from rig.ledger.book import BookError
from rig.ledger.chain import START, Record, UnfitError, canonical, faults_of, seal
from rig.ledger.keeping import book_of, disk_short, export, unsound

AT = "2026-01-01T00:00:00.000+00:00"


def fill_book(folder: Path, count: int, truck: str = "T1") -> Path:
    with book_of(folder, truck) as book:
        book.append_all([("fill", f"f{n}", AT, {"n": n, "job": f"J{n % 3}", "net_l": n / 3}) for n in range(count)])
    return folder / BOOK_NAME


def behind(path: Path, *statements: str) -> None:
    """Do what a person with a database tool may do: take the triggers away first."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        names = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for statement in (*(f"DROP TRIGGER {name}" for name in names), *statements):
            db.execute(statement)
        db.commit()


def told(folder: Path) -> list[str]:
    with book_of(folder, "T1") as book:
        return [str(fault) for fault in book.faults()]


# --- the chain ------------------------------------------------------------------------------------------------------


def test_a_seal_is_sha_256_over_plain_lines() -> None:
    # FIPS 180-4, example "abc", then the same function over the lines that a record is documented to be.
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea")
    record = seal("T1", (0, START), "fill", "a", AT, canonical({"b": 1.5, "a": "é"}))
    assert record.body == '{"a":"é","b":1.5}'
    lines = "\n".join(["T1", "1", "fill", "a", AT, "0" * 64, '{"a":"é","b":1.5}'])
    assert record.hash == hashlib.sha256(lines.encode()).hexdigest()


@pytest.mark.parametrize(
    "body", [{"a": float("nan")}, {"a": float("inf")}, {"a": object()}, {"a": "\x00"}, {"a": "\ud800"}]
)
def test_what_cannot_be_kept_is_refused(body: dict[str, object]) -> None:
    with pytest.raises(UnfitError, match="cannot hold"):
        canonical(body)


@pytest.mark.parametrize("field", ["", "two\nlines", "a\x00"])
def test_a_field_is_one_line(field: str) -> None:
    with pytest.raises(UnfitError, match="one line"):
        seal("T1", (0, START), "fill", field, AT, "{}")


def chain(count: int) -> list[Record]:
    made: list[Record] = []
    for n in range(count):
        head = (made[-1].serial, made[-1].hash) if made else (0, START)
        made.append(seal("T1", head, "fill", f"k{n}", AT, canonical({"n": n})))
    return made


@settings(max_examples=200, deadline=None)
@given(st.integers(2, 12), st.data())
def test_any_single_change_anywhere_is_found(count: int, data: st.DataObject) -> None:
    records = chain(count)
    heads = {"T1": (count, records[-1].hash)}
    assert list(faults_of(records, heads)) == []
    at = data.draw(st.integers(0, count - 1))
    how = data.draw(st.sampled_from(["body", "key", "at", "previous", "hash", "drop", "swap", "twice"]))
    if how == "drop":
        del records[at]
    elif how == "swap":
        other = (at + 1) % count
        records[at], records[other] = records[other], records[at]
    elif how == "twice":
        records.insert(at, records[at])
    else:
        fields = {name: getattr(records[at], name) for name in Record.__dataclass_fields__}
        records[at] = Record(**(fields | {how: fields[how] + "x"}))
    assert list(faults_of(records, heads)) != []


# --- appended to, never changed -------------------------------------------------------------------------------------


def test_records_are_numbered_without_a_gap_and_written_once(tmp_path: Path) -> None:
    with book_of(tmp_path, "T1") as book:
        first = book.append("fill", "a", AT, {"x": 1})
        assert book.append("fill", "a", AT, {"x": 2}) == first
        assert [book.append("fill", key, AT, {}).serial for key in "bcb"] == [2, 3, 2]
        assert [record.serial for record in book.every()] == [1, 2, 3]
        assert book.heads()["T1"][0] == 3


def test_a_failed_commit_uses_no_number(tmp_path: Path) -> None:
    with book_of(tmp_path, "T1") as book:
        book.append("fill", "a", AT, {})
        with pytest.raises(UnfitError):
            book.append_all([("fill", "b", AT, {}), ("fill", "c", AT, {"x": float("nan")})])
        assert book.append("fill", "d", AT, {}).serial == 2
        assert book.faults() == []


@pytest.mark.parametrize("statement", ["UPDATE records SET body = '{}'", "DELETE FROM records", "DELETE FROM heads"])
def test_the_file_itself_refuses_a_change(tmp_path: Path, statement: str) -> None:
    path = fill_book(tmp_path, 3)
    with contextlib.closing(sqlite3.connect(path)) as db, pytest.raises(sqlite3.IntegrityError, match=r"appended|stay"):
        db.execute(statement)


def test_a_correction_stands_in_for_what_it_corrects(tmp_path: Path) -> None:
    with book_of(tmp_path, "T1") as book:
        wrong = book.append("fill", "a", AT, {"job": "J", "net_l": 10})
        book.append("fill", "b", AT, {"job": "J", "net_l": 20})
        right = book.append("fill", "a/2", AT, {"job": "J", "net_l": 11, "corrects": wrong.serial})
        assert [record.key for record in book.valid("fill", job="J")] == ["a/2", "b"]
        assert book.one("fill", "a") == right
        assert len(list(book.every())) == 3


def test_two_writers_share_one_chain(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from rig.ledger.keeping import book_of\n"
        "with book_of(Path(sys.argv[1]), 'T1') as book:\n"
        f"    [book.append('fill', f'{{sys.argv[2]}}{{n}}', {AT!r}, {{}}) for n in range(20)]\n"
    )
    writers = [subprocess.Popen([sys.executable, "-c", script, str(tmp_path), name]) for name in "ab"]
    assert [writer.wait(60) for writer in writers] == [0, 0]
    with book_of(tmp_path, "T1") as book:
        assert book.faults() == []
        assert book.heads()["T1"][0] == 40


# --- what is found --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE records SET body = replace(body, '\"n\":4', '\"n\":5') WHERE serial = 5", "record 5: was changed"),
        ("DELETE FROM records WHERE serial = 5", "record 6: a gap before it: 5 missing"),
        ("DELETE FROM records WHERE serial IN (4, 5)", "record 6: a gap before it: 4 to 5 missing"),
        ("DELETE FROM records WHERE serial > 7", "record 8: the tail is torn off: records up to 9"),
        ("DELETE FROM heads", "record 9: the head of this chain is missing"),
    ],
)
def test_a_change_is_found_and_placed(tmp_path: Path, statement: str, words: str) -> None:
    path = fill_book(tmp_path, 9)
    assert told(tmp_path) == []
    behind(path, statement)
    assert any(words in text for text in told(tmp_path)), told(tmp_path)


def test_a_tail_that_is_lost_with_its_head_is_missed_by_the_witness(tmp_path: Path) -> None:
    path = fill_book(tmp_path, 6)
    with book_of(tmp_path, "T1") as book:
        hash_of_4 = next(record.hash for record in book.every() if record.serial == 4)
    behind(path, "DELETE FROM records WHERE serial > 4", f"UPDATE heads SET serial = 4, hash = '{hash_of_4}'")
    assert told(tmp_path) == ["T1, record 5: the tail is torn off: 6 records were written"]
    assert "torn off" in str(unsound(tmp_path))


def test_a_resealed_tail_shows_against_the_witness_of_a_printed_hash(tmp_path: Path) -> None:
    # Who can write the file and knows the program can seal a forged chain: then only what left the truck tells.
    fill_book(tmp_path, 3)
    with book_of(tmp_path, "T1") as book:
        printed = book.heads()["T1"][1]
    for name in (BOOK_NAME, f"{BOOK_NAME}.head"):
        (tmp_path / name).unlink()
    with book_of(tmp_path, "T1") as book:
        book.append_all([("fill", f"f{n}", AT, {"n": 7}) for n in range(3)])
        assert book.faults() == []
        assert book.heads()["T1"][1] != printed


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    path = fill_book(tmp_path, 400)
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 2 : len(whole) // 2 + 4096] = b"\xff" * 4096
    path.write_bytes(whole)
    try:
        assert told(tmp_path) != []
    except BookError as error:
        assert "book.sqlite" in str(error)  # noqa: PT017 (either answer is right: it depends on which page was hit)


def test_before_a_fill_only_the_end_is_looked_at(tmp_path: Path) -> None:
    assert unsound(tmp_path) is None
    path = fill_book(tmp_path, 1000)
    behind(path, "UPDATE records SET body = '{}' WHERE serial = 5")
    assert unsound(tmp_path) is None
    behind(path, "UPDATE records SET body = '{}' WHERE serial = 995")
    assert "record 995: was changed" in str(unsound(tmp_path))


def test_a_book_that_is_gone_is_missed(tmp_path: Path) -> None:
    fill_book(tmp_path, 2).unlink()
    assert "is gone" in str(unsound(tmp_path))


def test_thousands_of_records_are_verified(tmp_path: Path) -> None:
    body = {"about": "x" * 1500}
    with book_of(tmp_path, "T1") as book:
        book.append_all([("fill", f"f{n}", AT, {**body, "n": n}) for n in range(5000)])
        began_s = time.perf_counter()
        assert book.faults() == []
        spent_s = time.perf_counter() - began_s
        texts = [json.dumps(each.document).encode() for each in book.every()]
    began_s = time.perf_counter()
    hashed = {hashlib.sha256(text).hexdigest() for text in texts}
    bare_s = time.perf_counter() - began_s
    assert len(hashed) == 5000
    print(f"verified in {spent_s / bare_s:.0f} times the time of hashing their text alone")


def test_an_append_beside_a_bare_commit(tmp_path: Path) -> None:
    bare = sqlite3.connect(tmp_path / "bare.sqlite", isolation_level=None)
    for statement in (
        "PRAGMA journal_mode=WAL",
        "PRAGMA synchronous=FULL",
        "CREATE TABLE t (n INTEGER PRIMARY KEY, b)",
    ):
        bare.execute(statement)
    ours, theirs, text = [], [], "x" * 1500
    with book_of(tmp_path, "T1") as book:
        for n in range(60):
            began_s = time.perf_counter()
            book.append("fill", f"f{n}", AT, {"text": text})
            middle_s = time.perf_counter()
            bare.execute("INSERT INTO t (b) VALUES (?)", (text,))
            ours.append(middle_s - began_s)
            theirs.append(time.perf_counter() - middle_s)
    bare.close()
    # The quick ones of each: what a busy machine adds says nothing of either.
    bare_s, own_s = sorted(theirs)[6], sorted(ours)[6]
    print(f"append {1000 * own_s:.2f} ms, bare commit {1000 * bare_s:.2f} ms: {own_s / bare_s:.2f} times")
    with book_of(tmp_path, "T1") as book:
        assert [each.key for each in book.every()] == [f"f{n}" for n in range(60)]


# --- killed, copied, brought back -----------------------------------------------------------------------------------


def test_a_kill_leaves_a_sound_book(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from rig.ledger.keeping import book_of\n"
        "with book_of(Path(sys.argv[1]), 'T1') as book:\n"
        f"    [print(book.append('fill', f'f{{n}}', {AT!r}, {{}}).serial, flush=True) for n in range(100000)]\n"
    )
    with subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        for line in writer.stdout:
            if line == "25\n":
                os.kill(writer.pid, signal.SIGKILL)
                break
        said = [int(line) for line in writer.stdout] or [25]
    with book_of(tmp_path, "T1") as book:
        assert book.faults() == []
        assert book.heads()["T1"][0] >= max(said)


def test_an_export_can_be_checked_without_this_program(tmp_path: Path) -> None:
    fill_book(tmp_path, 5)
    with book_of(tmp_path, "T1") as book:
        book.append("job", "=1+1", AT, {"customer": "=HYPERLINK(1)"})
        assert export(book.every(), tmp_path / "out.jsonl")[0] == 6
    previous = "0" * 64
    for line in (tmp_path / "out.jsonl").read_text(encoding="utf-8").splitlines():
        each = json.loads(line)
        fields = [each["truck"], str(each["serial"]), each["kind"], each["key"], each["at"], previous, each["body"]]
        previous = hashlib.sha256("\n".join(fields).encode()).hexdigest()
        assert previous == each["hash"]
    sheet = (tmp_path / "out.csv").read_text(encoding="utf-8-sig")
    assert "'=HYPERLINK(1)" in sheet
    assert "'=1+1" in sheet


def test_a_disk_nearly_full_is_told(tmp_path: Path) -> None:
    assert disk_short(tmp_path, 0.001) is None
    assert "make room" in str(disk_short(tmp_path / "not" / "there" / "yet", 1e12))


def test_a_book_of_a_later_program_is_refused(tmp_path: Path) -> None:
    behind(fill_book(tmp_path, 1), "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(BookError, match="update the program"):
        book_of(tmp_path, "T1")
