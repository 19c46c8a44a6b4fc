"""Sentences with a key and named values, from which a page makes its reader's language and units.

A wording is written once, in English, where it is used. A sentence made of it is a plain English text wherever text is
wanted, at a terminal and in a record, with quantities in both systems of units. It must not know who reads it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache, reduce
from typing import Any, cast

from pydantic_core import CoreSchema, core_schema

from rig.units import (
    FAULTS,
    Kind,
    QuantityError,
    example_of,
    kinds,
    named,
    parse,
    show_flow,
    show_mass,
    show_pressure,
    show_temperature,
    show_volume,
)

WHOLE: Mapping[str, bool] = {"whole": True}
"""Context of serialization for a reader of the same program: sentences keep their keys and values."""
Value = str | int | float
"""What a wording's place takes: a name, another sentence, a number, or a quantity in the program's unit of its kind."""

_PLACE = re.compile(r"\{(\w+)(?::(\w+))?\}")
_SHOWN = {None: ".+", "number": r"[-+]?[\d.]+(?:e[-+]?\d+)?"}
_BOTH = r"-?[\d.]+ \S+ \([^)]+\)"
"""How values look in an English text: text, numbers; quantities in both systems of units."""
_SYSTEMS: Mapping[str, Callable[..., str]] = {
    "volume": show_volume,
    "pressure": show_pressure,
    "mass": show_mass,
    "temperature": show_temperature,
}
_PLAIN: Mapping[str, Callable[[float], str]] = {"flow": show_flow, "number": lambda value: f"{value:g}"}
KINDS = frozenset({*_SYSTEMS, *_PLAIN})
"""Kinds of value: litres, gauge kPa, kg, °C, L/s, and numbers without a unit."""


@lru_cache(maxsize=1024)
def places(text: str) -> frozenset[tuple[str, str]]:
    """The places of a wording's text: names with their kinds; the kind is empty where text is put in."""
    return frozenset((name, kind) for name, kind in _PLACE.findall(text))


class Sentence(str):
    """An English text that knows what it was made of; ``values`` by the names of the places in ``wording``."""

    key: str
    wording: str
    values: Mapping[str, Value]

    def __new__(cls, text: str, key: str, wording: str, values: Mapping[str, Value]) -> Sentence:
        """``text`` as made of ``wording`` and ``values``."""
        made = super().__new__(cls, text)
        made.key, made.wording, made.values = key, wording, values
        return made

    def __getnewargs__(self) -> tuple[str, str, str, Mapping[str, Value]]:  # type: ignore[override]
        """For copies."""
        return str(self), self.key, self.wording, self.values

    @classmethod
    def __get_pydantic_core_schema__(cls, _source: object, _handler: object) -> CoreSchema:
        """Stored as its text alone, which stays English when it is read back; whole in the context :data:`WHOLE`."""
        return core_schema.no_info_after_validator_function(
            _sentence_in,
            core_schema.union_schema([core_schema.str_schema(), core_schema.dict_schema()]),
            serialization=core_schema.plain_serializer_function_ser_schema(_as_stored, info_arg=True),
        )

    @property
    def words(self) -> Wording:
        """What it was made of."""
        return Wording(self.key, self.wording)

    def in_order(self, *, us: bool) -> str:
        """The English text for a paper, with the paper's system of units first."""
        return _put(self.wording, self.values, us=us)


def _as_stored(value: str, info: core_schema.SerializationInfo) -> object:
    return _whole(value) if info.context is WHOLE else str(value)


def _whole(value: Value) -> object:
    """A sentence with all it knows, and the sentences in it so too; anything else as it is."""
    if not isinstance(value, Sentence) or not value.key:
        return str(value) if isinstance(value, str) else value
    values = {name: _whole(each) for name, each in value.values.items()}
    return {"text": str(value), "key": value.key, "wording": value.wording, "values": values}


def _sentence_in(stored: str | dict[str, Any]) -> Sentence:
    if isinstance(stored, str):
        return Sentence(stored, "", stored, {})
    values = {name: _sentence_in(each) if isinstance(each, dict) else each for name, each in stored["values"].items()}
    return Sentence(stored["text"], stored["key"], stored["wording"], values)


