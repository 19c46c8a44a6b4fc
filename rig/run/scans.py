"""Scans as lines of a black box, and back to the bit: what a decision was made on, and what was decided.

A line holds what differs from the line before. JSON's numbers are the shortest that give the same float again (Python's
``repr``), so nothing is rounded.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import MISSING, dataclass, fields
from operator import attrgetter
from typing import Any

from rig.control.moves.decide import Decision
from rig.control.words.values import Outputs, Reading, Request
from rig.ledger.black_box import BoxError
from rig.record.base import Document
from rig.sentence import Wording

_COUNTS, _NOW, _LATE = "counts", "now_s", "late_s"
_COUNTED = "counted"
"""Key of the counts as differences from the last ones."""
_REMEMBERED = 4096
"""Numbers of a field that a later line may name by their place."""
_SETS = frozenset(("unconfirmed", "unrenewed", "elsewhere", "untrusted"))
_SEEN = "outputs_seen"
_FIELDS = tuple((each.name, attrgetter(each.name)) for each in fields(Reading) if each.name not in (_NOW, _COUNTS))
_USUAL = {each.name: each.default for each in fields(Reading) if each.default is not MISSING}
_RELAYS = tuple((each.name, attrgetter(each.name)) for each in fields(Outputs))


@dataclass(frozen=True, slots=True)
class Scan:
    """One recorded scan."""

    reading: Reading
    requests: tuple[Request, ...]
    decided: Document
    """As :func:`decided_of` gives it."""
    entries: tuple[tuple[str, Document], ...]
    """The journal's entries: kind and data; progress rows without data."""
    error: str = ""
    """What ``decide`` raised instead of deciding."""


@dataclass(frozen=True, slots=True)
class Check:
    """Sum of the state after the scans so far, as the recording program had it."""

    digest: str


@dataclass(frozen=True, slots=True)
class Closed:
    """The end of a fill: what the controller counted."""

    counted: Document


def decided_of(decision: Decision) -> Document:
    """What was decided in a scan, as the next line and a person can read it."""
    state, prompt = decision.state, decision.prompt
    return {
        "state": state.state.value,
        "phase": state.phase.value,
        "on": on(decision.outputs),
        "prompt": None if prompt is None else [prompt.name, prompt.text],
        "missing": [each.name for each in decision.missing],
        "arm": decision.arm,
    }


def on(outputs: Outputs) -> list[str]:
    """Names of the outputs that are on."""
    return [name for name, get in _RELAYS if get(outputs)]


def entries_of(decision: Decision) -> tuple[tuple[str, Document], ...]:
    """The entries as the journal has them; progress rows follow from the state, so their data are left out."""
    return tuple((each.kind, {} if each.kind == "progress" else each.data) for each in decision.entries)


def _same(a: object, b: object) -> bool:
    """Whether two values are the same to the bit: 0.0 is not -0.0, and 1 is not 1.0."""
    if a is b:
        return True
    if type(a) is not type(b) or a != b:
        return False
    return not isinstance(a, float) or a != 0 or math.copysign(1, a) == math.copysign(1, b)  # type: ignore[arg-type]


