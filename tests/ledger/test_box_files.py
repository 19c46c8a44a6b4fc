"""Files of the black box: read to the last flush whatever ended the writer, removed by age and space, a ring."""

from __future__ import annotations

import gzip
import hashlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rig.ledger.black_box import (
    BoxError,
    BoxFile,
    Ring,
    fills_in,
    hash_of,
    lines_of,
    new_part,
    parts_of,
    prune,
    ring_files,
)

_WRITER = """
import sys
from pathlib import Path
from rig.ledger.black_box import BoxFile
file, n = BoxFile(Path(sys.argv[1])), 0
while True:
    for _ in range(50):
        file.line(f"line {n}")
        n += 1
    file.flush(durable=False)
    print(n, flush=True)
"""


def written(path: Path, lines: list[str]) -> Path:
    file = BoxFile(path)
    for line in lines:
        file.line(line)
    file.close()
    return path


def test_the_standard_tool_reads_it(tmp_path: Path) -> None:
    # Checked against gzip of the standard library (RFC 1952).
    path = written(tmp_path / "a.box.gz", ["one", "zwei ü"])
    assert gzip.decompress(path.read_bytes()).decode() == "one\nzwei ü\n"
    assert list(lines_of(path)) == ["one", "zwei ü"]


def test_what_was_flushed_before_a_kill_is_read(tmp_path: Path) -> None:
    path = tmp_path / "f.1.box.gz"
    with subprocess.Popen([sys.executable, "-c", _WRITER, str(path)], stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        flushed = [int(writer.stdout.readline()) for _ in range(7)][-1]
        writer.send_signal(signal.SIGKILL)
        flushed = max([flushed, *map(int, writer.stdout.read().split())])
    found = list(lines_of(path))
    assert len(found) >= flushed
    assert found == [f"line {n}" for n in range(len(found))]


def test_a_file_torn_at_any_length_gives_whole_lines_and_none_invented(tmp_path: Path) -> None:
    path, lines = tmp_path / "f.1.box.gz", [f"line {n}" for n in range(200)]
    file, flushed = BoxFile(path), {}
    for n, line in enumerate(lines, 1):
        file.line(line)
        if n % 10 == 0:
            file.flush(durable=False)
            flushed[n] = path.stat().st_size
    whole = path.read_bytes()
    file.close()
    for length in range(len(whole) + 1):
        path.write_bytes(whole[:length])
        found = list(lines_of(path))
        assert found == lines[: len(found)]
        assert len(found) >= max((n for n, size in flushed.items() if size <= length), default=0)


def test_a_damaged_file_says_so(tmp_path: Path) -> None:
    path = written(tmp_path / "f.1.box.gz", [os.urandom(20).hex() for _ in range(500)])
    body = bytearray(path.read_bytes())
    body[len(body) // 2] ^= 0xFF
    path.write_bytes(body)
    with pytest.raises(BoxError, match="take the copy from a backup"):
        list(lines_of(path))
    with pytest.raises(BoxError, match="cannot be read"):
        list(lines_of(tmp_path / "none.box.gz"))


def test_a_full_disk_is_an_error_and_leaves_nothing_behind_in_memory() -> None:
    file = BoxFile(Path("/dev/full"))
    file.line("x" * 100_000)
    with pytest.raises(OSError, match="No space left"):
        file.flush(durable=True)
    file.abandon()


def test_the_parts_of_a_fill_are_numbered_and_hashed_in_order(tmp_path: Path) -> None:
    for number in range(1, 12):
        path = new_part(tmp_path, "20260101T000000-ab.c")
        assert path.name == f"20260101T000000-ab.c.{number}.box.gz"
        written(path, [str(number)])
    parts = parts_of(tmp_path, "20260101T000000-ab.c")
    assert [next(iter(lines_of(path))) for path in parts] == [str(number) for number in range(1, 12)]
    assert hash_of(parts) == hashlib.sha256(b"".join(path.read_bytes() for path in parts)).hexdigest()
    assert fills_in(tmp_path) == fills_in(tmp_path / "black-box") == {"20260101T000000-ab.c": parts}
    assert parts_of(tmp_path, "other") == []
    with pytest.raises(FileExistsError):
        BoxFile(parts[0])


def test_old_recordings_go_by_age_then_by_space_and_never_the_one_at_work(tmp_path: Path) -> None:
    now_s = time.time()
    for age_days in (9, 8, 3, 2, 1):
        path = new_part(tmp_path, f"fill-{age_days}")
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(bytes(400_000))
        os.utime(path, (now_s - age_days * 86400,) * 2)
    prune(tmp_path, "fill-9", days=5, most_mb=10)
    assert sorted(fills_in(tmp_path)) == ["fill-1", "fill-2", "fill-3", "fill-9"]
    prune(tmp_path, "fill-9", days=5, most_mb=0.9)
    assert sorted(fills_in(tmp_path)) == ["fill-1", "fill-2", "fill-9"]


def test_a_ring_holds_the_latest_span_at_least_and_twice_that_at_most(tmp_path: Path) -> None:
    ring = Ring(tmp_path, "idle", 100.0)
    for now_s in range(0, 1000, 10):
        ring.begin(now_s)
        ring.line(str(now_s))
        ring.flush()
        newer, older = ring_files(tmp_path, "idle")
        held = [int(line) for path in (older, newer) if path.exists() for line in lines_of(path)]
        assert held == list(range(held[0], now_s + 1, 10))
        assert min(now_s, 90) <= now_s - held[0] <= 200
    ring.close()
    assert len(list((tmp_path / "black-box").iterdir())) == 2
