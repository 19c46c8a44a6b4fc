"""Wiring check of the relays: with the pump isolated, a person clicks each one and confirms what moved.

One relay at a time, never longer than two seconds, everything off before, between and after.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

from rig.field.field import Field
from rig.field.modbus import FieldError
from rig.run.loop import Unreachable
from rig.run.names import AIR_VALVE, DIRECTED, OUTPUTS
from rig.run.outputs import field_of
from rig.run.settings import Settings
from rig.sentence import Wording, joined

LONGEST_S = 2.0
"""Longest time that a relay is on."""
CLICK_S = 1.0
_WORD = "isolated"
_ORDER = (
    "pump_run",
    "pump_reverse",
    "motor_run",
    "motor_direction",
    "vent_valve",
    "fill_valve",
    "flush_valve",
    "air_valve",
    "beacon",
)

Ask = Callable[[str], Awaitable[str | None]]
"""Puts a question to the person; None if there is no one to answer."""


class NotAnswered(RuntimeError):
    """The check was not begun or not ended: a person's answer is missing."""


@dataclass(frozen=True, slots=True)
class Click:
    """One relay and its behaviour."""

    name: str
    read_on: bool
    read_off: bool
    seen: bool
    """The person saw only the right thing move."""

    @property
    def good(self) -> bool:
        """Whether wire, relay and read-back agree."""
        return self.read_on and self.read_off and self.seen


async def click_relays(settings: Settings, ask: Ask, click_s: float = CLICK_S) -> list[Click]:
    """Click every relay once, as the person agrees; skipped relays are left out.

    Raises :class:`NotAnswered` without a person's answer, :class:`Unreachable` if the field does not answer. Every
    output is off afterwards.
    """
    assert click_s <= LONGEST_S
    assert set(_ORDER) == OUTPUTS | DIRECTED | {AIR_VALVE}
    word = await ask(
        "Isolate the pump (plug pulled or breaker locked), valves shut, nobody at the gun. Each relay will click for "
        f"{click_s:g} s.\nType {_WORD!r} when the pump cannot run:"
    )
    if word != _WORD:
        raise NotAnswered(f"relays are clicked only after a person at the terminal has typed {_WORD!r}")
    async with switching(settings, each_alone=True) as (field, names):
        return await _click_all(settings, field, names, ask, click_s)


@asynccontextmanager
async def switching(settings: Settings, *, each_alone: bool) -> AsyncIterator[tuple[Field, list[str]]]:
    """The field and the names of its outputs while a person tries them; all off afterwards.

    ``each_alone``: outputs as wired, including run and direction; else as the rig uses them.

    Raises :class:`NotAnswered` when it is stopped, :class:`Unreachable` if the field does not answer.
    """
    field = Field(settings.links, settings.points) if each_alone else field_of(settings)
    wired = settings.points if each_alone else settings.outputs
    names = [name for name in _ORDER if name in wired]
    loop, task = asyncio.get_running_loop(), asyncio.current_task()
    assert task is not None
    loop.add_signal_handler(signal.SIGTERM, task.cancel)
    try:
        yield field, names
    except asyncio.CancelledError as error:
        raise NotAnswered("stopped: everything is off") from error
    except FieldError as error:
        raise Unreachable(str(error)) from error
    finally:
        loop.remove_signal_handler(signal.SIGTERM)
        try:
            await field.let_go(names)
        except FieldError as error:
            raise Unreachable(f"{error}; cut the pump's supply: its relays may be on") from error
        finally:
            field.close()


async def _click_all(settings: Settings, field: Field, names: list[str], ask: Ask, click_s: float) -> list[Click]:
    clicks: list[Click] = []
    await all_off(field, names)
    for name in names:
        point = settings.points[name]
        place = f"{point.link} unit {point.unit} {point.table} {point.address}"
        answer = await ask(f"{name} ({place}): Enter = click it, s = skip, q = end")
        if answer is None:
            raise NotAnswered("the terminal is gone: everything is off")
        if answer.startswith("q"):
            break
        if not answer.startswith("s"):
            clicks.append(await _click(field, name, names, ask, click_s))
    return clicks


async def _click(field: Field, name: str, names: list[str], ask: Ask, click_s: float) -> Click:
    await all_off(field, names)
    try:
        await field.write({name: True})
        await asyncio.sleep(click_s / 2)
        await field.scan()
        read_on = _reads(field, name)
        await asyncio.sleep(click_s / 2)
    finally:
        await field.write(dict.fromkeys(names, False))
    await field.scan()
    read_off = not _reads(field, name)
    # A board without read-back is judged by the person's eyes alone.
    read_on |= field.points[name].write_only
    answer = await ask(f"{name}: did the right relay click on and off, and nothing else? [y/n]")
    return Click(name, read_on, read_off, seen=answer in ("y", "yes"))


async def all_off(field: Field, names: list[str]) -> None:
    """Switch all off and read it back: no other output may be on when the next relay is clicked."""
    await field.write(dict.fromkeys(names, False))
    await field.scan()
    if field.errors:
        raise FieldError(joined(field.errors.values()))
    still = [name for name in names if _reads(field, name)]
    if still:
        words = Wording(
            "bus.still_on", "{names} written off but read on: check the wiring of the module before any click"
        )
        raise FieldError(words(names=", ".join(still)))


def _reads(field: Field, name: str) -> bool:
    value = field.values.get(name)
    return value is not None and bool(value.raw)


def relays_text(clicks: list[Click]) -> str:
    """The results, a line for each relay."""
    lines = [
        f"  {click.name:<14} {'good' if click.good else 'NOT GOOD'}"
        f"{'' if click.read_on else ', never read on'}{'' if click.read_off else ', stayed on'}"
        f"{'' if click.seen else ', not seen to move rightly'}"
        for click in clicks
    ]
    return "\n".join(lines) or "  no relay was clicked"
