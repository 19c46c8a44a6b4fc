"""What several people entered about one thing, put together. Pure.

The rule: each person's changes are applied field by field in the order in which they arrive at the office. Where two
have changed the same field without knowing of each other, the later arrival stands, and the other word is kept beside
it until somebody who has seen both enters that field again.
"""

from __future__ import annotations

from collections.abc import Mapping

from rig.record.base import Document

_ADDED_UP = ("former_names",)
"""Fields whose values are all kept."""
_TOGETHER = (("customer", "customer_number"), ("site", "site_number"))
"""Fields that are entered as one: a name and its number."""

Fields = Mapping[str, object]


def merged(now: Fields, base: Fields, new: Fields) -> tuple[Document, Document]:
    """``now`` with what was changed from ``base`` to ``new``; and the values of ``now`` that this displaces unseen."""
    found, displaced = dict(now), dict[str, object]()
    touched = {field for field in {*base, *new} if base.get(field) != new.get(field)}
    touched |= {field for group in _TOGETHER if touched & {*group} for field in group}
    for field in sorted(touched):
        before, wanted, standing = base.get(field), new.get(field), now.get(field)
        if wanted == standing:
            continue
        if field in _ADDED_UP:
            wanted = list(dict.fromkeys([*_listed(standing), *_listed(wanted)]))
        elif standing != before and standing is not None:
            displaced[field] = standing
        found[field] = wanted
    return {field: value for field, value in found.items() if value is not None}, displaced


def agree(one: Fields, other: Fields) -> bool:
    """Whether two descriptions contradict each other in no field but the name, which is compared elsewhere."""
    return all(one[field] == other[field] for field in one.keys() & other.keys() - {"name", *_ADDED_UP})


def _listed(value: object) -> list[object]:
    return list(value) if isinstance(value, list | tuple) else []
