"""Every key of the configuration, from the tables that read it: form, limits, default, and what it says."""

from __future__ import annotations

import ast
import inspect
import json
import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, partial, reduce
from itertools import pairwise
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from rig.field.points import Strict, kind_of_field
from rig.guide.topic import Topic, prose, sections
from rig.run.mistakes import tables_in
from rig.run.names import POINT_NAMES, QUANTITY_OF_POINT, SIMULATED, SWITCHED
from rig.run.settings import Settings
from rig.sentence import Sentence, Wording, kind_named
from rig.units import Kind, example_of, named, unit_of

_SHOWN: dict[Kind, Wording] = {
    "pressure": Wording("form.pressure", "{value:pressure}"),
    "flow": Wording("form.flow", "{value:flow}"),
    "temperature": Wording("form.temperature", "{value:temperature}"),
}
_WITH_UNIT = Wording("form.with_unit", "{value:number} {unit}")
_FORMS: dict[object, Wording] = {
    str: Wording("form.text", "text"),
    bool: Wording("form.yes_no", "true or false"),
    int: Wording("form.whole", "a whole number"),
    float: Wording("form.number", "a number"),
    date: Wording("form.date", "a date such as 2026-11-02"),
}
_QUANTITY = Wording("form.quantity", 'a {name} such as "{example}"')
_EITHER = Wording("form.either", "{one} or {other}")
_LIST = Wording("form.list", "a list, each {form}")
_TABLE = Wording("form.table", "a table of {names}, each {form}")
_TABLES = Wording("form.tables", "tables, described below")
_BOUNDS = {
    "ge": Wording("form.at_least", "{form}, at least {limit}"),
    "gt": Wording("form.above", "{form}, above {limit}"),
    "le": Wording("form.at_most", "{form}, at most {limit}"),
    "lt": Wording("form.below", "{form}, below {limit}"),
}
_REQUIRED = Wording("form.required", "{form}; must be written. {said}")
_OPTIONAL = Wording("form.optional", "{form}; may be left out. {said}")
_OTHERWISE = Wording("form.otherwise", "{form}; otherwise {default}. {said}")
WIRED = POINT_NAMES - SIMULATED
"""Points that a real rig may have."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table, and what is said of it."""

    name: str
    form: Sentence
    """How its value is written, and its limits."""
    default: str
    """What counts where it is left out; empty where nothing does."""
    required: bool
    said: Sentence
    choices: tuple[str, ...]
    """The only values that it may have, as they are typed; empty where it may have others."""
    is_text: bool
    """A text in TOML, which stands in quotes; a quantity with its unit is one."""

    @property
    def about(self) -> Sentence:
        """All of it in Markdown."""
        if self.required or not self.default:
            return (_REQUIRED if self.required else _OPTIONAL)(form=self.form, said=self.said)
        return _OTHERWISE(form=self.form, default=self.default, said=self.said)


@cache
def keys_of(model: type[Strict]) -> tuple[Key, ...]:
    """The keys of a table in their order."""
    said = described(model)
    return tuple(_key(name, field, said[name]()) for name, field in model.model_fields.items())


def title_of(table: str, models: list[type[Strict]]) -> Sentence:
    """What a table of the configuration is, in a line."""
    title = _TITLES.get(table) or prose(inspect.cleandoc(models[0].__doc__ or "").partition("\n\n")[0])
    return Wording(f"key.{table}", title)()


def key_wordings() -> dict[str, str]:
    """The words of every table and key of the configuration by their keys."""
    found: dict[str, str] = {}
    for table, models in table_models().items():
        said = title_of(table, models)
        wordings = (words for model in models for words in described(model).values())
        found |= {said.key: said.wording, **{words.key: words.text for words in wordings}}
    return found


def table_models() -> dict[str, list[type[Strict]]]:
    """The tables of the configuration by name, each of one kind or several."""
    found = {table: tables_in(field.annotation) for table, field in Settings.model_fields.items()}
    return {table: models for table, models in found.items() if models}


def key_topics() -> Iterator[Topic]:
    """A topic for each table of the configuration."""
    for table, models in table_models().items():
        head = f"{table}.NAME" if is_named(table) else table
        yield Topic(f"configuration/{table}", f"[{head}]: {title_of(table, models)}", partial(_text, head, models))


def is_named(table: str) -> bool:
    """Whether it is a table of tables, each with a name of the shop's own."""
    return get_origin(Settings.model_fields[table].annotation) is dict


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


def _key(name: str, field: FieldInfo, said: Sentence) -> Key:
    metadata = [*field.metadata]
    form = _form(field.annotation, metadata)
    kind = kind_of_field(metadata)
    bounds = {
        limit: bound for each in metadata for limit in _BOUNDS if (bound := getattr(each, limit, None)) is not None
    }
    if "gt" in bounds:
        bounds.pop("ge", None)
    for limit, bound in bounds.items():
        form = _BOUNDS[limit](form=form, limit=_value(bound, kind))
    ways = _ways(field.annotation)
    choices = tuple(str(each) for way in ways if get_origin(way) is Literal for each in get_args(way))
    return Key(
        name,
        form,
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


def _form(annotation: Any, metadata: list[object]) -> Sentence:  # noqa: ANN401
    """How a value is written; gathers what annotates it on the way in."""
    if get_origin(annotation) is Annotated:
        annotation, *more = get_args(annotation)
        for each in more:
            metadata += each.metadata if isinstance(each, FieldInfo) else [each]
    kind, inner = kind_of_field(metadata), get_args(annotation)
    if kind is not None:
        return _QUANTITY(name=kind_named(kind), example=re.split(", | or ", example_of(kind))[0])
    if get_origin(annotation) is Literal:
        return _either([f"`{_value(each, None)}`" for each in inner])
    if tables_in(annotation):
        return _TABLES()
    if get_origin(annotation) in (tuple, frozenset):
        return _LIST(form=_form(inner[0], metadata))
    if get_origin(annotation) is dict:
        return _TABLE(names=_form(inner[0], metadata), form=_form(inner[1], metadata))
    if inner:
        return _either([_form(each, metadata) for each in inner if each is not NoneType])
    return _FORMS[annotation]()


def _either(forms: Sequence[str]) -> Sentence:
    """One of several forms; one alone as it is."""
    return reduce(lambda one, other: _EITHER(one=one, other=other), forms)  # type: ignore[return-value]


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
    return _SHOWN[kind](value=value) if kind in _SHOWN else _WITH_UNIT(value=value, unit=unit_of(kind))


@cache
def described(model: type[Strict]) -> dict[str, Wording]:
    """What the source says below each key of a table, those of its bases included."""
    found: dict[str, Wording] = {}
    for of in reversed(model.__mro__):
        if not issubclass(of, Strict):
            continue
        (defined,) = ast.parse(textwrap.dedent(inspect.getsource(of))).body
        assert isinstance(defined, ast.ClassDef)
        for key, below in pairwise(defined.body):
            if isinstance(key, ast.AnnAssign) and isinstance(key.target, ast.Name) and isinstance(below, ast.Expr):
                name = key.target.id
                found[name] = Wording(f"key.{of.__name__}.{name}", prose(ast.literal_eval(below.value)))
    return found
