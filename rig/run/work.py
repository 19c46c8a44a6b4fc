"""The rig's folder while work is done: nobody else at work, the journal open, times by what the rig remembers."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from rig.ledger.journal import Journal
from rig.ledger.lock import RigLock
from rig.run.clock_memory import records_of
from rig.run.posting import JOURNAL_NAME


def journal_of(folder: Path) -> Journal:
    """The journal in a rig's folder."""
    return Journal(folder / JOURNAL_NAME)


@contextlib.contextmanager
def at_work(folder: Path) -> Iterator[Journal]:
    """The rig's journal, for as long as this is the only controller; raises LockedError, JournalError."""
    with RigLock(folder), records_of(folder), contextlib.closing(journal_of(folder)) as journal:
        yield journal
