"""Either side killed at every step of a transfer, a network that loses and doubles: nothing is lost or doubled.

A step is a commit of either database, before and after it, a file that is put in place, and each message on its way and
on its way back. One run for each step: it is killed there, everything is opened anew from the disk, and it goes on.
"""

from __future__ import annotations

import itertools
import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from offices import AT, Desk, chain_in, desk, truck, write
from postgres import Server
from sqlalchemy.engine.default import DefaultDialect

from rig.ledger.keeping import book_of, book_read
from rig.office import carrying, intake
from rig.office.carrying import Ask, Carrier, is_countersigned
from rig.office.enrolment import EnrolAnswer
from rig.office.intake import Challenges
from rig.office.link import Link, asking, copy_of_office, joined, link_in

RECORDS = 11


class Killed(BaseException):
    """The process ends here, as by a pulled plug: no handler of the program runs on it."""


class Steps:
    """Counts steps and kills at one of them."""

    def __init__(self, kill_at: int) -> None:
        self.at, self.kill_at = 0, kill_at

    def step(self) -> None:
        self.at += 1
        if self.at == self.kill_at:
            raise Killed


@contextmanager
def stepping(steps: Steps, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Every commit and every file put in place is two steps."""

    def stepped(do: Callable[..., object]) -> Callable[..., object]:
        def done(*args: object, **named: object) -> object:
            steps.step()
            found = do(*args, **named)
            steps.step()
            return found

        return done

    with monkeypatch.context() as patched:
        patched.setattr(DefaultDialect, "do_commit", stepped(DefaultDialect.do_commit))
        patched.setattr(Path, "replace", stepped(Path.replace))
        yield


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Several pieces in a transfer of few records."""
    for module in (carrying, intake):
        monkeypatch.setattr(module, "portion", lambda records: records[:4])


def settled(folder: Path, url: str, keys: Path) -> None:
    """A later exchange ends it: both have the same, sound, signed by both, and the truck has the office's chain."""
    with desk(url, keys) as made:
        link = link_in(folder)
        assert link is not None
        made.sync(folder, link)
        assert made.chain(link.truck) == chain_in(folder)
        with copy_of_office(folder) as copy, book_read(folder) as book:
            assert list(copy.every("office")) == list(made.register.every("office"))
            signed = book.last_signed(link.truck)
        assert signed is not None
        assert is_countersigned(link, signed)
        assert signed.serial == RECORDS
        assert made.sync(folder, link) == carrying.Moved()


def transfer(folder: Path, url: str, keys: Path, steps: Steps) -> None:
    """An exchange over a network whose every message is a step each way."""
    with desk(url, keys) as made:
        link = link_in(folder)
        assert link is not None

        def ask(what: str, text: str) -> str:
            steps.step()
            answer = made.ask(what, text)
            steps.step()
            return answer

        Carrier(folder, link, ask).run()


def shop_in(folder: Path, url: str = "") -> tuple[Path, str]:
    """An office with a chain of its own, and a truck that was never there."""
    url = url or f"sqlite:///{folder / 'office.sqlite'}"
    with desk(url, folder) as made:
        made.enrol(truck(folder, "a", RECORDS))
        write(made.register, 6, "offered")
    return folder / "a", url


@pytest.mark.parametrize("stride", [4, pytest.param(1, marks=pytest.mark.full)])
def test_either_side_killed_at_every_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stride: int) -> None:
    """At each step, or each fourth."""
    killed = 0
    shop_in(tmp_path / "first")
    for number in itertools.count(1, stride):
        home = tmp_path / str(number)
        shutil.copytree(tmp_path / "first", home)
        folder, url, steps = home / "a", f"sqlite:///{home / 'office.sqlite'}", Steps(number)
        try:
            with stepping(steps, monkeypatch):
                transfer(folder, url, home, steps)
        except Killed:
            killed += 1
            settled(folder, url, home)
            continue
        settled(folder, url, home)
        break
    print(f"killed at {killed} steps")
    assert killed * stride > 20


