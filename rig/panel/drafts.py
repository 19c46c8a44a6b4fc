"""Jobs that are half entered, by person: kept as they are typed, until the job is kept or they are discarded.

A file of its own: no record, and nothing counts by it. It must not know requests.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, TypeAdapter, ValidationError

from rig.field.points import Strict
from rig.ledger.files import write_private
from rig.ledger.lock import alone
from rig.panel.asking import WheelForm
from rig.panel.jobs import MOST_WHEELS

FILE = "drafts.json"
_MOST = 20
"""Drafts of a person: the oldest makes room."""
_FACT = Field(default="", max_length=80)


class Draft(Strict):
    """A job as far as it is entered; ``job`` is empty for a new one, else the job that is changed."""

    job: str = Field(default="", max_length=60)
    customer: str = _FACT
    machine: str = _FACT
    site: str = _FACT
    wheels: tuple[WheelForm, ...] = Field(default=(), max_length=MOST_WHEELS)
    typed: dict[str, Annotated[str, Field(max_length=200)]] = Field(default_factory=dict, max_length=20)
    """Fields of the wheel that is not added yet."""


class DropForm(Strict):
    """The job whose draft is discarded."""

    job: str = Field(max_length=60)


_FILE: TypeAdapter[dict[str, list[Draft]]] = TypeAdapter(dict[str, list[Draft]])


class Drafts:
    """The drafts in a rig's folder."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE

    def of(self, name: str) -> list[Draft]:
        """A person's drafts, the oldest first."""
        return self._all().get(name.casefold(), [])

    def keep(self, name: str, draft: Draft) -> None:
        """Keep a draft in place of the person's earlier one of the same job."""
        self._write(name, draft.job, [draft])

    def drop(self, name: str, job: str) -> None:
        """Discard a person's draft of a job, if there is one."""
        if any(each.job == job for each in self.of(name)):
            self._write(name, job, [])

    def _write(self, name: str, job: str, new: list[Draft]) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with alone(self.path):
            others = [each for each in self.of(name) if each.job != job]
            whole = self._all() | {name.casefold(): [*others, *new][-_MOST:]}
            write_private(self.path, _FILE.dump_json(whole, exclude_defaults=True).decode())

    def _all(self) -> dict[str, list[Draft]]:
        """None where the file cannot be read: what is half entered must not stand in the way of work."""
        try:
            return _FILE.validate_json(self.path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, ValidationError):
            return {}
