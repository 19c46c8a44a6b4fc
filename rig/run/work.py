"""Access to the rig's folder for work: exclusive, the journal open, times by the folder's clock state."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from rig.ledger.journal import Journal
from rig.ledger.lock import RigLock
from rig.run.alone import controlling
from rig.run.clock_memory import records_of
from rig.run.interrupted import journal_of
from rig.run.settings import Settings


@contextlib.contextmanager
def at_work(settings: Settings | None, folder: Path | None = None) -> Iterator[Journal]:
    """The rig's journal, while this is the only controller; without settings, by its ``folder``.

    Raises LockedError, JournalError.
    """
    place = folder or Path(settings.rig.data if settings else "")
    lock = controlling(settings) if settings else RigLock(place)
    with lock, records_of(place), contextlib.closing(journal_of(place)) as journal:
        yield journal