class Writer:
    """Makes the lines of one part."""

    def __init__(self, scale: float) -> None:
        """``scale``: controller seconds per wall second, by which the time usually follows from the gap."""
        self._scale = scale
        self._was = dict(_USUAL)
        self._now_s = math.nan
        self._decided: Document = {}
        self._had: dict[str, dict[str, int]] = {}

    def scan(self, reading: Reading, requests: Sequence[Request], decision: Decision | None, error: str = "") -> str:
        """The line of one scan."""
        line: Document = {}
        changed = self._reading(reading)
        if changed:
            line["r"] = changed
        if requests:
            line["q"] = [[each.id, each.kind, each.name, each.by] for each in requests]
        if decision is not None:
            decided = decided_of(decision)
            if news := {name: value for name, value in decided.items() if self._decided.get(name, self) != value}:
                line["d"] = news
            self._decided = decided
            if decision.entries:
                line["e"] = entries_of(decision)
        if error:
            line["x"] = error
        return line_of(line)

    def _reading(self, reading: Reading) -> Document:
        was, changed = self._was, Document()
        for name, get in _FIELDS:
            value = get(reading)
            if not _same(value, was[name]):
                was[name] = value
                changed[name] = self._number(name, value) if isinstance(value, float) else _plain(value)
        if not _same(reading.now_s, self._now_s + reading.late_s * self._scale):
            changed[_NOW] = reading.now_s
        self._now_s = reading.now_s
        counts, before = reading.counts, was[_COUNTS]
        if not _same(counts, before):
            was[_COUNTS] = counts
            steps = _steps(counts, before)
            changed[_COUNTED if steps else _COUNTS] = steps or list(counts)
        return changed

    def _number(self, name: str, value: float) -> float | str:
        """A number, or as text the place among those that this field has had: a register has few values."""
        had, key = self._had.setdefault(name, {}), repr(value)
        if key in had:
            return str(had[key])
        if len(had) < _REMEMBERED:
            had[key] = len(had)
        return value

    @staticmethod
    def check(digest: str) -> str:
        """The line of a check of the state."""
        return line_of({"digest": digest})

    @staticmethod
    def closed(counted: Document) -> str:
        """The line of the end."""
        return line_of({"counted": counted})


def _steps(counts: tuple[int | None, ...], before: tuple[int | None, ...]) -> list[int]:
    """Differences of two readings of the same measures; none where one was not read."""
    if len(counts) != len(before):
        return []
    both = [(a, b) for a, b in zip(counts, before, strict=True) if a is not None and b is not None]
    return [a - b for a, b in both] if len(both) == len(counts) else []


def _plain(value: object) -> object:
    if isinstance(value, frozenset):
        return sorted(value)
    return on(value) if isinstance(value, Outputs) else value


def line_of(document: Document) -> str:
    """A line of a recording: compact JSON."""
    return json.dumps(document, separators=(",", ":"))


def read_scans(lines: Iterator[str], scale: float) -> Iterator[Scan | Check | Closed]:
    """The lines of one part after its first; BoxError for a line that this program cannot read."""
    was: dict[str, Any] = {**_USUAL, _NOW: math.nan}
    decided: Document = {}
    had: dict[str, list[float]] = {}
    for text in lines:
        try:
            line = json.loads(text)
            if "digest" in line:
                yield Check(line["digest"])
                continue
            if "counted" in line:
                yield Closed(line["counted"])
                continue
            was = _next(was, line.get("r", {}), scale, had)
            reading, requests = Reading(**was), tuple(Request(*each) for each in line.get("q", ()))
            decided = decided | line.get("d", {})
            entries = tuple((kind, data) for kind, data in line.get("e", ()))
        except (ValueError, TypeError, LookupError) as error:
            raise BoxError(
                Wording(
                    "box.line_newer",
                    "a line of this black box cannot be read ({error}): a newer version of this program "
                    "wrote it, or it is damaged",
                )(error=str(error))
            ) from error
        yield Scan(reading, requests, decided, entries, line.get("x", ""))


def _next(was: dict[str, Any], changed: Document, scale: float, had: dict[str, list[float]]) -> dict[str, Any]:
    """The fields of the next reading; ``had`` are the numbers that each field has had."""
    now, news = dict(was), dict[str, Any](changed)
    steps = news.pop(_COUNTED, None)
    if steps is not None:
        news[_COUNTS] = [last + step for last, step in zip(was[_COUNTS], steps, strict=True)]
    for name, value in news.items():
        if name in _SETS:
            now[name] = frozenset(value)
        elif name == _SEEN and value is not None:
            now[name] = Outputs(**dict.fromkeys(value, True))
        elif isinstance(value, str):
            now[name] = had[name][int(value)]
        else:
            now[name] = tuple(value) if name == _COUNTS else value
            if isinstance(value, float) and name != _NOW and len(had.setdefault(name, [])) < _REMEMBERED:
                had[name].append(value)
    if _NOW not in news:
        now[_NOW] = was[_NOW] + now[_LATE] * scale
    return now
