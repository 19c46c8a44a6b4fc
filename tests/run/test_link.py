"""The controller's socket: a fill decides the same whatever comes over it, what comes is heard as said, and by whom."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
import socket
import stat
import tempfile
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st
from virtual_fills import fill_of, rig_settings

from rig.caution import Caution
from rig.control.belief.state import FillState
from rig.control.moves.decide import Decision
from rig.control.safety.guards import GUARD_NAMED
from rig.control.words.procedure import ENDED
from rig.control.words.values import Reading, Request
from rig.meter.references import Can, Scale
from rig.panel.worded import worded
from rig.plan.target import Wanted
from rig.run.assembly import Question
from rig.run.bench import Proof
from rig.run.desk import attended
from rig.run.facade import Facade, Live, Order, Shown, Work
from rig.run.messages import (
    HEAD_BYTES,
    MOST_ASKED_BYTES,
    Asked,
    Forget,
    Hello,
    Judged,
    LinkError,
    Look,
    Message,
    Ordered,
    SilentError,
    ToLook,
    VesselRead,
    frame_of,
    message_in,
    own_hello,
)  # fmt: skip
from rig.run.prover import Seen
from rig.run.refused import Refused
from rig.run.remote import reached
from rig.run.removal import Removal, Rinse
from rig.run.scans import Writer
from rig.run.session import Errand
from rig.run.sockets import bound_at, connected_to, place_in
from rig.sentence import Wording
from rig.shop.trials import TrialText

QUESTION = Question("16.9-28", Wanted(volume_l=80.0))
NOBODY = 65534
PUT_OUT = (b"heard ", b"BrokenPipeError", b"ConnectionResetError")
"""Nothing is answered: the connection ends before or after the greeting."""
Disturb = Callable[[Path], Awaitable[None]]


class Tape:
    """Everything that a fill decided on, and what it decided, as a recording has it."""

    def __init__(self) -> None:
        self._writer = Writer(1.0)
        self.lines: list[str] = []

    def scan(self, before: FillState, reading: Reading, requests: list[Request], decision: Decision) -> None:
        self.lines.append(self._writer.scan(reading, requests, decision))

    def taken_up(self, state: FillState, reading: Reading, ran_s: float) -> None:
        raise AssertionError("nothing is interrupted here")


async def filled(folder: Path, disturb: Disturb | None) -> list[str]:
    """One virtual fill, ordered over the socket and answered by touches; ``disturb`` acts before every scan."""
    fill = fill_of(rig_settings(), QUESTION)
    facade, tape = Facade(fill.rig.settings), Tape()
    fill.person, fill.tape = facade, tape  # type: ignore[assignment]
    fill.watch = lambda decision: facade(fill.setup, decision)
    place = place_in(folder)
    with bound_at(place) as bound:
        async with attended(facade, bound):
            async with reached(fill.rig.settings, place) as (page, _):
                names = tuple(check.name for check in fill.setup.checks)
                order = Order("order-1", "fill", "Jo", Errand(QUESTION, "Jo"), confirmed=names, start=True)
                assert await page.send(Ordered(order=order))
            assert facade.take_order() == order
            facade.begins(Shown(QUESTION.size), QUESTION)
            for number in range(20_000):
                if disturb is not None:
                    await disturb(place)
                decision = fill.run(until=lambda _: True)
                if decision.state.state in ENDED:
                    assert decision.state.alarms.first_out is None
                    return tape.lines
                if decision.prompt is not None:
                    facade.answer_prompt(f"touch-{number}", "Jo", decision.prompt.name)
    raise AssertionError("the fill does not end")


async def greeted(place: Path) -> socket.socket:
    """A connection on which both have said who they are."""
    made, loop = connected_to(place), asyncio.get_running_loop()
    made.send(frame_of(own_hello()))
    assert await loop.sock_recv(made, 1000) == frame_of(own_hello())
    return made


class Chaos:
    """A front end that is killed, frozen, mad or all of it, by chance from a seed."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._open: list[socket.socket] = []
        self.looks = self.kills = self.noises = 0

    async def __call__(self, place: Path) -> None:
        if self._chance.random() < 0.05:
            self._open.append(await greeted(place))
        for each in [*self._open]:
            do = self._chance.choice((self._look, self._look, self._kill, self._noise, self._freeze))
            # What the kernel does not take, or a connection that was ended, is the mad one's own business.
            with contextlib.suppress(BlockingIOError, BrokenPipeError, ConnectionResetError):
                do(each)
        # The controller's loop has its turn between two scans, as it has between two real ones.
        for _ in range(3):
            await asyncio.sleep(0)

    def close(self) -> None:
        for each in self._open:
            each.close()

    def _look(self, one: socket.socket) -> None:
        self.looks += 1
        one.send(frame_of(ToLook()))

    def _kill(self, one: socket.socket) -> None:
        """In the middle of a word."""
        self.kills += 1
        self._open.remove(one)
        with one:
            one.send(frame_of(ToLook())[: self._chance.randrange(1, 9)])

    def _noise(self, one: socket.socket) -> None:
        self.noises += 1
        self._open.remove(one)
        with one:
            one.send(self._chance.randbytes(self._chance.randrange(1, 2000)))

    def _freeze(self, one: socket.socket) -> None:
        """Ask, and never read the answers."""
        one.send(20 * frame_of(ToLook()))


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_a_fill_decides_the_same_whatever_happens_to_its_front_ends(tmp_path: Path, seed: int) -> None:
    alone, chaos = await filled(tmp_path, None), Chaos(seed)
    with contextlib.closing(chaos):
        assert await filled(tmp_path, chaos) == alone
    assert len(alone) > 500
    assert min(chaos.looks, chaos.kills, chaos.noises) > 5


