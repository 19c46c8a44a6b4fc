"""What every sealed record has in common: its version, its corrections, the keys of newer versions, its JSON.

A record is a frozen dataclass; its JSON has a key for each field. A field that a record may lack has a default, which
is the meaning of its absence: records written before the field existed read with it. Two rules keep what was sealed:

- a record that was read is written again with all its keys, and only changed values differ: what a newer version added
  stays, what an older one lacked is not added;
- a field made by :func:`left_out` has no key while its value is None.

The version is raised when the meaning of a key changes, not when a key is added.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Protocol, Self, TypeVar

from rig.record.unfit import unfit_at
from rig.sentence import Wording, said_by

if TYPE_CHECKING:
    from pydantic import TypeAdapter

VERSION = 2
"""Version of this model. 1: records that do not state one."""
Document = dict[str, object]
"""A JSON object, as it is sealed, printed or sent to the page."""
Trust = Literal["synchronised", "confirmed", "plausible", "not believed"]
"""synchronised: by the system's own status since it started. confirmed: by a person since then. plausible: neither,
and no check contradicts it. not believed: the time of a record is then a lower bound."""
_NEWER = Wording("record.newer", "{what}; a newer version of this program wrote it: update this one")
_UNFIT = Wording("record.unfit", "{what}; `rig ledger verify` shows whether it was changed; keep the folder as it is")
Kind = TypeVar("Kind", bound="Sealed")
OWN = "sealed_as"


class RecordError(RuntimeError):
    """What is stored cannot be opened, read or trusted; the text says what to do."""


class SealedText(Protocol):
    """A record as the chain has it."""

    @property
    def body(self) -> str:
        """Its JSON."""

    @property
    def serial(self) -> int:
        """Its number in the chain."""


def left_out(unless: str = "") -> Any:  # noqa: ANN401
    """A field without a key while it is None; or, for ``unless``, while that other field is None."""
    return field(default=None, metadata={"left_out": unless})


def key_of(name: str) -> str:
    """The JSON key of a field; a name that Python reserves has an underscore at its end."""
    return name.rstrip("_")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """What any record may say."""

    __pydantic_config__: ClassVar[dict[str, object]] = {
        "alias_generator": key_of,
        "strict": True,
        "use_attribute_docstrings": True,
    }
    STATES_VERSION: ClassVar[bool] = True
    """False for kinds that are identified by their content."""

    sealed_as: Document | None = field(default=None, repr=False, compare=False)
    """The JSON that it was read from, and no part of it; None for a new one."""
    record_version: int | None = left_out()
    """Version of this model that wrote it; None: version 1, or not written yet."""
    corrects: int | None = left_out()
    """Serial number of the record that it replaces."""
    origin: int | None = left_out()
    """Serial number of the first record in its sequence of corrections."""
    revision: int | None = left_out()
    """How many corrections precede it in that sequence."""
    written_clock: Trust | None = left_out()
    """Of a correction that keeps the time of what it corrects: quality of the clock when it was written."""
    corrected_at: str | None = left_out()
    corrected_by: str | None = left_out()
    why: str | None = left_out()
    by: str | None = left_out()
    """The person at work, or who wrote it."""
    void: bool | None = left_out()
    """Versions before declarations of void: a correction that declares void what it corrects."""
    clock: Trust | None = left_out()
    """Quality of its time; None before records stated it."""
    clock_said: str | None = left_out()
    """What the clock showed, if it differs."""

    @classmethod
    def of(cls, record: SealedText) -> Self:
        """What a record says; RecordError if it is not of this kind."""
        try:
            return cls.read(record.body)
        except RecordError as error:
            words = Wording("record.at_serial", "record {serial}: {error}")
            raise RecordError(words(serial=str(record.serial), error=said_by(error))) from error

    @classmethod
    def read(cls, text: str) -> Self:
        """Read its JSON; RecordError if this version cannot."""
        said: Self = _read(cls, text)  # type: ignore[arg-type]  # a class is hashable
        return said

    @classmethod
    def from_document(cls, document: Mapping[str, object], what: str = "it") -> Self:
        """Read its parsed JSON; RecordError, which names ``what`` it is, if this version cannot."""
        try:
            return cls.read(json.dumps(document))
        except RecordError as error:
            raise RecordError(Wording("record.of", "{what}: {error}")(what=what, error=said_by(error))) from error

    def document(self) -> Document:
        """Its JSON, by the rules of this module."""
        kept, found = self.sealed_as, dict[str, object](self.sealed_as or {})
        for each in fields(self):
            if each.name == OWN:
                continue
            key, value = key_of(each.name), plain(getattr(self, each.name))
            absent = kept is not None and key not in kept
            if kept is not None and ((absent and value == plain(each.default)) or (not absent and value == kept[key])):
                continue
            rule = each.metadata.get("left_out")
            if rule is not None and getattr(self, rule or each.name) is None:
                found.pop(key, None)
            else:
                found[key] = value
        return found

    def sealed(self) -> Document:
        """Its JSON to be sealed: a new record states the version."""
        states = self.sealed_as is None and self.STATES_VERSION
        return self.document() | ({"record_version": VERSION} if states else {})

    def extended(self, kind: type[Kind], **more: Any) -> Kind:  # noqa: ANN401
        """The same as a type with more fields, of which ``more`` are set."""
        kept = None if self.sealed_as is None else self.sealed_as | {name: plain(value) for name, value in more.items()}
        return kind(**values_of(self) | more | {OWN: kept})

    def changed(self, changes: Mapping[str, object]) -> Self:
        """The same with other values, by JSON key; RecordError for a key or a value that it cannot have."""
        names = {key_of(each.name) for each in fields(self)} - {OWN}
        if unknown := changes.keys() - names:
            words = Wording("record.no_field", "a record of this kind has no {names}")
            raise RecordError(words(names=", ".join(sorted(unknown))))
        given = type(self).from_document(self.document() | dict(changes))
        return replace(self, **{name: getattr(given, name) for name in _names(type(self)) if key_of(name) in changes})


def plain(value: object) -> object:
    """A value as JSON has it."""
    if isinstance(value, tuple | list):
        return [plain(each) for each in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {key_of(each.name): plain(getattr(value, each.name)) for each in fields(value)}
    return value


def values_of(said: object) -> dict[str, Any]:
    """The fields of a dataclass by name, to make one with more fields of it."""
    assert is_dataclass(said)
    return {each.name: getattr(said, each.name) for each in fields(said)}


def _names(kind: type[Sealed]) -> tuple[str, ...]:
    return tuple(each.name for each in fields(kind) if each.name != OWN)


@cache
def adapter(kind: type[Any]) -> TypeAdapter[Any]:
    """The validator of a kind. Loaded on demand: commands without a record do without it."""
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


@lru_cache(maxsize=1024)
def _read(kind: type[Any], text: str) -> Any:  # noqa: ANN401
    from pydantic import ValidationError

    try:
        said = adapter(kind).validate_json(text)  # type: ignore[arg-type]  # a class is hashable
    except ValidationError as error:
        first = error.errors()[0]
        found = json.loads(text)
        newer = isinstance(found, dict) and isinstance(v := found.get("record_version"), int) and v > VERSION
        raise RecordError((_NEWER if newer else _UNFIT)(what=unfit_at(first))) from error
    # It is not shared yet: a copy of a frozen one takes longer than reading it.
    object.__setattr__(said, OWN, json.loads(text))
    return said
