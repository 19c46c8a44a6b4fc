"""A truck proves who it is: enrolled by a code, its chain signed and countersigned; revoked, and gone on with anew."""

from __future__ import annotations

import stat
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from offices import AT, Desk, chain_in, desk, truck, write

from rig.ledger.backup import back_up
from rig.ledger.book import BookError
from rig.ledger.keeping import book_of, book_read
from rig.office.carrying import is_countersigned
from rig.office.enrolment import EnrolAnswer, read_code, shown
from rig.office.keys import HEAD, OfficeError, is_signed
from rig.office.link import asking, joined, link_in
from rig.office.register import Register


def test_from_a_code_to_a_countersigned_head(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 7)
    link = office.enrol(folder)
    moved = office.sync(folder, link)
    assert (moved.sent, moved.came) == (7, 0)
    assert office.chain(link.truck) == chain_in(folder)
    with book_read(folder) as book:
        signed = book.last_signed(link.truck)
    assert signed is not None
    assert (signed.serial, signed.hash) == (7, chain_in(folder)[-1].hash)
    assert is_countersigned(link, signed)
    assert is_signed(link.key.public_key(), signed.signature, HEAD, link.truck, 1, 7, signed.hash)
    assert office.sync(folder, link).sent == 0


def test_the_private_key_is_read_by_its_user_alone(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 1)
    office.enrol(folder)
    for path in (folder / "truck.key", tmp_path / "office.key"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert not (folder / "truck-next.key").exists()


def test_a_code_is_used_once(office: Desk, tmp_path: Path) -> None:
    code = office.register.new_code()
    first, second = truck(tmp_path, "a", 1), truck(tmp_path, "b", 1)
    request = asking(first, code)
    answer = office.register.enrolled(request, office.key)
    with pytest.raises(OfficeError, match="used by another computer"):
        office.register.enrolled(asking(second, code), office.key)
    # The answer was lost on its way: the same request has the same answer, and no second key.
    assert office.register.enrolled(request, office.key) == answer
    joined(first, code, answer)
    assert office.register.last_keys() == {"truck-a": (1, True)}


def test_neither_a_guessed_code_nor_a_false_office_is_believed(office: Desk, tmp_path: Path) -> None:
    folder, code = truck(tmp_path, "a", 1), office.register.new_code()
    number, secret = read_code(code)
    guessed = shown(number, ("B" if secret[0] == "A" else "A") + secret[1:])
    with pytest.raises(OfficeError, match="no such code"):
        office.register.enrolled(asking(folder, guessed), office.key)
    honest = office.register.enrolled(asking(folder, code), office.key)
    with desk(f"sqlite:///{tmp_path / 'false.sqlite'}", tmp_path / "false") as false:
        own = false.register.signing(tmp_path / "false")
        for changed in ({"office": honest.public}, {"truck": "truck-x"}, {"generation": 2}, {"mac": "AAAA"}):
            with pytest.raises(OfficeError, match="not from the office"):
                joined(folder, code, EnrolAnswer.model_validate(honest.model_dump() | changed))
        assert own is not None
    assert link_in(folder) is None
    joined(folder, code, honest)


def test_a_cancelled_code_is_one_no_more(office: Desk, tmp_path: Path) -> None:
    used, unused = office.register.new_code(), office.register.new_code()
    office.register.enrolled(asking(truck(tmp_path, "a", 1), used), office.key)
    assert [office.register.cancel(each) for each in (used, unused, unused, "truck-a")] == [False, True, False, False]
    with pytest.raises(OfficeError, match="no such code"):
        office.register.enrolled(asking(truck(tmp_path, "b", 1), unused), office.key)


@pytest.mark.parametrize("text", ["", "ABCD", "ABCD-ABCD-ABCD-ABCD-ABC", "ABCD-ABCD-ABCD-ABCD-ABC!", "é" * 20])
def test_what_is_no_code_is_refused_with_words(text: str) -> None:
    with pytest.raises(OfficeError, match="five groups of four"):
        read_code(text)


def test_a_code_is_read_as_people_type_it() -> None:
    number, secret = read_code("abcd efgh-OOII jklm bbbb")
    assert read_code("ABCD-EFGH-00I1-JKLM-8BB8") == (number, secret)


def test_a_lost_truck_is_revoked_and_a_new_computer_goes_on_in_its_chain(office: Desk, tmp_path: Path) -> None:
    lost = truck(tmp_path, "a", 5)
    link = office.enrol(lost)
    office.sync(lost, link)
    assert office.register.end_keys(link.truck) == 1
    with book_of(lost) as book:
        write(book, 3, "after")
    with pytest.raises(OfficeError, match="revoked"):
        office.sync(lost, link)
    new = tmp_path / "new"
    with pytest.raises(OfficeError, match="knows truck-a already"):
        office.enrol(truck(tmp_path / "other", "a", 0))
    fresh = office.enrol(new, link.truck)
    assert (fresh.truck, fresh.generation) == ("truck-a", 2)
    assert office.sync(new, fresh).came == 5
    with book_of(new) as book:
        book.append("event", "x", AT, {"event": "test"})
    assert office.sync(new, fresh).sent == 1
    assert office.chain(link.truck) == chain_in(new)
    # By whom each record was written is shown by the first signed head at or behind it.
    with Register(office.register._engine.url.render_as_string()) as register:
        heads = register.signed_heads("truck-a")
        assert [(head.serial, head.generation) for head in heads] == [(5, 1), (6, 2)]


def test_another_trucks_computer_does_not_take_a_code_for_a_chain(office: Desk, tmp_path: Path) -> None:
    first, other = truck(tmp_path, "a", 2), truck(tmp_path, "b", 2)
    office.enrol(first)
    with pytest.raises(OfficeError, match=r"is for truck-a; this computer's book is of truck-b"):
        office.enrol(other, "truck-a")


@pytest.mark.parametrize("name", ["office", "office for truck-a"])
def test_no_truck_has_an_office_s_chain(office: Desk, tmp_path: Path, name: str) -> None:
    with book_of(tmp_path / "x", name) as book:
        write(book, 1)
    with pytest.raises(OfficeError, match="no truck's id"):
        office.enrol(tmp_path / "x")


def test_a_book_before_an_old_backup_is_refused_and_nothing_moved(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 5)
    link = office.enrol(folder)
    office.sync(folder, link)
    other = truck(tmp_path / "again", "a", 3)
    with book_of(other) as book:
        write(book, 4, "other")
    with pytest.raises(BookError, match=r"two chains|another one"):
        office.sync(other, link)
    assert office.chain(link.truck) == chain_in(folder)


def test_an_office_without_its_key_says_so(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'o.sqlite'}"
    with desk(url, tmp_path / "keys"):
        pass
    with Register(url) as register, pytest.raises(OfficeError, match="--keys FOLDER"):
        register.signing(tmp_path / "elsewhere")


def test_who_wrote_each_record_is_proven_by_the_office_s_book(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 5)
    office.sync(folder, office.enrol(folder))
    assert office.register.signature_faults() == []
    # Somebody with the office's database enters a head that the truck never signed.
    with book_of(folder) as book:
        write(book, 2, "later")
        office.register.take_in(list(book.every(after=5, truck="truck-a")))
        signed = office.register.last_signed("truck-a")
        assert signed is not None
        office.register.keep_signed(replace(signed, serial=7, hash=book.heads()["truck-a"][1]))
    [fault] = office.register.signature_faults()
    assert (fault.truck, fault.serial) == ("truck-a", 7)


def test_a_truck_does_not_change_its_office_unasked(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 2)
    link = office.enrol(folder)
    with (
        desk(f"sqlite:///{tmp_path / 'other.sqlite'}", tmp_path / "other") as other,
        pytest.raises(OfficeError, match="belongs to another office"),
    ):
        other.enrol(folder)
    assert office.sync(folder, link).sent == 2


def test_no_key_is_in_a_backup(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", 2)
    office.sync(folder, office.enrol(folder))
    asking(folder, office.register.new_code())
    assert {"truck.key", "truck-next.key"} <= {path.name for path in folder.iterdir()}
    manifest = back_up(folder, tmp_path / "backup.zip", AT)
    assert {part.path for part in manifest.parts} == {"book.sqlite", "office.sqlite"}
    with zipfile.ZipFile(tmp_path / "backup.zip") as packed:
        assert not any(b"PRIVATE KEY" in packed.read(name) for name in packed.namelist())
