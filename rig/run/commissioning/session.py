"""One session of commissioning: it performs the dialogue's acts, saves each step, and leaves everything off."""

from __future__ import annotations

import asyncio
import hashlib
import signal
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import serial.tools.list_ports
from pydantic import ValidationError

from rig.choice import Choice
from rig.commission.acts import (
    ISOLATED,
    WATER,
    AllOff,
    Ask,
    Faults,
    Isolate,
    Keep,
    Look,
    Peek,
    Ports,
    Prove,
    Put,
    Rehearse,
    Say,
    Seal,
    Silence,
    Standing,
    Switch,
    Talk,
    Turn,
    Watch,
    Watched,
    Write,
)  # fmt: skip
from rig.commission.dialogue import Ended
from rig.commission.found import Finding, Progress
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.record.commissioning import Commissioned, SheetRow, SheetTest
from rig.run.clock_memory import utc_now
from rig.run.commissioning.bench import Bench
from rig.run.commissioning.pump import prove, rehearse, turn
from rig.run.loop import Unreachable
from rig.run.person import Person
from rig.run.relays import NotAnswered
from rig.run.replacing import replace_file
from rig.run.settings import Settings, SettingsError, load_settings, placed, settings_of
from rig.shop.posting import book_to_write

_BY_ID = Path("/dev/serial/by-id")


class Face(Protocol):
    """The person at a terminal or a page."""

    def say(self, text: str) -> None:
        """Show a text."""
        ...

    async def ask(self, text: str, choices: Sequence[Choice] = (), *, typed: bool = True) -> str | None:
        """Put a question; ``typed``: answers beside the offered ones are taken. None if nobody is there any more."""
        ...

    def person(self, settings: Settings) -> Person:
        """The same person during a delivery into the can."""
        ...

    def watch(self, setup: Setup, decision: Decision) -> None:
        """Show a scan of such a delivery."""
        ...


def progress_file(config: Path) -> Path:
    """Where the progress of a rig's commissioning is kept."""
    return config.with_name(f"{config.stem}.commissioning.json")


def read_progress(config: Path) -> Progress:
    """The progress so far, a fresh one if there is none; SettingsError for a file that cannot be read."""
    path = progress_file(config)
    if not path.exists():
        return Progress()
    try:
        return Progress.model_validate_json(path.read_text(encoding="utf-8"))
    except (OSError, ValidationError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"{path}: is no progress of a commissioning ({type(error).__name__}); move it away to begin anew"
        ) from error


