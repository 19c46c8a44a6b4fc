"""A rig in memory for dialogues: registers, a person with scripted acts, relays with what they move; no wire."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from drawn import encoded

from rig.commission.acts import (
    AllOff,
    Ask,
    Faults,
    Isolate,
    Look,
    Prove,
    Proven,
    Put,
    Rehearse,
    Rehearsed,
    Say,
    Silence,
    Standing,
    Switch,
    Talk,
    Turn,
    Turned,
    Watch,
    Watched,
    Write,
)  # fmt: skip
from rig.commission.found import Finding, Known, Progress
from rig.commission.wires import Module, Place, Shot, Span, Wire
from rig.field.points import TcpLink

T = TypeVar("T")
Answer = str | Callable[["Memory"], str]
"""What the person says, or does and then says."""


def known(*done: tuple[str, Finding], simulated: float | None = None) -> Known:
    progress = Progress(simulated=simulated)
    for step, finding in done:
        progress = progress.with_done(step, finding)  # type: ignore[arg-type]
    return Known(progress, "2026-11-29")


def place(table: str, address: int, unit: int = 1) -> Place:
    return Place("net1", unit, table, address)  # type: ignore[arg-type]


LOOK = Finding(wires={"net1": Wire(
    link=TcpLink(kind="tcp", host="192.0.2.7"),
    modules=(Module(unit=1, spans=(Span(table="coil", address=0, count=8), Span(table="input", address=0, count=40))),),
)})  # fmt: skip


@dataclass
class Memory:
    """``answers`` by the begin of a question: one, or one after another."""

    answers: dict[str, Answer | list[Answer]]
    words: dict[Place, int] = field(default_factory=dict)
    moves: Mapping[Place, Place] = field(default_factory=dict)
    """Inputs that follow an output: break contacts."""
    isolated: bool = False
    unread: frozenset[Place] = frozenset()
    """Outputs that cannot be read back."""
    acts: Callable[[Memory, float], None] = lambda _memory, _now_s: None
    """What the plant does until each shot."""
    stuck: Mapping[Place, int] = field(default_factory=dict)
    """Registers that take no other number."""
    drops: bool = True
    """The module drops its outputs in a silence."""
    refuses: str = ""
    turned: list[Turned] = field(default_factory=list)
    rehearsed: Rehearsed = field(default_factory=lambda: Rehearsed(2.0, "nothing is counted"))
    faults: list[list[str]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    switched: list[tuple[Place, bool]] = field(default_factory=list)
    now_s: float = 0.0
    _film: list[Shot] = field(default_factory=list)

    def number(self, address: int, kind: str, order: str, value: float, table: str = "input") -> None:
        """Set a number; whoever watches sees it."""
        for step, word in enumerate(encoded(value, kind, order)):
            self.words[place(table, address + step)] = word
        self.shoot()

    def shoot(self) -> None:
        self.now_s += 0.1
        self.acts(self, self.now_s)
        self._film.append(Shot(self.now_s, {at: word for at, word in self.words.items() if at not in self.unread}))

    def perform(self, talk: Talk[T]) -> T:
        answer: Any = None
        while True:
            try:
                act = talk.send(answer)
            except StopIteration as done:
                return done.value  # type: ignore[no-any-return]
            answer = _PERFORMED[type(act)](self, act)

    def reply(self, text: str) -> str:
        self.asked.append(text)
        for begins, answers in self.answers.items():
            if text.startswith(begins):
                answer = answers.pop(0) if isinstance(answers, list) else answers
                return answer if isinstance(answer, str) else answer(self)
        raise AssertionError(f"no answer to: {text}")

    def watch(self, act: Watch) -> Watched:
        self._film = []
        self.shoot()
        answer = self.reply(act.text)
        self.shoot()
        self.shoot()
        return Watched(answer, self._film)

    def look(self, _act: Look) -> list[Shot]:
        self._film = []
        for _ in range(6):
            self.shoot()
        return self._film

    def isolate(self, act: Isolate) -> bool:
        self.isolated = self.isolated or self.reply(act.text) == "isolated"
        return self.isolated

    def switch(self, act: Switch) -> str:
        assert self.isolated
        self.switched.append((act.place, act.on))
        if self.refuses:
            return self.refuses
        self.words[act.place] = int(act.on)
        if act.place in self.moves:
            self.words[self.moves[act.place]] = int(not act.on)
        return ""

    def all_off(self, _act: AllOff) -> str:
        for output in {output for output, _ in self.switched}:
            self.words[output] = 0
            if output in self.moves:
                self.words[self.moves[output]] = 1
        return ""

    def silence(self, _act: Silence) -> None:
        if self.drops:
            self.all_off(AllOff())

    def put(self, act: Put) -> str:
        assert self.isolated
        self.words[act.view.place] = self.stuck.get(act.view.place, int(act.raw))
        return self.refuses


_PERFORMED: dict[type, Callable[[Memory, Any], Any]] = {
    Say: lambda memory, act: memory.told.append(act.text),
    Ask: lambda memory, act: memory.reply(act.text),
    Watch: Memory.watch,
    Look: Memory.look,
    Isolate: Memory.isolate,
    Switch: Memory.switch,
    AllOff: Memory.all_off,
    Silence: Memory.silence,
    Put: Memory.put,
    Faults: lambda memory, _act: memory.faults.pop(0) if memory.faults else [],
    Turn: lambda memory, _act: memory.turned.pop(0),
    Rehearse: lambda memory, _act: memory.rehearsed,
    Standing: lambda _memory, _act: "",
    Write: lambda _memory, _act: "rig.toml",
    Prove: lambda _memory, act: Proven(f"factor by {act.can}", taken=True),
}
