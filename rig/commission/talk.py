"""Questions that every step asks: yes or no, a choice, a quantity with its unit. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TypeVar

from rig.choice import DONE, YES_OR_NO, Choice
from rig.commission.acts import Ask, Look, Say, Talk, Watch, Watched
from rig.commission.wires import Film, Place
from rig.sentence import Wording
from rig.units import Kind, QuantityError, parse

T = TypeVar("T")
NONE = ("n", "no", "none")
LEAVE = Choice("q", Wording("choice.leave_step", "leave this step")())
NOT_KNOWN = Choice("", Wording("choice.not_known", "not known")())
_ABOVE_ZERO = Wording("commission.above_zero", "It must be above zero.")
STILL_S = 2.0
"""How long everything is watched at rest, and a known value while it is held."""


class GivenUp(Exception):
    """The person leaves a step that has found nothing."""


def say(text: str) -> Talk[None]:
    """Show a text."""
    yield Say(text)


def ask(text: str, *choices: Choice, typed: bool = True) -> Talk[str]:
    """Ask for a text; ``typed``: others than the offered ones are taken."""
    answer: str = yield Ask(text, choices, typed)
    return answer


def yes(text: str) -> Talk[bool]:
    """Ask until the answer is yes or no: nothing counts as either by itself."""
    while True:
        answer = (yield from ask(text, *YES_OR_NO, typed=False)).lower()
        if answer in ("y", "yes"):
            return True
        if answer in NONE:
            return False
        yield from say("  Answer y or n.")


def choice(text: str, words: Mapping[str, str]) -> Talk[str]:
    """Ask for one of some keys."""
    choices = [Choice(key, word) for key, word in words.items()]
    while True:
        answer = (yield from ask(text, *choices, typed=False)).lower()
        if answer in words:
            return answer
        yield from say(f"  Answer one of {', '.join(words)}.")


def one_of(text: str, things: Sequence[T]) -> Talk[T | None]:
    """Let the person choose among several, by number; None to act again."""
    choices = [Choice(str(number), str(thing)) for number, thing in enumerate(things, 1)]
    while True:
        answer = yield from ask(text, *choices, Choice("a", "none of these: once more"), typed=False)
        if answer.lower() == "a":
            return None
        if answer.isdecimal() and 1 <= int(answer) <= len(things):
            return things[int(answer) - 1]
        yield from say(f"  Answer 1 to {len(things)}, or a.")


def quantity(text: str, kind: Kind, usual: str = "", *, above_zero: bool = False) -> Talk[str]:
    """Ask for a quantity with its unit; returns the text. An empty answer is ``usual``, where there is one."""
    while True:
        answer = yield from ask(text, *([Choice("", usual)] if usual else []))
        given = answer or usual
        try:
            if parse(given, kind) > 0 or not above_zero:
                return given
            yield from say(_ABOVE_ZERO())
        except QuantityError as error:
            yield from say(f"  {error}")


def maybe(text: str, kind: Kind) -> Talk[str | None]:
    """Ask for a quantity that may be unknown: an empty answer."""
    while True:
        answer = yield from ask(text, NOT_KNOWN)
        if not answer:
            return None
        try:
            if parse(answer, kind) > 0:
                return answer
            yield from say(_ABOVE_ZERO())
        except QuantityError as error:
            yield from say(f"  {error}")


def watch(text: str, *others: Choice, places: Collection[Place] | None = None, typed: bool = False) -> Talk[Watched]:
    """Ask for an act and follow the wires until it is done or another answer is given; ``typed``: a figure answers."""
    choices = others if typed else (*DONE, *others)
    watched: Watched = yield Watch(text, None if places is None else frozenset(places), choices, typed)
    return watched


def look(seconds: float, places: Collection[Place] | None = None) -> Talk[Film]:
    """Follow the wires for a time."""
    film: Film = yield Look(seconds, None if places is None else frozenset(places))
    return film


def left_out(watched: Watched) -> bool:
    """Whether the person answered that it is not there."""
    return watched.answer.lower() in NONE


def leave_if_asked(answer: str) -> None:
    """Raise GivenUp for an answer that leaves the step."""
    if answer.lower() in ("q", "quit"):
        raise GivenUp
