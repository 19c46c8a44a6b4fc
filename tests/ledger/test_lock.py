"""One controller for one rig, however the other one ended."""

from __future__ import annotations

import json
import os
import pwd
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from locked_away import read_only_folder

from rig.ledger.lock import LockedError, RigLock, serial_ends, tcp_ends

ROOT = Path(__file__).parents[2]
HOLD = """
import sys
import tempfile
from pathlib import Path
from rig.ledger.lock import RigLock
with RigLock(Path(sys.argv[1]), sys.argv[2:], "shop/rig.toml"):
    print("held", flush=True)
    sys.stdin.readline()
"""


def test_the_folder_is_made_and_the_lock_is_free_again_afterwards(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "rig-data"
    for _ in range(3):
        with RigLock(folder):
            assert json.loads((folder / "controller.lock").read_text())["process"] == os.getpid()


def test_two_controllers_in_one_program(tmp_path: Path) -> None:
    with RigLock(tmp_path):
        with pytest.raises(LockedError, match=f"process {os.getpid()}"), RigLock(tmp_path):
            pytest.fail("two controllers hold one rig")
        with pytest.raises(LockedError), RigLock(tmp_path):
            pytest.fail("a refused controller must not free the lock")
    with RigLock(tmp_path):
        pass


def test_another_process_is_named_and_its_death_frees_the_rig(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with (
            pytest.raises(LockedError, match=rf"process {child.pid}\) runs this rig; stop it first"),
            RigLock(tmp_path),
        ):
            pytest.fail("two controllers hold one rig")
        child.kill()
        child.wait()
    assert child.returncode == -signal.SIGKILL
    with RigLock(tmp_path):
        assert json.loads((tmp_path / "controller.lock").read_text())["process"] == os.getpid()


def test_different_rigs_do_not_meet(tmp_path: Path) -> None:
    with RigLock(tmp_path / "one"), RigLock(tmp_path / "two"):
        pass


def test_an_exception_inside_frees_the_rig(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), RigLock(tmp_path):
        _ = 1 / 0
    with RigLock(tmp_path):
        pass


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    folder = tmp_path / "rig-data"
    folder.write_text("not a folder")
    with pytest.raises(LockedError, match=r"cannot be locked .*; check the disk and the folder"), RigLock(folder):
        pytest.fail("no folder, no lock")


def test_a_forbidden_folder_is_told() -> None:
    refused = pytest.raises(LockedError, match=r"controller.lock: the rig cannot be locked \(Permission denied\)")
    with read_only_folder() as folder, refused, RigLock(folder):
        pytest.fail("no lock without its file")


# --- the rig, not the folder ---------------------------------------------------------------------------------------

END = "tcp 192.0.2.7 502"
"""An address for documentation (RFC 5737): no rig stands there."""


def _holding(folder: Path, *ends: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", HOLD, str(folder), *ends]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)


def test_one_rig_from_two_folders_has_one_controller_and_the_other_is_told_who_where_and_since_when(
    tmp_path: Path,
) -> None:
    with _holding(tmp_path / "one", END) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        with pytest.raises(LockedError) as refused, RigLock(tmp_path / "two", [END]):
            pytest.fail("two controllers hold one rig")
        child.kill()
    text = str(refused.value)
    assert f"another controller (process {child.pid}) runs this rig" in text
    for told in ("  user  ", "  command  ", f"{ROOT / 'shop' / 'rig.toml'}", f"{tmp_path / 'one'}", "  since  "):
        assert told in text
    assert not (tmp_path / "two").exists(), "a refused controller leaves nothing behind"
    with RigLock(tmp_path / "two", [END]):
        pass


def test_two_users_exclude_each_other() -> None:
    """Only root can become another user; anybody else stands for the other one."""
    other = 65534 if os.getuid() == 0 else os.getuid()
    become = HOLD.replace("with RigLock", f"import os\nos.setuid({other})\nwith RigLock")
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        with subprocess.Popen(
            [sys.executable, "-c", become, f"{name}/others", END],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
        ) as child:  # fmt: skip
            assert child.stdout is not None
            assert child.stdout.readline() == "held\n"
            user = pwd.getpwuid(other).pw_name
            with pytest.raises(LockedError, match=f"user           {user}"), RigLock(Path(name) / "own", [END]):
                pytest.fail("two controllers hold one rig")
            child.kill()


def test_a_holder_that_does_not_answer_is_known_by_its_process(tmp_path: Path) -> None:
    with _holding(tmp_path / "one", END) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        child.send_signal(signal.SIGSTOP)
        with pytest.raises(LockedError, match=f"process {child.pid}"), RigLock(tmp_path / "two", [END]):
            pytest.fail("two controllers hold one rig")
        child.kill()


def test_a_lock_that_is_given_back_is_free_at_once(tmp_path: Path) -> None:
    for _ in range(200):
        with RigLock(tmp_path, [END]):
            pass


def test_one_end_in_common_is_enough_and_a_refusal_frees_the_others(tmp_path: Path) -> None:
    with RigLock(tmp_path / "one", [END]):
        with pytest.raises(LockedError), RigLock(tmp_path / "two", [END, "tcp 192.0.2.8 502"]):
            pytest.fail("two controllers hold one gateway")
        with RigLock(tmp_path / "three", ["tcp 192.0.2.8 502"]):
            pass


def test_a_serial_port_is_the_same_by_link_by_path_and_by_device(tmp_path: Path) -> None:
    master, slave = os.openpty()
    link = tmp_path / "usb-adapter"
    link.symlink_to(os.ttyname(slave))
    number = Path(os.ttyname(slave)).stat().st_rdev
    assert serial_ends(str(link)) & serial_ends(os.ttyname(slave))
    assert f"device {os.major(number)}:{os.minor(number)}" in serial_ends(str(link))
    # A port that is not plugged in is known by its name alone.
    assert serial_ends(str(tmp_path / "none")) == {f"serial {tmp_path / 'none'}"}
    os.close(master)
    os.close(slave)


def test_a_host_is_the_same_by_name_and_by_address() -> None:
    assert tcp_ends("127.0.0.1", 502) <= tcp_ends("localhost", 502)
    assert tcp_ends("::ffff:192.0.2.7", 502) & tcp_ends("192.0.2.7", 502)
    assert tcp_ends("192.0.2.7", 502).isdisjoint(tcp_ends("192.0.2.7", 503))
    assert tcp_ends("no.such.host.invalid", 502) == {"tcp no.such.host.invalid 502"}  # RFC 2606: never resolved
