"""The checker's findings about a configuration as lines that a person can act on: key, what is wrong, what to write.

Knows how tables nest, not what they mean.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection
from typing import TYPE_CHECKING

from rig.field.points import Strict

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Location = tuple[int | str, ...]


def explain(fault: ErrorDetails, root: type[Strict]) -> list[str]:
    """The lines that one finding about a document of the ``root`` table gives."""
    location, kind = fault["loc"], fault["type"]
    key = ".".join(shown(part) for part in location)
    if kind == "extra_forbidden":
        return [f"{key}: no such key{nearest(str(location[-1]), _known_keys(location[:-1], root))}"]
    if kind == "missing":
        return [f"{key}: missing; it has no safe default"]
    if kind in ("model_type", "dict_type"):
        return [f"{key}: must be a table of keys, not {fault['input']!r}"]
    if kind == "value_error":
        text = fault["msg"].removeprefix("Value error, ")
        return [f"{key}: {line}" if key else line for line in text.splitlines()]
    return [f"{key}: {fault['msg'].replace('Input should', 'should')}, not {fault['input']!r}"]


def shown(part: str | int) -> str:
    """A key as a line of text can hold it: a quoted key may contain anything."""
    text = str(part)
    return text if text.isprintable() else repr(text)


def nearest(word: str, known: Collection[str]) -> str:
    """A hint at the known word that ``word`` was probably meant to be, or at all of them."""
    close = difflib.get_close_matches(word, sorted(known), n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(sorted(known))}"


def drop(document: object, location: Location) -> None:
    """Take the key at ``location`` out of a nested document, if it is there."""
    for part in location[:-1]:
        document = document.get(part) if isinstance(document, dict) else None
    if isinstance(document, dict):
        document.pop(location[-1], None)


def _known_keys(table: Location, root: type[Strict]) -> Collection[str]:
    """The keys of the table at a place. The names inside a table of tables are the shop's own and are passed over."""
    model = root
    for part in table:
        field = model.model_fields.get(str(part))
        if field is not None:
            inner = (field.annotation, *getattr(field.annotation, "__args__", ()))
            model = next((found for found in inner if _is_table(found)), model)
    return set(model.model_fields)


def _is_table(candidate: object) -> bool:
    return isinstance(candidate, type) and issubclass(candidate, Strict)
