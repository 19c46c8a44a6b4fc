"""A recording without the names of persons: each is a number, the same throughout. It replays as the original does.

The sums of the state are left out, as the state holds names.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import Any

from rig.ledger.black_box import BoxError
from rig.record.base import Document
from rig.run.scans import line_of
from rig.sentence import Wording

_IN_ENTRIES = "by", "why"
"""Keys of a journal entry that may hold who it was."""


class Nameless:
    """Gives every name its number, in all recordings of one file alike."""

    def __init__(self) -> None:
        self._numbers: dict[str, str] = {}

    def lines(self, lines: Iterable[str]) -> Iterator[str]:
        """The lines of one part; BoxError for a line that is no object."""
        for text in lines:
            try:
                line = json.loads(text)
                if "digest" in line:
                    continue
                made = self._head(line) if "setup" in line else self._scan(line)
            except (ValueError, TypeError, KeyError, IndexError) as error:
                raise BoxError(
                    Wording("box.line", "a line of this black box cannot be read ({error}); it is damaged")(
                        error=str(error)
                    )
                ) from error
            yield line_of(made)

    def _number(self, name: str) -> str:
        return self._numbers.setdefault(name, f"person {len(self._numbers) + 1}") if name else ""

    def _known(self, text: object) -> object:
        """A name that somebody here has, or an id that begins with one; anything else as it is."""
        if not isinstance(text, str):
            return text
        name = next((name for name in self._numbers if text == name or text.startswith(f"{name}-")), "")
        return self._numbers[name] + text[len(name) :] if name else text

    def _head(self, head: Document) -> Document:
        taken: Any = head["taken_up"]
        taken_up = None if taken is None else taken | {"state": self._state(taken["state"])}
        return head | {"state": self._state(head["state"]), "taken_up": taken_up}

    def _state(self, state: Any) -> Document:  # noqa: ANN401  # parsed JSON
        confirmed = [each | {"by": self._number(each["by"])} for each in state["confirmed"]]
        return {**state, "confirmed": confirmed, "handled": [self._known(each) for each in state["handled"]]}

    def _scan(self, line: Any) -> Document:  # noqa: ANN401
        made: Document = dict(line)
        if "q" in line:
            made["q"] = [self._request(*each) for each in line["q"]]
        if "e" in line:
            made["e"] = [
                [kind, {name: self._known(value) if name in _IN_ENTRIES else value for name, value in data.items()}]
                for kind, data in line["e"]
            ]
        return made

    def _request(self, id_: str, kind: str, name: str, by: str) -> list[object]:
        number = self._number(by)
        return [self._known(id_), kind, name, number]
