"""Every key of the configuration, from the tables that read it: form, limits, default, and what it says."""

from __future__ import annotations

import ast
import inspect
import json
import re
import textwrap
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import cache, partial
from itertools import pairwise
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from rig.field.points import Strict, kind_of_field
from rig.guide.topic import Topic, prose, sections
from rig.run.mistakes import tables_in
from rig.run.names import POINT_NAMES, QUANTITY_OF_POINT, SIMULATED, SWITCHED
from rig.run.settings import Settings
from rig.units import (
    Kind,
    example_of,
    named,
    show_flow,
    show_pressure,
    show_temperature,
    unit_of,
)

_SHOWN: dict[Kind, Callable[[float], str]] = {
    "pressure": show_pressure, "flow": show_flow, "temperature": show_temperature,
}  # fmt: skip
_FORMS: dict[object, str] = {
    str: "text", bool: "true or false", int: "a whole number", float: "a number", date: "a date such as 2026-11-02",
}  # fmt: skip
_BOUNDS = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
WIRED = POINT_NAMES - SIMULATED
"""Points that a real rig may have."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table, and what is said of it."""

    name: str
    form: str
    """How its value is written, and its limits."""
    default: str
    """What counts where it is left out; empty where nothing does."""
    required: bool
    said: str
    choices: tuple[str, ...]
    """The only values that it may have, as they are typed; empty where it may have others."""
    is_text: bool
    """A text in TOML, which stands in quotes; a quantity with its unit is one."""

    @property
    def about(self) -> str:
        """All of it in Markdown."""
        default = (
            "must be written" if self.required else f"otherwise {self.default}" if self.default else "may be left out"
        )
        return f"{self.form}; {default}. {self.said}"


@cache
def keys_of(model: type[Strict]) -> tuple[Key, ...]:
    """The keys of a table in their order."""
    said = described(model)
    return tuple(_key(name, field, prose(said[name])) for name, field in model.model_fields.items())


def title_of(table: str, models: list[type[Strict]]) -> str:
    """What a table of the configuration is, in a line."""
    return _TITLES.get(table) or _about(models[0])


def key_topics() -> Iterator[Topic]:
    """A topic for each table of the configuration."""
    for table, field in Settings.model_fields.items():
        models = tables_in(field.annotation)
        if models:
            head = f"{table}.NAME" if get_origin(field.annotation) is dict else table
            title = f"[{head}]: {title_of(table, models)}"
            yield Topic(f"configuration/{table}", title, partial(_text, head, models))


_TITLES = {"links": "How a device is reached.", "points": "One value on a wire."}
"""Titles of tables that are of several kinds, or whose own words are of their arithmetic."""


def with_points(text: str) -> str:
    """The page of points: each with the written text of its section, and what it is."""
    before, written = sections(text)
    parts = [before]
    for name, body in written.items():
        what = "Output" if name in SWITCHED else "Input"
        kind = QUANTITY_OF_POINT.get(name)
        parts.append(f"## {name}\n\n{what}{'' if kind is None else f', a {named(kind)}'}. {body}")
    return "\n\n".join(parts)


def _text(head: str, models: list[type[Strict]]) -> str:
    parts = []
    for model in models:
        kind, said = model.model_fields.get("kind"), prose(inspect.cleandoc(model.__doc__ or ""))
        if len(models) > 1 and kind is not None:
            parts.append(f'## kind = "{get_args(kind.annotation)[0]}"')
        # Of most tables the first paragraph is the title.
        titled = head.partition(".")[0] not in _TITLES
        parts += [said.partition("\n\n")[2] if titled else said, _bullets(head, model)]
        for key, field in model.model_fields.items():
            below = f"{head}.{key}.NAME" if get_origin(field.annotation) is dict else f"{head}.{key}"
            for inner in tables_in(field.annotation):
                parts += [f"## Each of {below}", prose(inspect.cleandoc(inner.__doc__ or "")), _bullets(below, inner)]
    return "\n\n".join(filter(None, parts))


