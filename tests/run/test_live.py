"""`rig check --live`: a table of every point, good ones beside bad ones, from a device of other hands."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from mapped_board import MappedBoard, served
from shop import number, settings

from rig.cli import checking, main
from rig.field.field import Field
from rig.ledger.lock import RigLock, tcp_ends
from rig.run.live import Picture, Watch, pictures, snapshot, turned
from rig.run.settings import Settings, load_settings

CONFIG = """
[rig]
name = "Bay 2"
[links.io]
kind = "tcp"
port = {port}
timeout = "100 ms"
[points]
pump_run = {{ link = "io", table = "coil", address = 0 }}
pump_reverse = {{ link = "io", table = "coil", address = 1 }}
vent_valve = {{ link = "io", table = "coil", address = 2 }}
meter_count = {{ link = "io", table = "input", address = 0, type = "u32" }}
line_pressure = {{ link = "io", table = "input", address = {gauge}, type = "i16", scale = 0.01, quantity = "psi" }}
[meter]
k_factor = "100 pulse/L"
[pipe]
hose_volume = "3.9 L"
suction_volume = "1.5 L"
[pump]
flow = "40 L/min"
[air_out]
method = "vent"
[tote]
content = "900 L"
"""


def board(*, gauge_at: int = 6) -> MappedBoard:
    """Coils 0 to 2 and input registers 0, 1 and ``gauge_at``; nothing between: a read across is refused."""
    coils = {(1, at): 0 for at in range(3)}
    return MappedBoard(coils | {(4, 0): 0, (4, 1): 500, (4, gauge_at): 1800, (2, 0): 1, (3, 0): 20, (4, 3): 9000})


def of(port: int, **changes: object) -> Settings:
    link = {"kind": "tcp", "port": port, "timeout": "100 ms"}
    gauge = number("input", 6, "i16", scale=0.01, quantity="psi")
    return settings(links__io=link, points__line_pressure=gauge, **changes)


async def test_a_gap_that_the_device_does_not_map_blames_no_correct_line_and_is_remembered() -> None:
    with_gap = board()
    async with served(with_gap) as port:
        rig = of(port)
        field = Field(rig.links, rig.points)
        await field.scan()
        assert not field.errors
        assert field.values["line_pressure"].scaled == pytest.approx(18.0)
        assert field.values["meter_count"].raw == 500
        with_gap.asked.clear()
        await field.scan()
        field.close()
    assert (4, 0, 7) not in with_gap.asked, "the read that was refused is asked again"
    assert {(4, 0, 2), (4, 6, 1)} <= set(with_gap.asked)


async def test_a_device_that_gives_few_registers_at_once_is_asked_for_fewer() -> None:
    few = board()
    few.places |= {(4, at): 7 for at in (2, 4, 5)}
    few.most = 2
    async with served(few) as port:
        picture = await snapshot(of(port))
    assert not picture.failing, picture.text


async def test_a_wrong_address_is_told_of_its_own_point_and_hides_no_other() -> None:
    async with served(board(gauge_at=9)) as port:
        picture = await snapshot(of(port))
    assert set(picture.failing) == {"line_pressure"}
    assert "input 6 of unit 1: the device refuses (exception 2)" in picture.failing["line_pressure"]
    seen = {point.name: point for point in picture.points}
    assert seen["tote_level"].value == pytest.approx(900.0)
    assert seen["estop_ok"].value == 1
    assert re.search(r"^! line_pressure +-- +NOT READ: io: .*exception 2", picture.text, re.MULTILINE)
    assert re.search(r"^ {2}tote_level +900 L", picture.text, re.MULTILINE)


async def test_a_table_that_never_answers_hides_no_other() -> None:
    dumb = board()
    dumb.silent = {1}
    async with served(dumb) as port:
        picture = await snapshot(of(port))
    assert set(picture.failing) == {"pump_run", "pump_reverse", "vent_valve"}
    assert "no answer" in picture.failing["pump_run"]


async def test_rates_and_scan_times_stand_beside_the_limits() -> None:
    turning = board()

    def turn(each: MappedBoard) -> None:
        # Just below the end of 32 bits, and over it.
        count = ((each.places[4, 0] << 16 | each.places[4, 1]) + 10) & 0xFFFFFFFF
        each.places[4, 0], each.places[4, 1] = count >> 16, count & 0xFFFF

    turning.places[4, 0], turning.places[4, 1] = 0xFFFF, 0xFFFF
    turning.before_read = turn
    async with served(turning) as port:
        rig = of(port)
        picture = await snapshot(rig)
    seen = {point.name: point for point in picture.points}
    rate = seen["meter_count"].rate
    assert rate is not None
    assert 0 < rate < 1000, "the way round the counter's end is no fall of four billion"
    assert seen["line_pressure"].rate == pytest.approx(0.0)
    assert seen["estop_ok"].rate is None
    (link,) = picture.links
    assert link.limit_s == rig.limits.late
    assert link.longest_s is not None
    assert f"limit {1000 * rig.limits.late:.0f} ms" in picture.text


def test_a_counter_goes_the_shorter_way_round() -> None:
    assert turned(5 - 65533, 16) == 8
    assert turned(65533 - 5, 16) == -8


async def test_the_table_goes_on_after_the_device_has_gone_and_shows_what_it_last_said() -> None:
    going = board()
    async with served(going) as port:
        looks = pictures(of(port))
        first = await anext(looks)
        going.silent = {1, 2, 3, 4}
        later = await anext(looks)
    await looks.aclose()
    assert not first.failing
    old = {point.name: point for point in later.points}["line_pressure"]
    assert old.value == pytest.approx(18.0)
    assert old.fault


async def test_a_link_that_is_slower_than_its_limit_is_told() -> None:
    async with served(board()) as port:
        rig = of(port, limits__late="1 us")
        field = Field(rig.links, rig.points)
        watch = Watch(rig, field)
        await watch.look()
        picture = await watch.look()
        field.close()
    assert picture.links[0].late
    assert "TOO SLOW" in picture.text


@contextmanager
def beside(device: MappedBoard) -> Iterator[int]:
    """The board in a thread, for the command in this one."""
    loop, ports, ready = asyncio.new_event_loop(), [], threading.Event()

    async def run() -> None:
        async with served(device) as port:
            ports.append(port)
            ready.set()
            await stop

    stop = loop.create_future()
    thread = threading.Thread(target=lambda: loop.run_until_complete(run()))
    thread.start()
    ready.wait()
    try:
        yield ports[0]
    finally:
        loop.call_soon_threadsafe(stop.set_result, None)
        thread.join()
        loop.close()


def test_the_command_prints_the_good_points_too_and_ends_with_5(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "rig.toml"
    with beside(board(gauge_at=9)) as port:
        config.write_text(CONFIG.format(port=port, gauge=6))
        assert main(["check", "--live", "--json", "--config", str(config)]) == 5
    heard = capsys.readouterr()
    document = json.loads(heard.out)
    assert document["points"]["meter_count"]["value"] == 500
    assert document["points"]["line_pressure"]["value"] is None
    assert "exception 2" in document["points"]["line_pressure"]["fault"]
    assert document["links"]["io"]["limit_s"] > 0
    assert "exception 2" in heard.err
    assert not (tmp_path / "rig-data").exists(), "looking writes nothing"


def test_on_a_terminal_the_table_is_drawn_again_until_a_person_has_seen_enough(tmp_path: Path) -> None:
    config = tmp_path / "rig.toml"
    with beside(board()) as port:
        config.write_text(CONFIG.format(port=port, gauge=6))
        master, slave = pty.openpty()
        words = [sys.executable, "-m", "rig.cli", "check", "--live", "--config", str(config)]
        # Under a shell that runs this in the background, Ctrl-C would be ignored from the start.
        words = ["env", "--default-signal=INT", *words]
        with (
            subprocess.Popen(words, stdout=slave, stderr=slave, cwd=tmp_path) as process,
            contextlib.ExitStack() as ended,
        ):
            # Whatever fails below: a writer to a terminal that nobody reads does not end by itself.
            ended.callback(process.kill)
            os.close(slave)
            shown = b""
            while shown.count(b"Ctrl-C ends it.") < 3:
                assert select.select([master], [], [], 60)[0], shown
                shown += os.read(master, 4096)
            process.send_signal(signal.SIGINT)
            # A terminal that nobody reads any more holds up whoever writes to it; it says EIO when the writer has gone.
            with contextlib.suppress(OSError):
                while os.read(master, 4096):
                    pass
            assert process.wait(30) == 0
        os.close(master)
    assert shown.count(b"\x1b[H\x1b[J") >= 3


def test_ctrl_c_ends_the_table_though_the_client_loses_the_cancellation(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    request: pytest.FixtureRequest,
) -> None:
    """As asyncio.wait_for does before Python 3.12 where the answer comes together with it."""

    async def answered_just_then(settings: Settings) -> AsyncIterator[Picture]:
        yield Picture("first", 0.1, (), ())
        os.kill(os.getpid(), signal.SIGINT)
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.sleep(3600)
        yield Picture("second", 0.1, (), ())
        raise AssertionError("asked for another picture")

    config = tmp_path / "rig.toml"
    config.write_text(CONFIG.format(port=502, gauge=6))
    monkeypatch.setattr(checking, "pictures", answered_just_then)
    # Also where the tests were started in the background of a shell, which ignores Ctrl-C there.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    request.addfinalizer(lambda: signal.signal(signal.SIGINT, before))
    last = checking._watched(load_settings(config))
    assert last is not None
    assert last.rig == "second"
    assert "Ctrl-C ends it." in capsys.readouterr().out


def test_a_table_that_lasts_is_refused_while_a_controller_works_the_rig(tmp_path: Path) -> None:
    config = tmp_path / "rig.toml"
    with beside(board()) as port, RigLock(tmp_path / "other", tcp_ends("127.0.0.1", port)):
        config.write_text(CONFIG.format(port=port, gauge=6))
        master, slave = pty.openpty()
        words = [sys.executable, "-m", "rig.cli", "check", "--live", "--config", str(config)]
        done = subprocess.run(words, stdout=slave, stderr=subprocess.PIPE, cwd=tmp_path, check=False, text=True)
        os.close(slave)
        os.close(master)
    assert done.returncode == 3, done.stderr
    assert str(os.getpid()) in done.stderr
