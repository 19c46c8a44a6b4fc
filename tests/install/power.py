"""A disk that loses its power: what a process writes is recorded by strace and can be cut off at any moment.

What a disk may still hold after a cut, as the manual of fsync(2) allows: of a file, everything written before its last
fsync, and of what came later any part, in pieces of 512 bytes; of names made, moved and removed, all until the last
fsync of their folder, and of those that came later the first few (journalling file systems keep their order). A
recorded sync keeps everything. Memory that is mapped is not recorded (SQLite's index of its log, which it builds anew).
"""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

SECTOR = 512
_CALLS = "openat,write,pwrite64,ftruncate,lseek,fsync,fdatasync,sync,rename,renameat2,unlink,unlinkat,symlink,symlinkat"
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_FILE = re.compile(r"^(\d+)<((?:\\x[0-9a-f]{2})*)>")
_LINE = re.compile(r"^\d+ +(\w+)\((.*)\) += (\d+)(?:<((?:\\x[0-9a-f]{2})*)>)?$")


@dataclass(frozen=True, slots=True)
class Event:
    """One thing done to the disk, or told on standard output."""

    kind: str
    path: str = ""
    other: str = ""
    offset: int = 0
    data: bytes = b""


def recorded(folder: Path, program: str, *arguments: str) -> list[Event]:
    """Run a Python program, and what it did below ``folder`` and told."""
    strace = shutil.which("strace")
    if strace is None:
        if os.environ.get("RIG_NO_SKIPS"):
            pytest.fail("no strace: this test must not be left out here")
        pytest.skip("strace is missing: apt install strace")
    log = folder.with_name(f"{folder.name}.strace")
    words = [strace, "-f", "-qq", "-y", "-xx", "-s", "1000000", "-e", f"trace={_CALLS}", "-o", str(log)]
    here = Path(__file__).resolve().parents[1]
    environment = {**os.environ, "PYTHONPATH": f"{here}:{here.parent}", "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [*words, sys.executable, "-c", program, str(folder), *arguments],
        env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return list(_events(log.read_text().splitlines(), str(folder)))


def _plain(text: str) -> str:
    return bytes.fromhex(text.replace("\\x", "")).decode()


def _events(lines: Sequence[str], folder: str) -> Iterator[Event]:
    places: dict[str, int] = {}
    for line in lines:
        found = _LINE.match(line)
        if found is None:
            continue
        call, words, result = found[1], found[2], int(found[3])
        opened = _FILE.match(words)
        if call == "sync":
            yield Event("sync")
        elif call == "openat":
            places[str(result)] = 0
            yield from (each for each in _opened(_plain(found[4] or ""), words) if each.path.startswith(folder))
        elif opened is None:
            names = [_plain(each) for each in _TEXT.findall(words)]
            if names and names[-1].startswith(folder):
                yield Event(re.sub(r"at2?$", "", call), names[-1], names[0])
        elif opened[1] == "1" and call == "write":
            yield Event("told", data=_data(words))
        elif (path := _plain(opened[2])).startswith(folder):
            yield from _done(call, path, words, places, opened[1], result)


def _opened(path: str, words: str) -> Iterator[Event]:
    if "O_CREAT" in words:
        yield Event("create", path)
    if "O_TRUNC" in words:
        yield Event("size", path, offset=0)


def _done(call: str, path: str, words: str, places: dict[str, int], number: str, result: int) -> Iterator[Event]:
    last = words.rpartition(", ")[2]
    if call in ("fsync", "fdatasync"):
        yield Event("fsync", path)
    elif call == "ftruncate":
        yield Event("size", path, offset=int(last))
    elif call == "pwrite64":
        yield Event("write", path, offset=int(last), data=_data(words)[:result])
    elif call == "lseek":
        places[number] = result
    elif call == "write":
        yield Event("write", path, offset=places[number], data=_data(words)[:result])
        places[number] += result


def _data(words: str) -> bytes:
    found = _TEXT.search(words)
    return bytes.fromhex(found[1].replace("\\x", "")) if found else b""


@dataclass
class _Node:
    kept: bytes = b""
    later: list[Event] = field(default_factory=list)
    to: str = ""
    """Where a link leads."""


class Disk:
    """What has reached the disk, and what has not yet."""

    def __init__(self) -> None:
        self._kept: dict[str, _Node] = {}
        self._names: dict[str, _Node] = {}
        self._later: list[tuple[Event, _Node | None]] = []

    def take(self, event: Event) -> None:
        """Let one thing happen."""
        if event.kind in ("write", "size"):
            self._names[event.path].later.append(event)
        elif event.kind == "fsync":
            self._keep(event.path)
        elif event.kind == "sync":
            for node in self._names.values():
                _settle(node)
            self._keep_names(len(self._later))
        elif event.kind in ("create", "symlink"):
            if event.path not in self._names:
                self._rename(event, _Node(to=event.other if event.kind == "symlink" else ""))
        elif event.kind in ("rename", "unlink"):
            self._rename(event, None)

    def _keep(self, path: str) -> None:
        node = self._names.get(path)
        if node is not None:
            _settle(node)
            return
        # A folder: names in it, and, as their order is kept, all that came before.
        below = [n for n, (event, _) in enumerate(self._later, 1) if str(Path(event.path).parent) == path]
        self._keep_names(max(below, default=0))

    def _keep_names(self, count: int) -> None:
        for event, node in self._later[:count]:
            _named(self._kept, event, node)
        del self._later[:count]

    def _rename(self, event: Event, node: _Node | None) -> None:
        self._later.append((event, node))
        _named(self._names, event, node)

    def cut(self, draw: random.Random, folder: Path, into: Path) -> None:
        """Write into a new folder what the disk holds when the power fails now."""
        names = dict(self._kept)
        for event, node in self._later[: draw.randint(0, len(self._later))]:
            _named(names, event, node)
        for name, node in names.items():
            path = into / Path(name).relative_to(folder)
            path.parent.mkdir(parents=True, exist_ok=True)
            if node.to:
                path.symlink_to(node.to)
            else:
                path.write_bytes(_torn(node, draw))


def _named(names: dict[str, _Node], event: Event, node: _Node | None) -> None:
    if node is not None:
        names[event.path] = node
    elif event.kind == "unlink":
        names.pop(event.path, None)
    elif event.other in names:
        names[event.path] = names.pop(event.other)


def _settle(node: _Node) -> None:
    for event in node.later:
        node.kept = _applied(node.kept, event.kind, event.offset, event.data)
    node.later.clear()


def _applied(before: bytes, kind: str, offset: int, data: bytes) -> bytes:
    if kind == "size":
        return before[:offset].ljust(offset, b"\0")
    return before[:offset].ljust(offset, b"\0") + data + before[offset + len(data) :]


def _torn(node: _Node, draw: random.Random) -> bytes:
    """What was kept, and of what came later all, none, a beginning, or any sectors."""
    text, chance = node.kept, draw.choice((0.0, 1.0, 0.5, 0.9))
    later = node.later[: draw.randint(0, len(node.later))] if draw.random() < 0.5 else node.later
    for event in later:
        if event.kind == "size":
            text = _applied(text, "size", event.offset, b"") if draw.random() < chance else text
            continue
        for start in range(0, len(event.data), SECTOR):
            if draw.random() < chance:
                text = _applied(text, "write", event.offset + start, event.data[start : start + SECTOR])
    return text


def moments(events: Sequence[Event], count: int, seed: int) -> list[int]:
    """Numbers of events after which the power fails: spread over all, or each one several times."""
    draw = random.Random(seed)
    return sorted(draw.randint(0, len(events)) for _ in range(count))
