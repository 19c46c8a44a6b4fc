"""What journal and book say where they cannot be opened, read, written or trusted. It must not know what they hold."""

from __future__ import annotations

from typing import Literal

from rig.sentence import Wording

Done = Literal["opened", "read", "written"]
NOT_OPENED = Wording(
    "journal.not_opened", "{path}: the journal cannot be opened ({error}); check the disk and the folder"
)
DAMAGED = Wording(
    "journal.damaged",
    "{path}: cannot be read ({error}); the file is damaged: copy the folder and keep it as it is",
)
NOT_WRITTEN = Wording("journal.not_written", "{path}: cannot be written ({error}); is the disk full or failing?")
NEWER = Wording(
    "journal.newer",
    "{path}: a newer version of this program has written this journal (tables {tables}, this one knows {known}): "
    "update this one",
)
NO_FILL = Wording("journal.no_fill", "no fill '{fill_id}' in {path}; the latest are: {known}")
NO_PROVING = Wording("journal.no_proving", "no proving {number} in {path}; `rig prove --history` lists them")
CLOSED = Wording("journal.closed", "fill {fill_id} is unknown or closed already")
NO_BOOK = Wording("book.none", "{name}: there is no book yet; nothing was recorded here")
CANNOT: dict[Done, Wording] = {
    "opened": Wording("book.not_opened", "{name}: the book cannot be opened ({cause}); check the disk, or the server"),
    "read": Wording("book.not_read", "{name}: the book cannot be read ({cause}); check the disk, or the server"),
    "written": Wording(
        "book.not_written", "{name}: the book cannot be written ({cause}); check the disk, or the server"
    ),
}