@dataclass(slots=True)
class Session:
    """The acts of one session."""

    face: Face
    config: Path
    by: str
    progress: Progress
    bench: Bench = field(default_factory=Bench)

    async def run(self, talk: Talk[Ended]) -> Ended:
        """Perform a dialogue to its end; every output that was written is written off on every way out.

        Raises NotAnswered when the person is gone or it is stopped, Unreachable where an output may be left on.
        """
        task = asyncio.current_task()
        assert task is not None
        look = self.progress.done.get("look")
        self.bench.know({} if look is None else look.wires)
        try:
            return await self._perform_all(talk, task)
        except asyncio.CancelledError as error:
            raise NotAnswered("stopped: what was finished is kept; the same command goes on there") from error
        finally:
            talk.close()
            # Nothing interrupts the way off.
            _on_signals(lambda: None)
            fault = await self.bench.all_off()
            self.bench.close()
            _on_signals(None)
            if fault:
                raise Unreachable(f"{fault}; cut the pump's supply: its relays may be on")

    async def _perform_all(self, talk: Talk[Ended], task: asyncio.Task[Any]) -> Ended:
        answer: object = None
        while True:
            # What runs the pump has signal handlers of its own, and removes them.
            _on_signals(task.cancel)
            try:
                act = talk.send(answer)
            except StopIteration as done:
                ended: Ended = done.value
                return ended
            answer = await _PERFORMERS[type(act)](self, act)

    async def ask(self, text: str, choices: Sequence[Choice] = (), *, typed: bool = True) -> str:
        """Put a question; NotAnswered if nobody is there."""
        answer = await self.face.ask(text, choices, typed=typed)
        if answer is None:
            raise NotAnswered("nobody answers any more: what was finished is kept; the same command goes on there")
        return answer.strip()

    # --- acts ---------------------------------------------------------------------------------------------------------

    async def _say(self, act: Say) -> None:
        self.face.say(act.text)

    async def _ask(self, act: Ask) -> str:
        return await self.ask(act.text, act.choices, typed=act.typed)

    async def _watch(self, act: Watch) -> Watched:
        answer = asyncio.ensure_future(self.ask(act.text, act.choices, typed=act.typed))
        try:
            film = await self.bench.watch(answer, act.places)
        finally:
            answer.cancel()
        return Watched(await answer, film)

    async def _look(self, act: Look) -> Any:  # noqa: ANN401  # each act has a result of its own
        return await self.bench.look(act.seconds, act.places)

    async def _ports(self, _act: Ports) -> list[tuple[str, str]]:
        return serial_ports()

    async def _peek(self, act: Peek) -> Any:  # noqa: ANN401
        return await self.bench.peek(act.link, act.block)

    async def _isolate(self, act: Isolate) -> bool:
        if not self.bench.isolated:
            word = await self.ask(f"{act.text}\nType {ISOLATED!r} when the pump cannot run:")
            self.bench.isolated = word.lower() == ISOLATED
        return self.bench.isolated

    async def _switch(self, act: Switch) -> str:
        return await self.bench.switch(act.place, on=act.on)

    async def _all_off(self, _act: AllOff) -> str:
        return await self.bench.all_off()

    async def _put(self, act: Put) -> str:
        return await self.bench.put(act.view, act.raw)

    async def _silence(self, act: Silence) -> None:
        await self.bench.silence(act.seconds)

    async def _faults(self, act: Faults) -> list[str]:
        try:
            self._settings(act.document)
        except SettingsError as error:
            return str(error).splitlines()
        return []

    async def _turn(self, act: Turn) -> Any:  # noqa: ANN401
        word = await self.ask(
            f"{act.output} runs the pump for two seconds. WATER only; a person at the emergency stop; nobody near gun "
            f"and hose but who holds it.\nType {WATER!r} when it is so:"
        )
        if word.lower() != WATER:
            raise NotAnswered("the pump is run only after a person has typed 'water': nothing was switched")
        settings = await self._released(act.document)
        return await turn(settings, act.output)

    async def _rehearse(self, act: Rehearse) -> Any:  # noqa: ANN401
        assert self.bench.isolated, "a rehearsal is for an isolated pump"
        return await rehearse(await self._released(act.document), act.litres)

    async def _standing(self, _act: Standing) -> str:
        if not self.config.exists():
            return ""
        first = self.config.read_text(encoding="utf-8", errors="replace").splitlines()[:1]
        return f"{self.config} exists: {''.join(first)}"

    async def _write(self, act: Write) -> str:
        self.config.parent.mkdir(parents=True, exist_ok=True)
        replace_file(self.config, act.text, keep=True)
        load_settings(self.config)
        return str(self.config)

    async def _prove(self, act: Prove) -> Any:  # noqa: ANN401
        await self._let_go()
        settings = load_settings(self.config)
        return await prove(
            settings, act.can, self.by, self.config, self.ask, lambda: self.face.person(settings), self.face.watch
        )

    async def _keep(self, act: Keep) -> Finding:
        kept = act.finding.model_copy(update={"at": str(utc_now()), "by": self.by})
        self.progress = self.progress.with_done(act.step, kept)
        save(self.config, self.progress)
        if act.step == "look":
            self.bench.know(kept.wires)
        return kept

    async def _seal(self, act: Seal) -> int:
        settings = load_settings(self.config)
        said = Commissioned(
            device=settings.rig.name,
            simulated=settings.rig.simulated,
            config_hash=hashlib.sha256(self.config.read_bytes()).hexdigest(),
            values=tuple(SheetRow(row.what, row.value, row.how) for row in act.sheet.rows),
            tests=tuple(SheetTest(test.what, test.expected, test.seen, test.good) for test in act.sheet.tests),
            by=self.by,
        )
        with book_to_write(Path(settings.rig.data), settings.rig.name, simulated=settings.rig.simulated) as book:
            return book.note("commissioning", utc_now(), said).serial

    # --- by a whole configuration -------------------------------------------------------------------------------------

    def _settings(self, document: Mapping[str, object]) -> Settings:
        return settings_of(placed(dict(document), self.config.parent), str(self.config))

    async def _released(self, document: Mapping[str, object]) -> Settings:
        await self._let_go()
        return self._settings(document)

    async def _let_go(self) -> None:
        """Everything off and every wire free, for what opens them itself."""
        if fault := await self.bench.all_off():
            raise Unreachable(f"{fault}; cut the pump's supply: its relays may be on")
        self.bench.close()


_PERFORMERS: dict[type, Callable[[Session, Any], Any]] = {
    Say: Session._say, Ask: Session._ask, Watch: Session._watch, Look: Session._look, Ports: Session._ports,
    Peek: Session._peek, Isolate: Session._isolate, Switch: Session._switch, AllOff: Session._all_off,
    Put: Session._put, Silence: Session._silence, Faults: Session._faults, Turn: Session._turn,
    Rehearse: Session._rehearse, Standing: Session._standing, Write: Session._write, Prove: Session._prove,
    Keep: Session._keep, Seal: Session._seal,
}  # fmt: skip
"""Who performs each act."""


def save(config: Path, progress: Progress) -> None:
    """Save the progress atomically."""
    path = progress_file(config)
    path.parent.mkdir(parents=True, exist_ok=True)
    replace_file(path, progress.model_dump_json(indent=1))


def serial_ports() -> list[tuple[str, str]]:
    """The serial ports of this computer by a name that survives a replug, each with its description."""
    names = {path.resolve(): path for path in sorted(_BY_ID.glob("*"))} if _BY_ID.is_dir() else {}
    found = sorted(serial.tools.list_ports.comports(), key=lambda port: str(port.device))
    return [(str(names.get(Path(port.device).resolve(), port.device)), str(port.description)) for port in found]


def _on_signals(handle: Callable[[], object] | None) -> None:
    """Do this at a stop signal; None: what the system does."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        if handle is None:
            loop.remove_signal_handler(number)
        else:
            loop.add_signal_handler(number, handle)
