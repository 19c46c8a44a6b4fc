"""Recorded scans run through ``decide`` again, and the first that is decided otherwise.

By the program that recorded them everything must be the same to the bit; by another one what it does: the step, the
outputs, prompts and alarms. After the first difference the recorded readings are no longer what would have followed, so
nothing after it is compared.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from rig.control.belief.state import FillState
from rig.control.moves.decide import Decision, decide
from rig.control.moves.recover import recovered
from rig.control.moves.snapshot import fill_record
from rig.control.words.procedure import ProcedureError
from rig.control.words.values import Reading, Request, Setup
from rig.ledger.black_box import BoxError, lines_of
from rig.record.base import Document
from rig.record.work import Software
from rig.run.black_box import FORMAT, TakenUp, digest
from rig.run.recorder import setup_from, state_from
from rig.run.scans import Check, Closed, Scan, decided_of, entries_of, read_scans
from rig.sentence import Wording

Seen = Callable[[Setup, Scan, Decision], None]
"""Called with every scan and what is decided on it now."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a part begins with."""

    fill_id: str
    at: str
    software: Software
    config_hash: str
    scale: float
    setup: Setup
    state: FillState
    taken_up: TakenUp | None = None


@dataclass(frozen=True, slots=True)
class Did:
    """What was done in one scan."""

    decided: Document
    entries: tuple[tuple[str, Document], ...] = ()
    error: str = ""
    digest: str = ""
    """Sum of the state, where it alone differs."""


@dataclass(frozen=True, slots=True)
class Difference:
    """The first scan that is decided otherwise."""

    scan: int
    """Its number in the fill, from 1; where the fill was taken up after an interruption, that of the scan before."""
    at_s: float
    """On the controller's clock, which begins anew with each part."""
    reading: Reading
    requests: tuple[Request, ...]
    then: Did
    now: Did


@dataclass(frozen=True, slots=True)
class Replay:
    """A fill replayed."""

    fill_id: str
    scans: int
    software: Software
    """The program that recorded it; of its last part."""
    same_program: bool
    """This program recorded all of it: anything but the same bits is a defect."""
    first_difference: Difference | None
    counted_then: Document | None
    """What the controller counted when the fill ended; None if the recording does not reach that."""
    counted_now: Document | None

    @property
    def identical(self) -> bool:
        """Whether everything compared was the same."""
        return self.first_difference is None


def replay(parts: Sequence[Path], software: Software, seen: Seen | None = None) -> Replay:
    """Replay the parts of one fill by this program, which is ``software``; BoxError if they cannot be read.

    ``seen`` gets every scan to the end of the recording, those after a difference too.
    """
    scans, first, then, now, same = 0, None, None, None, True
    head = None
    for path in parts:
        head, lines = read_part(path)
        strict = head.software.hash == software.hash
        same = same and strict
        part = _Part(head, strict=strict, before=scans)
        for each in lines:
            part.take(each, seen)
            if part.difference is not None and seen is None:
                break
        scans, first = part.scans, first or part.difference
        then, now = part.counted_then, part.counted_now
        if first is not None and seen is None:
            break
    if head is None:
        raise BoxError(Wording("box.none", "there is no black box of this fill")())
    return Replay(head.fill_id, scans, head.software, same, first, then, now)


def read_part(path: Path) -> tuple[Head, Iterator[Scan | Check | Closed]]:
    """What a part begins with, and its scans as they are read; BoxError."""
    lines = lines_of(path)
    head = _head(next(lines, ""), path)
    return head, read_scans(lines, head.scale)