def _bullets(head: str, model: type[Strict]) -> str:
    return "\n".join(f"- `{head}.{key.name}`: {key.about}" for key in keys_of(model))


def _key(name: str, field: FieldInfo, said: str) -> Key:
    metadata = [*field.metadata]
    form = _form(field.annotation, metadata)
    kind = kind_of_field(metadata)
    bounds = {name: bound for each in metadata for name in _BOUNDS if (bound := getattr(each, name, None)) is not None}
    if "gt" in bounds:
        bounds.pop("ge", None)
    limits = [f"{_BOUNDS[name]} {_value(bound, kind)}" for name, bound in bounds.items()]
    ways = _ways(field.annotation)
    choices = tuple(str(each) for way in ways if get_origin(way) is Literal for each in get_args(way))
    return Key(
        name,
        ", ".join([form, *limits]),
        "" if field.is_required() else _default(field, kind),
        field.is_required(),
        said,
        ("true", "false") if ways == [bool] else choices,
        kind is not None or all(way is str or isinstance(next(iter(get_args(way)), None), str) for way in ways),
    )


def _ways(annotation: Any) -> list[Any]:  # noqa: ANN401
    """The types of value that a key may have, besides none."""
    if get_origin(annotation) is Annotated:
        return _ways(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return [way for each in get_args(annotation) if each is not NoneType for way in _ways(each)]
    return [annotation]


def _form(annotation: Any, metadata: list[object]) -> str:  # noqa: ANN401
    """How a value is written; gathers what annotates it on the way in."""
    if get_origin(annotation) is Annotated:
        annotation, *more = get_args(annotation)
        for each in more:
            metadata += each.metadata if isinstance(each, FieldInfo) else [each]
    kind, inner = kind_of_field(metadata), get_args(annotation)
    if kind is not None:
        return f'a {named(kind)} such as "{re.split(", | or ", example_of(kind))[0]}"'
    if get_origin(annotation) is Literal:
        return " or ".join(f"`{_value(each, None)}`" for each in inner)
    if tables_in(annotation):
        return "tables, described below"
    if get_origin(annotation) in (tuple, frozenset):
        return f"a list, each {_form(inner[0], metadata)}"
    if get_origin(annotation) is dict:
        return f"a table of {_form(inner[0], metadata)}, each {_form(inner[1], metadata)}"
    if inner:
        return " or ".join(_form(each, metadata) for each in inner if each is not NoneType)
    return _FORMS[annotation]


def _default(field: FieldInfo, kind: Kind | None) -> str:
    value = field.get_default(call_default_factory=True)
    return "" if value in (None, "", (), {}) else _value(value, kind)


def _value(value: object, kind: Kind | None) -> str:
    if isinstance(value, bool | str):
        return json.dumps(value)
    if isinstance(value, Iterable):
        return ", ".join(_value(each, None) for each in value)
    if not isinstance(value, int | float) or kind is None or not value:
        return f"{value:g}" if isinstance(value, float) else str(value)
    return _SHOWN[kind](value) if kind in _SHOWN else f"{value:g} {unit_of(kind)}"


def _about(model: type[Strict]) -> str:
    return prose(inspect.cleandoc(model.__doc__ or "").partition("\n\n")[0])


def described(model: type[Strict]) -> dict[str, str]:
    """What the source says below each key of a table, those of its bases included."""
    found: dict[str, str] = {}
    for of in reversed(model.__mro__):
        if not issubclass(of, Strict):
            continue
        (defined,) = ast.parse(textwrap.dedent(inspect.getsource(of))).body
        assert isinstance(defined, ast.ClassDef)
        for key, below in pairwise(defined.body):
            if isinstance(key, ast.AnnAssign) and isinstance(key.target, ast.Name) and isinstance(below, ast.Expr):
                found[key.target.id] = ast.literal_eval(below.value)
    return found