# --- what is said ----------------------------------------------------------------------------------------------------

WORKS: list[Work] = [
    Errand(QUESTION, "Jo", "J1", "rear left", "rig.toml", other_fluid=True),
    Removal(QUESTION, holds_l=12.5, fluid="beet", volume_l=3.0, to="tote", by="Jo"),
    Removal(QUESTION),
    Rinse(10.0, True, "Jo", "rig.toml"),
    TrialText(can="20 L", fluid="water", runs=4, by="Sam"),
]
SAID: list[Message] = [
    ToLook(),
    Asked(request=Request("touch-1", "answer", "gun_on", "Jo")),
    *(Ordered(order=Order(f"order-{n}", "fill", "Jo", work, "", ("a", "b"), True)) for n, work in enumerate(WORKS)),
    Ordered(order=Order("order-9", "close", "Jo", fill_id="fill-1")),
    Forget(scopes=("shift", "machine"), by="Jo"),
    VesselRead(id="touch-2", seen=Seen(20.03, 18.5)),
    Judged(id="touch-3", taken=False),
]


@pytest.mark.parametrize("message", SAID, ids=lambda message: type(message).__name__)
def test_what_is_said_is_heard_as_it_was_said(message: Message) -> None:
    assert message_in(frame_of(message)[4:]) == message


@pytest.mark.parametrize("reference", [Can(20.0, "stainless"), Scale(0.05, 1e-3)])
def test_a_snapshot_arrives_whole(reference: Can | Scale) -> None:
    fill = fill_of(rig_settings(), QUESTION)
    decision = fill.run(most_s=60.0)
    facade = Facade(fill.rig.settings)
    facade.begins(Shown(QUESTION.size), QUESTION)
    facade(fill.setup, decision)
    facade.given.remember("Jo", fill.setup.checks)
    facade.bench.proof = Proof(3, reference, "2 kg", asks="reading")
    seen = facade.snapshot()
    assert seen.given
    for live in (seen.live, Live(seen.live.reading, "no answer", GUARD_NAMED["flow_while_stopped"])):
        look = Look(snapshot=replace(seen, live=live), gap_s=0.25)
        assert Look.model_validate_json(frame_of(look)[4:]) == look


