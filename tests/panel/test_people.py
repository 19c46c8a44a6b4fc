"""PINs, sessions and who drives: refused, slowed down, handed over."""

from __future__ import annotations

import stat
from pathlib import Path

import argon2
import pytest

from rig.panel.people import People, PeopleError, Someone, pin_fault
from rig.panel.sessions import GONE_S, SHIFT_S, Sessions

JO, SAM = Someone("Jo", "technician", ""), Someone("Sam", "supervisor", "")


def test_a_pin_is_kept_as_a_hash_that_only_the_rig_may_read(tmp_path: Path) -> None:
    people = People(tmp_path)
    assert people.all() == []
    people.add("  Jo  Doe ", "technician", "270418")
    assert stat.S_IMODE(people.path.stat().st_mode) == 0o600
    text = people.path.read_text(encoding="utf-8")
    assert "270418" not in text
    # The reference implementation's own reader agrees that it is argon2id (RFC 9106).
    (listed,) = people.all()
    assert argon2.extract_parameters(listed.pin).type is argon2.Type.ID
    assert people.known("jo doe", "270418") == listed
    assert people.known("jo doe", "270419") is None
    assert people.known("nobody", "270418") is None


def test_another_pin_takes_the_place_of_the_old_one(tmp_path: Path) -> None:
    people = People(tmp_path)
    people.add("Jo", "technician", "270418")
    people.add("JO", "supervisor", "918273")
    assert [(each.name, each.role) for each in people.all()] == [("JO", "supervisor")]
    assert people.known("Jo", "270418") is None
    people.remove("jo")
    assert people.all() == []
    with pytest.raises(PeopleError, match="nobody is called"):
        people.remove("jo")


@pytest.mark.parametrize("pin", ["", "123", "1234567890123", "12a4", "1111", "1234", "9876", "0000", "٣٤٥٦", " 270418"])
def test_a_poor_pin_is_refused(pin: str, tmp_path: Path) -> None:
    assert pin_fault(pin)
    with pytest.raises(PeopleError):
        People(tmp_path).add("Jo", "technician", pin)


@pytest.mark.parametrize("text", ["{", "[1]", '[{"name": "Jo"}]'])
def test_a_damaged_file_lets_nobody_in_and_says_so(text: str, tmp_path: Path) -> None:
    people = People(tmp_path)
    people.path.write_text(text, encoding="utf-8")
    with pytest.raises(PeopleError, match=r"people\.json"):
        people.known("Jo", "270418")


def test_wrong_tries_are_slowed_down_ever_more() -> None:
    sessions = Sessions()
    for _ in range(4):
        sessions.wrong("jo", 0.0)
    assert sessions.pause_s("jo", 0.0) == 0
    pauses = []
    for _ in range(8):
        sessions.wrong("jo", 0.0)
        pauses.append(sessions.pause_s("jo", 0.0))
    assert pauses == [30, 60, 120, 240, 480, 900, 900, 900]
    assert sessions.pause_s("sam", 0.0) == 0
    sessions.open(JO, 901.0, "jo")
    assert sessions.pause_s("jo", 0.0) == 0


def test_a_session_lasts_for_a_shift_and_never_ends_in_a_fill() -> None:
    sessions = Sessions()
    session = sessions.open(JO, 0.0)
    assert sessions.found(session.token, SHIFT_S, busy=False) is session
    assert sessions.found(session.token, SHIFT_S + 3600, busy=True) is session
    assert sessions.found(session.token, SHIFT_S + 3600, busy=False) is None
    assert sessions.driver is None
    assert sessions.found("another", 0.0, busy=False) is None


def test_the_controls_are_handed_over_and_not_snatched() -> None:
    sessions = Sessions()
    jo, sam = sessions.open(JO, 0.0), sessions.open(SAM, 0.0)
    assert sessions.driver is jo
    assert not sessions.ask_to_drive(sam, 1.0)
    sessions.hand_over(sam, give=True)
    assert sessions.driver is jo
    sessions.hand_over(jo, give=False)
    assert (sessions.driver, sessions.asking) == (jo, None)
    sessions.ask_to_drive(sam, 2.0)
    sessions.hand_over(jo, give=True)
    assert (sessions.driver, sessions.asking) == (sam, None)


def test_the_controls_of_a_page_that_is_gone_can_be_taken() -> None:
    sessions = Sessions()
    jo, sam = sessions.open(JO, 0.0), sessions.open(SAM, 0.0)
    sessions.found(jo.token, 5.0, busy=True)
    assert not sessions.ask_to_drive(sam, 5.0 + GONE_S)
    assert sessions.ask_to_drive(sam, 5.1 + GONE_S)
    assert sessions.driver is sam
    sessions.close(sam)
    assert sessions.driver is None
    assert sessions.ask_to_drive(jo, 20.0)


def test_the_oldest_sessions_give_way_but_never_the_driver() -> None:
    sessions = Sessions()
    driver = sessions.open(JO, 0.0)
    others = [sessions.open(SAM, float(n)) for n in range(1, 60)]
    assert sessions.found(driver.token, 60.0, busy=False) is driver
    assert sessions.found(others[0].token, 60.0, busy=False) is None
    assert sessions.found(others[-1].token, 60.0, busy=False) is others[-1]
