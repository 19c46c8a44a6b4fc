"""The system's clocks, and a rig folder's stored clock state. The thin shell around :mod:`rig.run.time_guard`.

Commands that write select the folder by :func:`records_of`; a time taken outside it is judged by the clock alone,
and nothing is stored.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from rig.ledger.moment import UNBELIEVED, Moment
from rig.record.base import RecordError, Sealed
from rig.run.time_guard import Anchor, Heard, Judged, Known, after, confirmed, judge, not_known, seconds

if TYPE_CHECKING:
    from rig.ledger.book import Book

MEMORY_NAME = "clock.json"
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
_BATTERY = Path("/sys/class/rtc")
_UNSYNCHRONISED, _ERROR = 0x40, 5
"""STA_UNSYNC and TIME_ERROR of adjtimex(2)."""
_LATEST = 50


class _Timex(ctypes.Structure):
    """The head of struct timex, adjtimex(2), and space for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint), ("offset", ctypes.c_long), ("freq", ctypes.c_long), ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long), ("status", ctypes.c_int), ("rest", ctypes.c_char * 256),
    )  # fmt: skip


def system() -> Heard:
    """This computer's clocks now."""
    boot = f"process {os.getpid()}"
    with contextlib.suppress(OSError):
        boot = _BOOT_ID.read_text(encoding="ascii").strip()
    return Heard(time.time(), time.clock_gettime(time.CLOCK_BOOTTIME), boot, _synchronised(), _battery())


def _synchronised() -> bool:
    """By the kernel's status, which every time service sets, or by the marker file of the one that leaves one."""
    with contextlib.suppress(OSError, AttributeError):
        found = _Timex()
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(found))
        if 0 <= state != _ERROR and not found.status & _UNSYNCHRONISED:
            return True
    return _SYNCHRONISED.exists()


def _battery() -> bool | None:
    with contextlib.suppress(OSError):
        return any(_BATTERY.iterdir())
    return None


SOURCE: ContextVar[Callable[[], Heard]] = ContextVar("SOURCE", default=system)
"""Source of times; replaced in tests."""
_FOLDER: ContextVar[Path | None] = ContextVar("_FOLDER", default=None)


@contextlib.contextmanager
def records_of(folder: Path) -> Iterator[None]:
    """Let :func:`utc_now` use this rig folder's clock state, and store there the times it issues."""
    token = _FOLDER.set(folder)
    try:
        yield
    finally:
        _FOLDER.reset(token)


def utc_now() -> Moment:
    """The time for a record. Only a person's decisions depend on it."""
    folder, heard = _FOLDER.get(), SOURCE.get()()
    if folder is None:
        return judge(heard, Known()).moment
    known = remembered(folder)
    judged = judge(heard, known)
    _remember(folder, after(known, heard, judged))
    return judged.moment


def look(folder: Path) -> tuple[Judged, Known, Heard]:
    """How far the clock is trusted now; nothing is stored."""
    known, heard = remembered(folder), SOURCE.get()()
    return judge(heard, known), known, heard


def now_in(folder: Path) -> Moment:
    """The time that a record of this folder would get; nothing is stored."""
    return look(folder)[0].moment


def confirm(folder: Path, at_s: float | None = None) -> None:
    """Store a person's word that the clock is right, or that it is ``at_s`` now. ValueError for an impossible time."""
    known, heard = remembered(folder), SOURCE.get()()
    folder.mkdir(parents=True, exist_ok=True)
    _remember(folder, confirmed(known, heard, heard.wall_s if at_s is None else at_s))


def leave_open(folder: Path) -> None:
    """Store that a person was asked and does not know."""
    _remember(folder, not_known(remembered(folder), SOURCE.get()()))


def remembered(folder: Path) -> Known:
    """The folder's stored clock state; by default the last trusted record of its book."""
    try:
        found = json.loads((folder / MEMORY_NAME).read_text(encoding="utf-8"))
        return Known(*(None if each is None else Anchor(**each) for each in map(found.get, Known.__slots__)))
    except (OSError, ValueError, TypeError, AttributeError):
        last = _last_of_book(folder)
        return Known(None if last is None else Anchor(seconds(last), seconds(last), 0.0, "-", "plausible"))


def _last_of_book(folder: Path) -> str | None:
    from rig.ledger.keeping import book_or_empty

    try:
        with book_or_empty(folder) as book:
            return _last_believed(book)
    except RecordError:
        return None


def _last_believed(book: Book) -> str | None:
    serial = book.heads().get(book.truck, (0, ""))[0]
    latest = list(book.every(book.truck, after=max(0, serial - _LATEST)))
    # A correction has the time of what it replaces.
    own = (each for each in reversed(latest) if each.corrects is None and Sealed.of(each).clock != UNBELIEVED)
    return next((each.at for each in own), None)


def _remember(folder: Path, known: Known) -> None:
    if not folder.is_dir():
        return
    fresh = folder / f"{MEMORY_NAME}.{os.getpid()}.{threading.get_ident()}.new"
    # If this fails, the last trusted record of the book is the bound.
    with contextlib.suppress(OSError):
        fresh.write_text(json.dumps(asdict(known)), encoding="utf-8")
        fresh.replace(folder / MEMORY_NAME)