@tries(max_examples=300, deadline=None)
@given(st.binary(max_size=200) | st.sampled_from(SAID).map(lambda said: frame_of(said)[4:-1]))
def test_what_is_no_message_is_no_message_and_nothing_else(text: bytes) -> None:
    with pytest.raises(LinkError):
        message_in(text)


@pytest.mark.parametrize(
    "words",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        (MOST_ASKED_BYTES + 1).to_bytes(4) + b"{}",
        b"\0\0\0\0",
        frame_of(own_hello()) + b"\0\0\0\2[]",
        frame_of(own_hello()) + b'\0\0\0\x10{"what": "shell"}',
        frame_of(Hello(version="1", hash="another")) + frame_of(Asked(request=Request("touch-1", "stop", by="Eve"))),
        frame_of(Asked(request=Request("touch-1", "stop", by="Eve"))),
        frame_of(own_hello()) + frame_of(Asked(request=Request("touch-1", "stop"))).replace(b"stop", b"fire"),
    ],
)
async def test_whoever_speaks_no_message_is_put_out_and_nothing_is_heard(tmp_path: Path, words: bytes) -> None:
    facade, place = Facade(rig_settings()), place_in(tmp_path)
    with bound_at(place) as bound:
        async with attended(facade, bound), reached(facade.settings, place) as (page, _):
            with connected_to(place) as mad:
                mad.send(words)
                while await asyncio.get_running_loop().sock_recv(mad, 1000):
                    pass
            assert not facade.take_stop()
            # The others do not notice.
            assert await page.send(Asked(request=Request("touch-2", "stop", by="Jo")))
            assert facade.take_stop()


async def test_one_that_asks_and_never_reads_holds_up_nobody(tmp_path: Path) -> None:
    facade, place = Facade(rig_settings()), place_in(tmp_path)
    with bound_at(place) as bound:
        async with attended(facade, bound), reached(facade.settings, place) as (page, _):
            with await greeted(place) as mad:
                with contextlib.suppress(BlockingIOError):
                    while True:
                        mad.send(1000 * frame_of(ToLook()))
                for number in range(20):
                    assert await page.send(Asked(request=Request(f"touch-{number}", "hold", by="Jo")))


async def test_of_a_flood_of_stops_a_few_wait_for_the_scan(tmp_path: Path) -> None:
    facade = Facade(rig_settings())
    for number in range(5000):
        facade.stop(f"stop-{number}", "anyone")
    assert len(facade._inbox) < 20
    assert facade.take_stop()
    assert not facade.take_stop()


# --- who is heard ----------------------------------------------------------------------------------------------------


async def as_nobody(place: Path) -> bytes:
    """What another user gets at the socket: the answer to a greeting, or the system's refusal."""
    heard, said = os.pipe()
    child = os.fork()
    if not child:
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            try:
                with connected_to(place) as connection:
                    connection.setblocking(True)
                    connection.sendall(frame_of(own_hello()))
                    os.write(said, b"heard " + connection.recv(100))
            except LinkError:
                os.write(said, b"not this user's")
            except OSError as error:
                os.write(said, type(error).__name__.encode())
        finally:
            os._exit(0)
    while not os.waitpid(child, os.WNOHANG)[0]:
        await asyncio.sleep(0)
    found = os.read(heard, 1000)
    os.close(said)
    os.close(heard)
    return found


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can try as another user")
async def test_another_user_is_not_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    facade = Facade(rig_settings())
    with tempfile.TemporaryDirectory() as folder, bound_at(place := place_in(Path(folder))) as bound:
        assert stat.S_IMODE(place.stat().st_mode) == 0o600
        place.parent.chmod(0o711)
        async with attended(facade, bound):
            assert await as_nobody(place) == b"PermissionError"
            place.chmod(0o666)
            # Where the file lets it in: neither side speaks with another user.
            assert await as_nobody(place) == b"not this user's"
            monkeypatch.setattr("rig.run.sockets.own_user", lambda connection: None)
            assert await as_nobody(place) in PUT_OUT
            assert not facade.take_stop()


