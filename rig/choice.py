"""The answers that a question offers, for a page's buttons and as a hint at a terminal. Must not know who asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.sentence import Wording

_IN_A_LINE = 3
"""Answers that are offered in brackets behind the question; more stand below it, one to a line."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One offered answer."""

    key: str
    """What is typed for it; empty: Enter alone."""
    words: str


YES_OR_NO = (Choice("y", Wording("choice.yes", "yes")()), Choice("n", Wording("choice.no", "no")()))
DONE = (Choice("", Wording("choice.done", "done")()),)


def typed_text(text: str, choices: Sequence[Choice]) -> str:
    """The question for someone who types, with the keys of the offered answers."""
    offered = [f"{choice.key or 'Enter'} = {choice.words}" for choice in choices]
    if not offered:
        return text
    if len(offered) > _IN_A_LINE:
        return "\n".join([text, *(f"  {each}" for each in offered)])
    then = "" if any(not choice.key for choice in choices) else "; then Enter"
    return f"{text} [{', '.join(offered)}{then}]".lstrip()
