"""Validation errors of a configuration as lines that a person can act on: key, what is wrong, what to write.

Knows how tables nest, not what they mean.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, get_args

from rig.field.points import Strict
from rig.record.unfit import either, unfit
from rig.sentence import Faults, Sentence, Wording, said_by

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Location = tuple[int | str, ...]


_FAULT = Wording("config.fault", "{key}: {what}")


def explain(fault: ErrorDetails, root: type[Strict]) -> list[str]:
    """Lines for one validation error in a document of the ``root`` table, each with the key first."""
    location, kind = untagged(fault["loc"], root), fault["type"]
    key = ".".join(shown(part) for part in location)
    if kind.startswith("union_tag"):
        return [_of_tag(key, location, fault, root)]
    if kind == "extra_forbidden":
        near = nearest(str(location[-1]), _known_keys(fault["loc"][:-1], root))
        return [Wording("config.unknown", "{key}: no such key{near}")(key=key, near=near)]
    if kind == "missing":
        return [Wording("config.missing", "{key}: missing; it has no safe default")(key=key)]
    if kind == "value_error":
        return [_FAULT(key=key, what=line) if key else line for line in _lines_of(fault["ctx"]["error"])]
    return [_FAULT(key=key, what=unfit(fault))]


def _lines_of(error: Exception) -> Sequence[str]:
    if isinstance(error, Faults):
        return error.lines
    said = said_by(error)
    return [said] if isinstance(said, Sentence) else said.splitlines()


def _of_tag(key: str, location: Location, fault: ErrorDetails, root: type[Strict]) -> str:
    tags = either(_tags(location, root))
    found = fault["input"].get("kind") if isinstance(fault["input"], dict) else None
    if found is None:
        return Wording("config.no_kind", "{key}.kind: should be {tags}, missing")(key=key, tags=tags)
    return Wording("config.kind", "{key}.kind: should be {tags}, not {given}")(key=key, tags=tags, given=repr(found))


def shown(part: str | int) -> str:
    """A key in printable form: a quoted key may contain anything."""
    text = str(part)
    return text if text.isprintable() else repr(text)


def closest(word: str, known: Collection[str]) -> str | None:
    """The known word most similar to ``word``; None where none is."""
    close = difflib.get_close_matches(word, sorted(known), n=1, cutoff=0.5)
    close += [each for each in sorted(known) if word and word.casefold() in each.casefold()]
    return close[0] if close else None


def nearest(word: str, known: Collection[str]) -> Sentence:
    """A hint at the known word most similar to ``word``, or at all of them."""
    close = closest(word, known)
    if close is None:
        return Wording("config.known", "; known are {known}")(known=", ".join(sorted(known)))
    return Wording("config.close", "; did you mean '{close}'?")(close=close)


def drop(document: object, location: Location) -> None:
    """Remove the key at ``location`` from a nested document, if it is there."""
    for part in location[:-1]:
        document = document.get(part) if isinstance(document, dict) else None
    if isinstance(document, dict):
        document.pop(location[-1], None)


def tables_in(annotation: object) -> list[type[Strict]]:
    """The tables that a value of this type is, or holds."""
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return [annotation]
    return [inner for argument in get_args(annotation) for inner in tables_in(argument)]


def untagged(location: Location, root: type[Strict]) -> Location:
    """A location without the tag that selects one of several kinds of table."""
    kept: list[int | str] = []
    models: list[type[Strict]] = [root]
    for part in location:
        chosen = [model for model in models if part in _kinds(model)] if len(models) > 1 else []
        if chosen:
            models = chosen
            continue
        kept.append(part)
        models = _below(part, models)
    return tuple(kept)


def _known_keys(table: Location, root: type[Strict]) -> Collection[str]:
    """The keys of the table at a location. Names inside a table of tables are the shop's own and are skipped."""
    models: list[type[Strict]] = [root]
    for part in table:
        chosen = [model for model in models if part in _kinds(model)] if len(models) > 1 else []
        models = chosen or _below(part, models)
    return {key for model in models for key in model.model_fields}


def _tags(table: Location, root: type[Strict]) -> list[str]:
    models: list[type[Strict]] = [root]
    for part in table:
        models = _below(part, models)
    return [repr(tag) for model in models for tag in _kinds(model)]


def _below(part: int | str, models: list[type[Strict]]) -> list[type[Strict]]:
    """The tables allowed at a key of one of ``models``; at a shop's own name, the same ones."""
    found = [
        inner for model in models for inner in tables_in(getattr(model.model_fields.get(str(part)), "annotation", None))
    ]
    return found or models


def _kinds(model: type[Strict]) -> tuple[object, ...]:
    """The values of the key ``kind`` that select this table."""
    kind = model.model_fields.get("kind")
    return get_args(kind.annotation) if kind is not None else ()