@pytest.mark.full
def test_either_side_killed_with_an_office_on_a_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, postgres: Server
) -> None:
    for number in itertools.count(1, 3):
        home, steps = tmp_path / str(number), Steps(number)
        folder, url = shop_in(home, postgres.create(f"killed_{number}"))
        killed = False
        try:
            with stepping(steps, monkeypatch):
                transfer(folder, url, home, steps)
        except Killed:
            killed = True
        settled(folder, url, home)
        if not killed:
            break
    print(f"killed at every third of {number} steps")
    assert number > 20


@pytest.mark.full
def test_killed_at_every_step_of_an_enrolment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same code and request again: one key at the office, the one that the truck has."""
    for number in itertools.count(1):
        home = tmp_path / str(number)
        folder, url, steps = truck(home, "a", RECORDS), f"sqlite:///{home / 'office.sqlite'}", Steps(number)
        with desk(url, home) as made:
            code = made.register.new_code()

        def enrol(steps: Steps, folder: Path = folder, url: str = url, home: Path = home, code: str = code) -> None:
            with desk(url, home) as made:
                request = asking(folder, code)
                steps.step()
                answer = made.register.enrolled(request, made.key).model_dump_json()
                steps.step()
            joined(folder, code, EnrolAnswer.read(answer))

        try:
            with stepping(steps, monkeypatch):
                enrol(steps)
        except Killed:
            if link_in(folder) is None:
                enrol(Steps(0))
        else:
            break
        with desk(url, home) as made:
            assert made.register.last_keys() == {"truck-a": (1, True)}
        settled(folder, url, home)
    assert number > 6


# --- the network ----------------------------------------------------------------------------------------------------


def bad_network(made: Desk, chance: random.Random) -> Ask:
    """Loses a message or its answer, or delivers the message twice and either answer; all as drawn."""

    def ask(what: str, text: str) -> str:
        fate = chance.choice(("whole", "lost", "answer lost", "too slow", "twice", "twice, second answer"))
        if fate == "lost":
            raise ConnectionError("no network")
        answer = made.ask(what, text)
        if fate in ("answer lost", "too slow"):
            raise TimeoutError(fate)
        if fate.startswith("twice"):
            try:
                second = made.ask(what, text)
            except carrying.OfficeError:
                return answer
            return second if fate == "twice, second answer" else answer
        return answer

    return ask


@pytest.mark.parametrize("seed", range(12))
def test_a_network_that_loses_and_doubles(tmp_path: Path, seed: int) -> None:
    folder, url = shop_in(tmp_path)
    chance, tries = random.Random(seed), 0
    with desk(url, tmp_path) as made:
        link = link_in(folder)
        assert link is not None
        carrier = Carrier(folder, link, bad_network(made, chance))
        while True:
            tries += 1
            assert tries < 500
            try:
                carrier.run()
            except OSError:
                continue
            break
        assert made.chain(link.truck) == chain_in(folder)
    settled(folder, url, tmp_path)


def test_an_office_that_restarts_asks_for_another_challenge(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", RECORDS)
    carrier = Carrier(folder, office.enrol(folder), office.ask)
    carrier.run()
    with book_of(folder) as book:
        book.append("event", "later", AT, {"event": "test"})
    office.challenges = Challenges()
    assert carrier.run().sent == 1


def test_an_answer_to_another_request_is_not_believed(office: Desk, tmp_path: Path) -> None:
    folder = truck(tmp_path, "a", RECORDS)
    link = office.enrol(folder)
    answers: list[str] = []

    def ask(what: str, text: str) -> str:
        answer = office.ask(what, text)
        if what == carrying.EXCHANGE:
            answers.append(answer)
            return answers[0]
        return answer

    with pytest.raises(carrying.OfficeError, match="to another request"):
        Carrier(folder, link, ask).run()
    assert isinstance(link, Link)