async def test_a_page_of_another_version_is_refused_with_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    facade, place = Facade(rig_settings()), place_in(tmp_path)
    other = Hello(version="0.0.1", hash="0123456789abcdef")
    with bound_at(place) as bound:
        async with attended(facade, bound):
            monkeypatch.setattr("rig.run.remote.own_hello", lambda: other)
            monkeypatch.setattr("rig.run.messages.own_hello", lambda: other)
            with pytest.raises(LinkError, match="start `rig serve` again"):
                async with reached(facade.settings, place):
                    pass


# --- silence ---------------------------------------------------------------------------------------------------------


async def test_a_controller_that_does_not_answer_is_not_taken_for_one_that_has_heard(tmp_path: Path) -> None:
    """It is asked by a page that is connected, and its loop stands still."""
    place, page_s = place_in(tmp_path), 0.01
    facade = Facade(rig_settings())
    stop = Asked(request=Request("touch-1", "stop", by="Jo"))
    with bound_at(place) as bound:
        async with attended(facade, bound), reached(facade.settings, place) as (page, _):
            page._writer.transport.pause_reading()  # type: ignore[attr-defined]
            with pytest.raises(SilentError, match="not known whether it has heard"):
                await page.send(stop, within_s=page_s)
            page._writer.transport.resume_reading()  # type: ignore[attr-defined]
            # Answers keep their order: the late one is not taken for the next one's.
            assert await page.send(Judged(id="touch-2", taken=True)) is False
            assert facade.take_stop()


async def test_when_the_controller_has_gone_the_page_knows_nothing_more(tmp_path: Path) -> None:
    facade, place = Facade(rig_settings()), place_in(tmp_path)
    with bound_at(place) as bound:
        async with contextlib.AsyncExitStack() as controller:
            await controller.enter_async_context(attended(facade, bound))
            async with reached(facade.settings, place) as (page, watching):
                await controller.aclose()
                await watching
                with pytest.raises(SilentError):
                    await page.look()
    assert not place.exists()


async def test_a_socket_left_by_a_killed_controller_is_removed_and_one_in_use_is_not(tmp_path: Path) -> None:
    left, used = tmp_path / "page-1.socket", tmp_path / "page-2.socket"
    with bound_at(left):
        os.link(left, tmp_path / "kept")
    os.link(tmp_path / "kept", left)
    with bound_at(used), bound_at(place_in(tmp_path)):
        assert not left.exists()
        assert used.exists()


async def test_a_folder_with_a_long_name_holds_a_socket_too(tmp_path: Path) -> None:
    """unix(7): a name has 107 bytes."""
    folder = tmp_path / ("x" * 100) / ("y" * 100)
    facade = Facade(rig_settings())
    with bound_at(place_in(folder)) as bound:
        async with attended(facade, bound), reached(facade.settings, place_in(folder)) as (page, _):
            assert page.snapshot() == facade.snapshot()


def test_a_folder_that_holds_no_socket_is_said_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(Refused, match="check the disk and the folder"), bound_at(tmp_path / "file" / "page-1.socket"):
        pass


def test_a_snapshot_crosses_with_its_sentences() -> None:
    inner = Wording("inner", "{tote} holds {left:volume}")(tote="T1", left=900.0)
    said = Wording("outer", "first {inner}, {count:number} times")(inner=inner, count=2)
    shown = replace(Facade(rig_settings()).snapshot(), notice=said, cautions=(Caution("note", said, inner),))
    frame = frame_of(Look(snapshot=shown, gap_s=0.0))
    crossed = Look.model_validate_json(frame[HEAD_BYTES:]).snapshot
    assert crossed == shown
    assert worded([crossed.notice, [each.source for each in crossed.cautions]]) == worded([said, [inner]])
