"""The configuration key by key: what each means, what the file has, and the file's text with some of them changed.

It must not know what a key is for: the tables that read the configuration say it, and they alone check it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, MutableMapping
from functools import cache
from typing import get_args

import tomlkit
from pydantic import Field
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from rig.field.points import Strict
from rig.guide.keys import WIRED, Key, is_named, keys_of, table_models, title_of
from rig.run.mistakes import tables_in
from rig.run.settings import Settings, SettingsError
from rig.sentence import Wording

_NAMES = {"points": sorted(WIRED)}
"""Tables of tables whose names are given."""
_QUOTES = ('"', "'")
"""A text that begins with one is typed as in TOML: so are characters that no field shows."""
Table = MutableMapping[str, object]


class Change(Strict):
    """A key's new value as typed; none: it is left out. Of a table with a name of its own: it is taken away."""

    path: tuple[str, ...] = Field(min_length=2, max_length=3)
    text: str | None = Field(max_length=4000)


@cache
def tables() -> list[dict[str, object]]:
    """Every table of the configuration with its keys, by kind where it is of several."""
    return [
        {
            "table": table,
            "title": title_of(table, models),
            "named": is_named(table),
            "names": _NAMES.get(table, ()),
            "kinds": {_kind(model): [_shown(key) for key in keys_of(model)] for model in models},
        }
        for table, models in table_models().items()
    ]


def _shown(key: Key) -> dict[str, object]:
    return {
        "name": key.name, "about": key.about, "default": key.default, "required": key.required,
        "choices": [each for each in key.choices if each],
    }  # fmt: skip


def _kind(model: type[Strict]) -> str:
    """The value of ``kind`` that selects a table among several; empty where there is one."""
    kind = model.model_fields.get("kind")
    return str(get_args(kind.annotation)[0]) if kind is not None and kind.is_required() else ""


def written(text: str) -> dict[str, object] | None:
    """The keys of a configuration's text, their values as they are typed in the form; none where it is not TOML."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None
    return {name: _typed_keys(table) for name, table in document.items() if isinstance(table, dict)}


def _typed_keys(table: dict[str, object]) -> dict[str, object]:
    return {
        key: {inner: _typed(each) for inner, each in value.items()} if isinstance(value, dict) else _typed(value)
        for key, value in table.items()
    }


def _typed(value: object) -> str:
    """A value as it is typed: a text without quotes where it can be, anything else as in TOML, on one line."""
    plain = isinstance(value, str) and value.isprintable() and value[:1] not in _QUOTES
    return str(value) if plain else _toml(value)


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{tomlkit.key(key).as_string()} = {_toml(each)}' for key, each in value.items())} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return tomlkit.item(value).as_string()


def changed(text: str, changes: Iterable[Change]) -> str:
    """A configuration's text with some keys changed: the others and all comments are as they were."""
    try:
        document = tomlkit.parse(text)
        for change in changes:
            _change(document, change)
        return tomlkit.dumps(document)
    except TOMLKitError as error:
        raise SettingsError(
            Wording("config.no_keys", "this cannot be changed key by key: change it in the text ({error})")(
                error=str(error)
            )
        ) from error


def _change(document: Table, change: Change) -> None:
    *outer, last = change.path
    place = document
    for name in outer:
        if name not in place:
            if change.text is None:
                return
            place[name] = _new_table(place)
        inner = place[name]
        if not isinstance(inner, MutableMapping):
            raise SettingsError(Wording("config.no_table", "{name}: must be a table of keys")(name=name))
        place = inner
    if change.text is None:
        place.pop(last, None)
    else:
        plain = _is_text(change.path, place) and change.text[:1] not in _QUOTES
        place[last] = change.text if plain else _item(change.text)


def _new_table(place: Table) -> object:
    """On one line where its neighbours are."""
    lines = bool(place) and all(isinstance(each, InlineTable) for each in place.values())
    return tomlkit.inline_table() if lines else tomlkit.table()


def _item(text: str) -> object:
    """A value typed as in TOML; what is none is a text, which the check then refuses."""
    try:
        return tomlkit.parse(f"value = {text}")["value"] if "\n" not in text else text
    except TOMLKitError:
        return text


def _is_text(path: tuple[str, ...], place: Table) -> bool:
    field = Settings.model_fields.get(path[0])
    models = tables_in(field.annotation) if field else []
    chosen = [model for model in models if _kind(model) in ("", place.get("kind"))]
    key = next((key for model in chosen for key in keys_of(model) if key.name == path[-1]), None)
    return key is None or key.is_text
