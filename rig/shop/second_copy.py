"""Updates the second copy after every record, in a separate thread: a slow medium delays nothing.

It must not know what is copied.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

from rig.ledger.journal import JournalError
from rig.ledger.lock import alone
from rig.record.work import Ended
from rig.run.clock_memory import now_in
from rig.run.settings import Settings
from rig.sentence import Wording, said_by
from rig.shop.named_files import about_folder, named_files
from rig.shop.posting import JOURNAL_NAME

WAIT_S = 10.0
"""How long a command waits for the medium before it reports that writing is not finished. Assumed, no source."""

FILL_WAIT_S = 3.0
"""The same after a fill, when nothing moves but the page should go on."""
COPY_FAULT = "second_copy_fault"


@dataclass(slots=True)
class _Copier:
    """Updates one rig's copy, one run after another; requests made during a run cause one further run."""

    settings: Settings
    fault: str = ""
    _wanted: bool = False
    _running: threading.Thread | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def ask(self) -> threading.Thread:
        """Request an update and start the thread if none runs; returns the thread."""
        with self._lock:
            self._wanted = True
            if self._running is None:
                self._running = threading.Thread(target=self._run, name="second copy", daemon=True)
                self._running.start()
            return self._running

    def _run(self) -> None:
        while self._goes_on():
            self.fault = _copied(self.settings)

    def _goes_on(self) -> bool:
        with self._lock:
            wanted, self._wanted = self._wanted, False
            if not wanted:
                self._running = None
            return wanted


_COPIERS: dict[Path, _Copier] = {}
_LOCK = threading.Lock()


def after_record(settings: Settings, wait_s: float = WAIT_S) -> str:
    """Update the second copy, if one is configured; returns why it is not up to date, empty if it is.

    Waits no longer than ``wait_s``; with 0 it returns at once, with the result of the last update.
    """
    if not settings.rig.second_copy:
        return ""
    with _LOCK:
        copier = _COPIERS.setdefault(Path(settings.rig.data).absolute(), _Copier(settings))
        copier.settings = settings
    thread = copier.ask()
    thread.join(wait_s)
    if wait_s and thread.is_alive():
        words = Wording(
            "copy.late", "NOT ON THE SECOND MEDIUM YET: {folder} is still being written after {seconds:number} s"
        )
        return words(folder=settings.rig.second_copy, seconds=wait_s)
    return copier.fault


def copied_too(settings: Settings, ended: Ended) -> Ended:
    """Ended work, with the reason if the second copy lacks it."""
    return replace(ended, second_copy_fault=after_record(settings, FILL_WAIT_S))


def _copied(settings: Settings) -> str:
    from rig.ledger.second import second_copy

    folder, place = Path(settings.rig.data), Path(settings.rig.second_copy)
    try:
        beside, _ = named_files(settings, _file_of(settings), folder)
        about = about_folder(_file_of(settings), folder)
        # The page's process and commands copy as well; what one writes must be what it then puts on record.
        with alone(folder / "second-copy"):
            second_copy(folder, place, now_in(folder), JOURNAL_NAME, beside, about)
    except (JournalError, OSError) as error:
        return Wording("copy.failed", "NOT ON THE SECOND MEDIUM: {error}")(error=said_by(error))
    return ""


def _file_of(settings: Settings) -> Path | None:
    """The configuration's file."""
    return Path(settings.origin) if settings.origin else None