@dataclass(frozen=True, slots=True)
class Wording:
    """The English words of a key. A place is ``{name}`` for text, ``{name:kind}`` for a value of that kind."""

    key: str
    text: str

    def __call__(self, **values: Value) -> Sentence:
        """The sentence with these values; TypeError where they are not those of its places."""
        wanted = {name for name, _ in places(self.text)}
        if wanted != values.keys():
            raise TypeError(f"{self.key} takes {sorted(wanted)}, not {sorted(values)}")
        return Sentence(_put(self.text, values), self.key, self.text, values)

    def read(self, text: str) -> Sentence | None:
        """The sentence whose English text this is, its values as they were shown there; None for another text."""
        found = _pattern(self.text).fullmatch(text)
        if found is None:
            return None
        values = {name: _read_value(kind, found[name]) for name, kind in places(self.text)}
        return Sentence(text, self.key, self.text, values)

    def outlined(self) -> str:
        """The words with an ellipsis in each place."""
        return _PLACE.sub("…", self.text)


class Faults(ValueError):
    """Several mistakes, a line each."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__(lines[0] if len(lines) == 1 else "\n".join(lines))
        self.lines = tuple(lines)


_BOTH_SAID = Wording("both", "{one}; {other}")


def joined(lines: Iterable[str]) -> str:
    """Several sentences in one line; one alone as it is, none as an empty text."""
    return reduce(lambda one, other: _BOTH_SAID(one=one, other=other) if one else other, lines, "")


def said_by(error: Exception) -> str:
    """What an error says: the sentence that it was raised with, that of a text that is no quantity, or its text."""
    first = error.args[0] if error.args else None
    if isinstance(error, QuantityError) and error.fault:
        return _of_quantity(error)
    return first if isinstance(first, Sentence) else str(error)


def quantity_wordings() -> dict[str, str]:
    """The words of texts that are no quantities, of the kinds of quantity and of how each is written, by their keys."""
    found = {f"quantity.{fault}": words for fault, words in FAULTS.items()}
    for kind in kinds():
        found |= {f"quantity.kind.{kind}": named(kind), f"quantity.example.{kind}": example_of(kind)}
    return found


def kind_named(kind: Kind) -> Sentence:
    """How a person calls a kind of quantity."""
    return Wording(f"quantity.kind.{kind}", named(kind))()


def _of_quantity(error: QuantityError) -> Sentence:
    words = quantity_wordings()
    example = Wording(f"quantity.example.{error.kind}", example_of(error.kind))()
    values: dict[str, Value] = {"text": error.text, "name": kind_named(error.kind), "example": example}
    key = f"quantity.{error.fault}"
    wanted = {name for name, _ in places(words[key])}
    return Wording(key, words[key])(**{name: value for name, value in values.items() if name in wanted})


@cache
def _pattern(text: str) -> re.Pattern[str]:
    """What a wording's English text looks like once its places are filled."""
    parts, seen, end = list[str](), set[str](), 0
    for place in _PLACE.finditer(text):
        name, kind = place.groups()
        look = f"(?P={name})" if name in seen else f"(?P<{name}>{_SHOWN.get(kind, _BOTH)})"
        parts += [re.escape(text[end : place.start()]), look]
        seen.add(name)
        end = place.end()
    return re.compile("".join([*parts, re.escape(text[end:])]), re.DOTALL)


def _read_value(kind: str, shown: str) -> Value:
    if kind in _SYSTEMS or kind == "flow":
        return parse(shown.partition(" (")[0], cast("Kind", kind))
    return float(shown) if kind else shown


def _put(text: str, values: Mapping[str, Value], **order: bool) -> str:
    def put(place: re.Match[str]) -> str:
        name, kind = place.groups()
        if kind is None:
            return str(values[name])
        return _SYSTEMS[kind](values[name], **order) if kind in _SYSTEMS else _PLAIN[kind](float(values[name]))

    return _PLACE.sub(put, text)
