"""The configuration for the supervisor: the one in force, and a new one, checked, for the next start.

Every change is a configuration event in the journal with the person and the changed keys. It must not know requests.
"""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path

from pydantic import Field, model_validator

from rig.field.points import Strict
from rig.ledger.lock import LockedError
from rig.panel.config_form import Change, changed, tables, written
from rig.run.check import check_lines
from rig.run.clock_memory import utc_now
from rig.run.refused import Refused
from rig.run.replacing import replace_file
from rig.run.settings import Settings, SettingsError, document_of, placed, settings_of, text_of
from rig.run.work import at_work
from rig.sentence import Wording
from rig.shop.calibration import changes, dotted
from rig.shop.second_copy import after_record


class ConfigForm(Strict):
    """A new text of the configuration, or some changed keys, and the hash of the text that is changed."""

    text: str | None = Field(default=None, max_length=48_000)
    changes: tuple[Change, ...] = Field(default=(), max_length=500)
    was: str = Field(max_length=64)

    @model_validator(mode="after")
    def _one(self) -> ConfigForm:
        if (self.text is None) != bool(self.changes):
            raise ValueError("a text or changes")
        return self


def config_view(settings: Settings, path: Path) -> dict[str, object]:
    """The configuration in force, explained, and the present file; SettingsError when it cannot be read."""
    return {"now": check_lines(settings), "file": str(path), "tables": tables(), **_as_it_stands(path)}


def _as_it_stands(path: Path) -> dict[str, object]:
    standing = text_of(path)
    return {"toml": standing, "was": _mark(standing), "written": written(standing)}


def _standing(path: Path, was: str) -> str:
    """The present file; Refused where it is not the one that the form was made from."""
    text = text_of(path)
    if _mark(text) != was:
        raise Refused(Wording("refused.file_changed", "the file was changed since this page read it: load it again")())
    return text


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def write_config(settings: Settings, path: Path, form: ConfigForm, by: str) -> dict[str, object]:
    """Check a new text, replace the file with it, and keep who did it.

    Returns the result of the check and the changed keys. Raises SettingsError for a text that is no configuration;
    Refused while a fill runs, or where the file was changed meanwhile.
    """
    text = changed(_standing(path, form.was), form.changes) if form.text is None else form.text
    new = settings_of(placed(document_of(path, text), path.parent), str(path))
    try:
        with at_work(settings) as journal:
            differing = changes(_keys(path, _standing(path, form.was)), _keys(path, text))
            # The event first: an unrecorded change is worse than an event without a change.
            journal.append_event("configuration", utc_now(), by, {"changed": differing, "why": "written on the page"})
            replace_file(path, text, keep=True)
    except LockedError as error:
        raise Refused(Wording("refused.fill_runs", "a fill runs: the configuration is not changed now")()) from error
    after_record(settings, wait_s=0.0)
    return {"checked": check_lines(new), "changed": differing, **_as_it_stands(path)}


def _keys(path: Path, text: str) -> dict[str, object]:
    """Every key with its value as text; none for a file that is not valid TOML, which is replaced all the same."""
    with contextlib.suppress(SettingsError):
        return {key: str(value) for key, value in dotted(document_of(path, text)).items()}
    return {}
