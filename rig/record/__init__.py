"""The typed, versioned model of every sealed record, its old versions, and its JSON schema.

A frozen dataclass for each kind; :mod:`rig.record.base` has the rules by which they are read and written,
:mod:`rig.record.kinds` the table of all kinds. It must not know who makes a record, nor how one is sealed.
"""

from rig.record.base import VERSION, Document, RecordError, Sealed, Trust
from rig.record.delivery import moved_words, pressure_left_words, statement
from rig.record.work import About, Compared, Confirmed, Counted, Delivery, Outcome, PumpWork, Software, Work

__all__ = [
    "VERSION", "About", "Compared", "Confirmed", "Counted", "Delivery", "Document", "Outcome", "PumpWork",
    "RecordError", "Sealed", "Software", "Trust", "Work", "moved_words", "pressure_left_words", "statement",
]  # fmt: skip
