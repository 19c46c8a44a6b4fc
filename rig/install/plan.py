"""What is done to a computer that is to run the rig, step by step. Pure: it must not know how a step is done.

Every version of the program has a folder of its own; the link ``current`` says which one runs. An upgrade keeps the
one before, and is on trial until the service is ready: a file says so, which the service removes when it is, and which
makes a service that stops before that go back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

HOME = "/opt/ballast-rig"
CURRENT, PREVIOUS, TRIAL = f"{HOME}/current", f"{HOME}/previous", f"{HOME}/trial"
CONFIG = "/etc/ballast-rig/rig.toml"
RECORDS = "/var/lib/ballast-rig"
SERVICE = "ballast-rig.service"
COMMAND = "/usr/local/bin/rig"
READY_S = 60.0
"""How long a new version may take until it is ready. Assumed, no source."""
SHADOWED = 20
"""Recorded fills that a new version is run over: about a minute and a half on a small computer. Assumed, no source."""


@dataclass(frozen=True, slots=True)
class Unpack:
    """The program into a folder of its own: from a wheel, or a copy of the environment that runs."""

    path: str
    wheel: str = ""

    def __str__(self) -> str:
        return f"put the program into {self.path}, from {self.wheel or 'the environment that runs now'}"


@dataclass(frozen=True, slots=True)
class Put:
    """A text file, written as a whole."""

    path: str
    text: str
    mode: int = 0o644

    def __str__(self) -> str:
        return f"write {self.path}"


@dataclass(frozen=True, slots=True)
class Point:
    """A link, switched as a whole."""

    path: str
    to: str

    def __str__(self) -> str:
        return f"point {self.path} to {self.to}"


@dataclass(frozen=True, slots=True)
class Remove:
    """A file, link or folder, if it is there."""

    path: str

    def __str__(self) -> str:
        return f"remove {self.path}"


@dataclass(frozen=True, slots=True)
class Run:
    """A command of the system; ``live``: it is for the computer that runs, not for a folder."""

    words: tuple[str, ...]
    live: bool = False

    def __str__(self) -> str:
        return f"run {' '.join(self.words)}"


@dataclass(frozen=True, slots=True)
class IsOffered:
    """Refuses to go on if the truck's office offers releases, and this file is none of them."""

    version: str
    before: str
    wheel: str = ""

    def __str__(self) -> str:
        return f"refuse if the office offers another file as {self.version}, or none"


@dataclass(frozen=True, slots=True)
class NothingUnfinished:
    """Refuses to go on while the journal has an unfinished fill."""

    def __str__(self) -> str:
        return "refuse if a fill is unfinished"


@dataclass(frozen=True, slots=True)
class Reads:
    """Refuses to go on unless that version reads the rig's configuration and records."""

    program: str

    def __str__(self) -> str:
        return f"refuse if {self.program} cannot read {CONFIG} and {RECORDS}"


@dataclass(frozen=True, slots=True)
class DecidesAlike:
    """Refuses to go on if that version would have decided one of the latest recorded fills otherwise."""

    program: str

    def __str__(self) -> str:
        return f"refuse if {self.program} would have decided one of the latest {SHADOWED} recorded fills otherwise"


@dataclass(frozen=True, slots=True)
class CopyRecords:
    """A copy of the records while nothing runs, in a folder next to them: a newer version may change their tables."""

    def __str__(self) -> str:
        return f"copy {RECORDS} to {RECORDS}.before"


@dataclass(frozen=True, slots=True)
class RecordsBack:
    """Exchange the records for that copy, if this version cannot read them."""

    def __str__(self) -> str:
        return f"if this version cannot read {RECORDS}, exchange it for {RECORDS}.before"


@dataclass(frozen=True, slots=True)
class KeepOnly:
    """Of the versions below a folder only one stays: the one to go back to."""

    path: str

    def __str__(self) -> str:
        return f"remove every version but {self.path}"


@dataclass(frozen=True, slots=True)
class Try:
    """Start the service; if it is not ready in time, go back."""

    seconds: float

    def __str__(self) -> str:
        return f"start {SERVICE}; if it is not ready within {self.seconds:g} s, go back to {PREVIOUS}"


Step = (
    Unpack | Put | Point | Remove | Run | IsOffered | NothingUnfinished | Reads | DecidesAlike | KeepOnly | CopyRecords
    | RecordsBack | Try
)  # fmt: skip


def installing(version: str, files: Mapping[str, str], wheel: str = "", *, unpacked: bool = False) -> list[Step]:
    """The first installation, or the same once more; ``files`` are texts by the path below ``/etc``."""
    return [
        *([] if unpacked else [Unpack(f"{HOME}/{version}", wheel)]),
        *_written(files),
        Point(CURRENT, version),
        Run(("systemd-sysusers",)),
        Run(("systemd-tmpfiles", "--create", "ballast-rig.conf")),
        Run(("systemctl", "daemon-reload"), live=True),
        Run(("systemctl", "try-restart", "systemd-journald.service"), live=True),
        Run(("systemctl", "enable", SERVICE)),
        Run(("systemctl", "start", "--no-block", SERVICE), live=True),
    ]


def upgrading(
    version: str, before: str, files: Mapping[str, str], wheel: str = "", *, otherwise: bool = False
) -> list[Step]:
    """From the version ``before`` to another one; ``otherwise``: though it may decide recorded fills otherwise."""
    return [
        NothingUnfinished(),
        KeepOnly(f"{HOME}/{before}"),
        Unpack(f"{HOME}/{version}", wheel),
        Reads(f"{HOME}/{version}"),
        *([] if otherwise else [DecidesAlike(f"{HOME}/{version}")]),
        NothingUnfinished(),
        Run(("systemctl", "stop", SERVICE), live=True),
        CopyRecords(),
        Point(PREVIOUS, before),
        Put(TRIAL, f"{version}\n"),
        *_written(files),
        Point(CURRENT, version),
        Run(("systemctl", "daemon-reload"), live=True),
        Try(READY_S),
    ]


def going_back(before: str, files: Mapping[str, str]) -> list[Step]:
    """From a version on trial to the one ``before``, whose own ``files`` are written again."""
    return [
        *_written(files),
        RecordsBack(),
        Point(CURRENT, before),
        Remove(TRIAL),
        Run(("systemctl", "daemon-reload"), live=True),
    ]


def uninstalling(files: Mapping[str, str]) -> list[Step]:
    """The program and its service; configuration, records and their user are kept."""
    return [
        NothingUnfinished(),
        Run(("systemctl", "stop", SERVICE), live=True),
        Run(("systemctl", "disable", SERVICE)),
        *(Remove(step.path) for step in _written(files)),
        Remove(HOME),
        Run(("systemctl", "daemon-reload"), live=True),
    ]


def _written(files: Mapping[str, str]) -> Iterator[Put]:
    yield from (Put(f"/etc/{name}", text) for name, text in sorted(files.items()))
    yield Put(COMMAND, f'#!/bin/sh\nexec {CURRENT}/bin/python -I -m rig.cli "$@"\n', 0o755)
