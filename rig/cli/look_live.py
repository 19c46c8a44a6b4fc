"""`rig look --live`: the look with air on a wired rig, step by step at a terminal."""

from __future__ import annotations

import argparse
import asyncio
import queue
import signal
import sys

from rig.cli.terminal import Typed, standard_input
from rig.control.moves.air_look import AirLook, AirSetup, Phase, prompt_of
from rig.run.air_look import Heard, air_setup, growth_by, look_with_air, room_by
from rig.run.refused import Refused
from rig.run.settings import Settings, load_settings
from rig.shop.questions import widths_of
from rig.units import QuantityError, show_pressure
from rig.wheel import Cavity, cavity_of, read_size
from rig.wheel.room import Growth, Room

_WORDS: dict[Phase, str] = {
    "settle": "Both pressures come to rest.",
    "open": "Air valve open.",
    "equalise": "Air goes over into the tyre.",
    "creep": "Valve shut; the air takes the temperature of its surroundings.",
    "joined": "Air valve open once more, for one pressure in both.",
}
_EVERY_S = 5.0
_WIDTH = (
    'Section width at one place with the valve still shut, before and after, for example "430 mm -> 434 mm"; '
    "Enter = not measured:"
)
_GIRTH = 'Girth around the tread, by a tape that stayed on, for example "4100 mm -> 4108 mm"; Enter = not measured:'


class _Terminal:
    """Shows each step once, the pressures now and then, and takes typed lines."""

    def __init__(self, typed: Typed | None) -> None:
        self.typed = typed
        self.stopped = False
        self._phase: Phase | None = None
        self._asked = ""
        self._said_s = 0.0

    def __call__(self, setup: AirSetup, look: AirLook) -> Heard:
        self._show(look)
        prompt = prompt_of(setup, look)
        if prompt is None:
            self._asked = ""
            return Heard(self.stopped)
        if prompt.name != self._asked:
            self._asked = prompt.name
            _say(f"{prompt.text} [Enter = done, s = stop]")
        if self.typed is None:
            return Heard(self.stopped, prompt.name)
        return self._heard(self.typed, prompt.name)

    def _heard(self, typed: Typed, prompt: str) -> Heard:
        try:
            line = typed.take()
        except queue.Empty:
            return Heard(self.stopped)
        self.stopped |= line is None or line.lower().startswith("s")
        return Heard(self.stopped, prompt)

    def _show(self, look: AirLook) -> None:
        new, self._phase = look.phase != self._phase, look.phase
        if new and look.phase in _WORDS:
            _say(_WORDS[look.phase])
        if look.last is not None and (new or look.last[0] - self._said_s > _EVERY_S):
            self._said_s, tank, tyre = look.last
            _say(f"  tank {show_pressure(tank)}, tyre {show_pressure(tyre)}")


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def live_room(options: argparse.Namespace) -> Room:
    """The room by a look on the configured rig; Refused where it ends without a result."""
    settings = load_settings(options.config)
    if options.unattended and not settings.rig.simulated:
        raise Refused("--unattended: a person connects the tank and stands by; answer the prompts")
    terminal = _Terminal(None if options.unattended else standard_input())
    wheel = cavity_of(read_size(options.size)) if options.size else None
    return asyncio.run(_looked(settings, terminal, wheel))


async def _looked(settings: Settings, terminal: _Terminal, wheel: Cavity | None) -> Room:
    room_l = None if wheel is None else wheel.volume_l
    loop, setup = asyncio.get_running_loop(), air_setup(settings, room_l)

    def stop() -> None:
        terminal.stopped = True

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    try:
        look = await look_with_air(settings, terminal, room_l)
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)
    room_by(settings, setup, look)
    return room_by(settings, setup, look, await _growth(terminal.typed, look, wheel))


async def _growth(typed: Typed | None, look: AirLook, wheel: Cavity | None) -> Growth:
    if typed is None or look.before is None or look.after is None:
        return Growth()
    widths_m = await _length(typed, _WIDTH)
    if widths_m is None:
        return Growth()
    return growth_by(look, widths_m, wheel, None if wheel is None else await _length(typed, _GIRTH))


async def _length(typed: Typed, question: str) -> tuple[float, float] | None:
    """A length before and after, asked until it can be read; None: not measured."""
    while True:
        _say(question)
        line = await typed.next()
        if not line:
            return None
        try:
            return widths_of(line)
        except QuantityError as error:
            _say(f"  {error}")