def _head(text: str, path: Path) -> Head:
    if not text:
        raise BoxError(
            Wording(
                "box.no_flush",
                "{path}: this black box was broken off before its first flush; nothing in it can be replayed",
            )(path=str(path))
        )
    try:
        head = json.loads(text)
        if head["format"] > FORMAT:
            raise BoxError(
                Wording("box.newer", "{path}: a newer version of this program recorded this: update this one")(
                    path=str(path)
                )
            )
        return Head(
            head["fill_id"], head["at"], Software(**head["software"]), head["config_hash"], float(head["scale"]),
            setup_from(json.dumps(head["setup"])), state_from(json.dumps(head["state"])),
            _taken_up(head["taken_up"]),
        )  # fmt: skip
    except ValidationError as error:
        at = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise BoxError(
            Wording(
                "box.older",
                "{path}: another version of this program recorded this, and this one cannot read its "
                "{at}: replay it with that version",
            )(path=str(path), at=at or "setup")
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise BoxError(
            Wording("box.no_box", "{path}: this is no black box of a fill ({error})")(path=str(path), error=str(error))
        ) from error


def _taken_up(document: Document | None) -> TakenUp | None:
    if document is None:
        return None
    (scan,) = read_scans(iter([json.dumps(document["reading"])]), 1.0)
    assert isinstance(scan, Scan)
    return TakenUp(state_from(json.dumps(document["state"])), scan.reading, float(str(document["ran_s"])))


class _Part:
    """One part while it is replayed."""

    def __init__(self, head: Head, *, strict: bool, before: int) -> None:
        self._setup, self._state, self._strict = head.setup, head.state, strict
        self.scans = before
        self.difference: Difference | None = None
        self.counted_then: Document | None = None
        self.counted_now: Document | None = None
        self._last: tuple[Scan, Did] | None = None
        if head.taken_up is not None:
            self._take_up(head.taken_up)

    def _take_up(self, taken_up: TakenUp) -> None:
        """Compare how the fill was taken up after an interruption; go on from what was recorded of that."""
        found = recovered(self._setup, taken_up.state, taken_up.reading, ran_s=taken_up.ran_s)
        then, now = self._taken(self._state), self._taken(found)
        if then.decided != now.decided or (self._strict and then != now):
            self.difference = Difference(self.scans, 0.0, taken_up.reading, (), then, now)

    def _taken(self, state: FillState) -> Did:
        counted = fill_record(self._setup, state)
        net = {"net_l": counted.net_l, "net_u_l": counted.net_u_l, "unattended_l": counted.unattended_l}
        return Did({"state": state.state.value, "phase": state.phase.value, **net}, digest=digest(state))

    def take(self, line: Scan | Check | Closed, seen: Seen | None) -> None:
        """Replay the next line."""
        match line:
            case Scan():
                self._scan(line, seen)
            case Check() if self._strict and self.difference is None and self._last is not None:
                now = digest(self._state)
                if now != line.digest:
                    scan, did = self._last
                    self._differs(scan, Did(did.decided, digest=line.digest), Did(did.decided, digest=now))
            case Closed():
                self.counted_then = line.counted
                self.counted_now = fill_record(self._setup, self._state).document()
                if self._strict and _plain(self.counted_now) != line.counted and self._last is not None:
                    self._differs(self._last[0], Did(line.counted), Did(self.counted_now))
            case _:
                pass

    def _scan(self, scan: Scan, seen: Seen | None) -> None:
        self.scans += 1
        try:
            decision = decide(self._setup, self._state, scan.reading, scan.requests)
        except (AssertionError, ProcedureError) as error:
            now = Did({}, error=repr(error))
        else:
            self._state = decision.state
            now = Did(decided_of(decision), entries_of(decision))
            if seen is not None:
                seen(self._setup, scan, decision)
        then = Did(scan.decided, scan.entries, scan.error)
        if now != then and (
            now.error != then.error or (not now.error and _compared(now, self._strict) != _compared(then, self._strict))
        ):
            self._differs(scan, then, now)
        self._last = scan, now

    def _differs(self, scan: Scan, then: Did, now: Did) -> None:
        if self.difference is None:
            self.difference = Difference(self.scans, scan.reading.now_s, scan.reading, scan.requests, then, now)


def _compared(did: Did, strict: bool) -> object:
    """What is compared: everything, or for another program only what it does, whatever words it has for it."""
    if strict:
        return _plain([did.decided, did.entries])
    decided = did.decided | {"prompt": (did.decided["prompt"] or [None])[0]}  # type: ignore[index]
    alarms = [data.get("name") for kind, data in did.entries if kind == "alarm"]
    return decided, alarms


def _plain(value: object) -> object:
    """The value after a round trip through JSON."""
    return json.loads(json.dumps(value))
