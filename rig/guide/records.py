"""Every kind of record of the book, from the packaged JSON schema."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache, partial
from importlib.resources import files
from typing import Any

from rig.guide.topic import Topic, prose

_REF = "#/$defs/"


def record_topics() -> Iterator[Topic]:
    """A topic for each kind of record, and one for what any of them may say."""
    for kind in _schema()["properties"]:
        name = kind.replace(" ", "-")
        yield Topic(f"records/{name}", f"Record “{kind}”", partial(_text, kind))
    yield Topic("records/any", "What any record may say", lambda: _fields("Sealed"))


@cache
def _schema() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(files("rig.record").joinpath("schema.json").read_text(encoding="utf-8"))
    return found


def _text(kind: str) -> str:
    said = _schema()["properties"][kind]
    names = [_named(each) for each in said.get("anyOf", [said])]
    parts = [part for name in names for part in (*([f"## {name}"] if len(names) > 1 else []), _fields(name))]
    inner = dict.fromkeys(below for name in names for below in _below(name))
    parts += [part for name in inner for part in (f"## {name}", _fields(name))]
    return "\n\n".join([*parts, "What [any record](records/any) may say stands there; [all kinds](reference/records)."])


def _named(said: dict[str, Any]) -> str:
    return str(said["$ref"]).removeprefix(_REF)


def _below(name: str) -> list[str]:
    """The tables that a record holds, theirs included, in order."""
    found: list[str] = []
    for ref in _refs(_schema()["$defs"][name].get("properties", {})):
        found += [ref, *_below(ref)]
    return found


def _refs(said: object) -> Iterator[str]:
    if isinstance(said, dict):
        if "$ref" in said:
            yield _named(said)
        said = [*said.values()]
    if isinstance(said, list):
        for each in said:
            yield from _refs(each)


def _fields(name: str) -> str:
    said = _schema()["$defs"][name]
    needed = set(said.get("required", ()))
    lines = [
        f"- `{key}`: {_type(each)}{'' if key in needed else ', may be missing'}. {prose(each.get('description', ''))}"
        for key, each in said.get("properties", {}).items()
    ]
    return "\n\n".join(filter(None, (prose(said.get("description", "")), "\n".join(lines))))


def _type(said: dict[str, Any]) -> str:
    if "$ref" in said:
        return _named(said)
    if "enum" in said or "const" in said:
        return "one of " + ", ".join(f"“{each}”" for each in said.get("enum", [said.get("const")]))
    if "anyOf" in said:
        return " or ".join(_type(each) for each in said["anyOf"])
    if said.get("type") == "array":
        return f"list of {_type(said['items'])}" if isinstance(said.get("items"), dict) else "list"
    kinds = said.get("type", "any value")
    return " or ".join(kinds) if isinstance(kinds, list) else str(kinds)
