"""What is wrong with a value that a table or a record cannot have: sentences for the errors of pydantic.

It must not know what the value is for.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.sentence import Sentence, Wording, said_by

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

_LIMITS = {
    "greater_than": (Wording("unfit.above", "should be greater than {limit}, not {given}"), "gt"),
    "greater_than_equal": (Wording("unfit.at_least", "should be greater than or equal to {limit}, not {given}"), "ge"),
    "less_than": (Wording("unfit.below", "should be less than {limit}, not {given}"), "lt"),
    "less_than_equal": (Wording("unfit.at_most", "should be less than or equal to {limit}, not {given}"), "le"),
    "literal_error": (Wording("unfit.one_of", "should be {limit}, not {given}"), "expected"),
    "string_too_short": (Wording("unfit.short", "should have at least {limit} letters, not {given}"), "min_length"),
    "string_too_long": (Wording("unfit.long", "should have at most {limit} letters, not {given}"), "max_length"),
    "too_short": (Wording("unfit.few", "should have at least {limit} entries, not {given}"), "min_length"),
    "too_long": (Wording("unfit.many", "should have at most {limit} entries, not {given}"), "max_length"),
    "string_pattern_mismatch": (Wording("unfit.pattern", "should fit the pattern {limit}, not {given}"), "pattern"),
}
"""Errors by their types (pydantic's documentation, "Validation errors"), each with the name of its limit."""
_WHOLE = Wording("unfit.whole", "should be a whole number, not {given}")
_NUMBER = Wording("unfit.number", "should be a number, not {given}")
_TEXT = Wording("unfit.text", "should be a text, not {given}")
_LIST = Wording("unfit.list", "should be a list, not {given}")
_TABLE = Wording("unfit.table", "must be a table of keys, not {given}")
_DATE = Wording("unfit.date", "should be a valid date such as 2026-11-02, not {given}")
_YES_NO = Wording("unfit.yes_no", "should be true or false, not {given}")
_TYPES = {
    "int_parsing": _WHOLE, "int_type": _WHOLE, "int_from_float": _WHOLE, "int_parsing_size": _WHOLE,
    "float_parsing": _NUMBER, "float_type": _NUMBER, "decimal_parsing": _NUMBER, "decimal_type": _NUMBER,
    "bool_parsing": _YES_NO, "bool_type": _YES_NO, "string_type": _TEXT, "string_sub_type": _TEXT,
    "tuple_type": _LIST, "list_type": _LIST, "set_type": _LIST, "frozen_set_type": _LIST,
    "model_type": _TABLE, "dict_type": _TABLE, "dataclass_type": _TABLE,
    "date_type": _DATE, "date_parsing": _DATE, "date_from_datetime_parsing": _DATE,
    "date_from_datetime_inexact": _DATE,
    "finite_number": Wording("unfit.finite", "should be a finite number, not {given}"),
}  # fmt: skip
_MISSING, _UNKNOWN = Wording("unfit.missing", "missing"), Wording("unfit.unknown", "no such key")
_DAMAGED = Wording("unfit.damaged", "not to be read: {said}")
_OTHER = Wording("unfit.other", "should be another value than {given} ({said})")
_EITHER = Wording("unfit.either", "{one} or {other}")
_SHOWN = 60


def unfit(fault: ErrorDetails) -> str:
    """What is wrong with a value, and what it should be."""
    kind, given = fault["type"], repr(fault.get("input"))
    given = given if len(given) <= _SHOWN else f"{given[:_SHOWN]}…"
    match kind:
        case "missing":
            return _MISSING()
        case "extra_forbidden":
            return _UNKNOWN()
        case "json_invalid":
            return _DAMAGED(said=fault["msg"])
        case "value_error":
            return said_by(fault["ctx"]["error"])
    if kind in _LIMITS:
        words, name = _LIMITS[kind]
        return words(limit=_limit(fault["ctx"][name]), given=given)
    return _TYPES[kind](given=given) if kind in _TYPES else _OTHER(given=given, said=fault["msg"])


def _limit(limit: object) -> str:
    if isinstance(limit, float):
        return f"{limit:g}"
    return either(str(limit).replace(" or ", ", ").split(", "))


def either(texts: Sequence[str]) -> str:
    """One of several texts; one alone as it is."""
    *others, last = texts
    return _EITHER(one=others[0] if len(others) == 1 else ", ".join(others), other=last) if others else last


def unfit_at(fault: ErrorDetails) -> Sentence:
    """The same after the place of the value; the whole is without one."""
    place = ".".join(str(part) for part in fault["loc"])
    if not place:
        return Wording("unfit.all", "the whole: {what}")(what=unfit(fault))
    return Wording("unfit.at", "{place}: {what}")(place=place, what=unfit(fault))
