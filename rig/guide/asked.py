"""What the controller asks a person: prompts, ready check, what a start still lacks; with the written text of each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rig.control.safety.permissives import PERMISSIVES
from rig.control.words.checks import LEVER, checks_for, checks_for_emptying, checks_for_vessel, like_air, look_doubts
from rig.control.words.prompts import PROMPTS
from rig.control.words.values import Check, Scope
from rig.guide.topic import sections
from rig.units import KPA_PER_PSI

_SCOPES: dict[Scope, str] = {
    "shift": "once a shift", "machine": "once for each machine", "wheel": "for every wheel",
}  # fmt: skip
_TOP, _LIMIT_KPA, _AIR_KPA, _LESS_L = 12.0, 20 * KPA_PER_PSI, 101.0, 70.0
"""Examples for the figures that a question names."""


def ready_checks() -> dict[str, list[Check]]:
    """Every question of the ready check by its name, in each of its wordings."""
    found: dict[str, list[Check]] = {}
    for check in _asked_anywhere():
        wordings = found.setdefault(check.name, [])
        if check not in wordings:
            wordings.append(check)
    return found


def _asked_anywhere() -> Iterable[Check]:
    yield from checks_for(_TOP, _LIMIT_KPA, "jacked", "core back, then gun off", proven=False, flammable=True)
    yield from checks_for(_TOP, _LIMIT_KPA, "ground", "gun off, then core back", proven=True, flammable=False)
    yield from checks_for_emptying(_TOP / 2, "ground", flammable=True)
    yield from checks_for_vessel(flammable=True)
    yield from (LEVER, like_air(_AIR_KPA), *(look_doubts("16.9-28", each) for each in (_LESS_L, -_LESS_L)))


def with_prompts(text: str) -> str:
    """The page of prompts, each with the controller's words."""
    return _joined(text, {name: [each.outlined() for each in words] for name, words in PROMPTS.items()})


def with_checks(text: str) -> str:
    """The page of the ready check, each question in its wordings and how often it is asked."""
    found = {
        name: [f"{check.text} *({_SCOPES[check.scope]})*" for check in wordings]
        for name, wordings in ready_checks().items()
    }
    return _joined(text, found)


def with_permissives(text: str) -> str:
    """The page of what a start may lack, in the order in which the controller looks."""
    return _joined(text, {name: [] for name, _ in PERMISSIVES})


def _joined(text: str, words: Mapping[str, list[str]]) -> str:
    """The written sections in the table's order, each headed by its name, with the controller's words quoted."""
    before, written = sections(text)
    parts = [before]
    for name, quoted in words.items():
        parts.append(f"## {name.replace('_', ' ')}")
        if quoted:
            parts.append("\n".join(f"- “{each}”" if len(quoted) > 1 else f"“{each}”" for each in quoted))
        parts.append(written[name])
    return "\n\n".join(parts)
