"""A value of this room as text, to the last bit: two are the same exactly where their texts are.

Sets are written in order, so the text is the same in every process.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable


def canonical(value: object) -> str:
    """Canonical text of a value: dataclasses by field, sets and mappings in order, floats to the last bit."""
    return _writer(type(value))(value)  # type: ignore[arg-type]  # every type is hashable


@cache
def _writer(kind: type) -> Callable[[Any], str]:
    """The writer for the values of one type."""
    if is_dataclass(kind):
        parts = [attrgetter(each.name) for each in fields(kind)]
        return lambda value: "(" + ",".join([canonical(part(value)) for part in parts]) + ")"
    if issubclass(kind, Enum):
        return lambda value: repr(value.value)
    if issubclass(kind, tuple | list):
        return lambda value: "[" + ",".join(map(canonical, value)) + "]"
    if issubclass(kind, set | frozenset):
        return lambda value: "{" + ",".join(sorted(map(canonical, value))) + "}"
    if issubclass(kind, dict):
        return lambda value: "{" + ",".join(sorted(f"{canonical(k)}:{canonical(v)}" for k, v in value.items())) + "}"
    return repr
