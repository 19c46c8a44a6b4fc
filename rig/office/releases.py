"""Releases of the program that the office offers, as a truck has heard of them. Reads only; nothing installs itself."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

from packaging.version import InvalidVersion, Version

from rig.ledger import COPY_NAME
from rig.ledger.book import Book
from rig.office.keys import OFFICE
from rig.record.base import RecordError
from rig.record.notes import SHARED, Shared
from rig.run.refused import Refused

_KIND = f"{SHARED}release"
_SAID = ("sha256", "day", "words", "minimum")
_SHOWN = 120


@dataclass(frozen=True, slots=True)
class Release:
    """A version of the program that may be installed."""

    version: str
    sha256: str
    """Of the wheel's file, in hexadecimal."""
    day: str
    words: str = ""
    minimum: str = ""
    """The least version from which it is installed; empty: from any."""

    @property
    def line(self) -> str:
        """What is offered, in words."""
        words = f": {self.words[:_SHOWN]}" if self.words else ""
        minimum = f" (from {self.minimum} on)" if self.minimum else ""
        return f"a release is offered: {self.version} of {self.day}{minimum}{words}"


def version_number(text: str) -> Version:
    """A version in order (PEP 440, by ``packaging``); Refused for a text that is none."""
    try:
        return Version(text)
    except InvalidVersion as error:
        raise Refused(f"{text!r} is no version: write for example 1.4.0") from error


def releases_in(folder: Path) -> list[Release]:
    """What the office offers to a truck, the newest last; nothing without a copy of it. BookError."""
    path = folder / COPY_NAME
    if not path.exists():
        return []
    with Book(f"sqlite:///{path}") as copy:
        offers = [Shared.of(record) for record in copy.valid(_KIND, truck=OFFICE)]
    # A newer office may say more of it.
    found = [Release(each.name, *(str(each.said.get(name) or "") for name in _SAID)) for each in offers]
    return sorted(found, key=lambda each: version_number(each.version))


def newer_release(folder: Path, running: str) -> Release | None:
    """The newest release that is offered and newer than the version that runs; None also if nothing can be read."""
    with contextlib.suppress(RecordError, Refused):
        newer = [each for each in releases_in(folder) if version_number(each.version) > version_number(running)]
        return newer[-1] if newer else None
    return None


def refuse_other(folder: Path, version: str, sha256: str, before: str) -> None:
    """Refuse a wheel that is not the one the office offers, where it offers releases; and one that skips a version."""
    offered = {each.version: each for each in releases_in(folder)}
    if not offered:
        return
    release = offered.get(version)
    if release is None:
        raise Refused(
            f"the office offers no release {version}; it offers {', '.join(offered)}. If this one is meant, the same "
            "command with --not-offered"
        )
    if release.sha256 != sha256:
        raise Refused(
            f"this file is not the release {version} that the office offers: its SHA-256 is {sha256 or 'not known'}, "
            f"offered is {release.sha256}. Fetch the file anew; install nothing of this one"
        )
    if release.minimum and version_number(before) < version_number(release.minimum):
        raise Refused(f"release {version} is installed from {release.minimum} on, and {before} runs: that one first")
