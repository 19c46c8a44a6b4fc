"""A simulated rig whose map is drawn and told to nobody, and a person who does as asked at it and answers."""

from __future__ import annotations

import asyncio
import random
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from tank_hands import TANK_ACTS

from rig.choice import Choice, typed_text
from rig.control.moves.decide import Decision
from rig.control.words.values import Setup
from rig.run.person import Person, Unattended
from rig.run.settings import Settings, settings_of
from rig.units import parse
from sim.devices import Rig, serve

SPEED = 6.0
PSI = 6.894757293168361
_NAMES = {
    "pump_run": "1", "pump_reverse": "2", "motor_run": "3", "motor_direction": "4", "vent_valve": "5",
    "fill_valve": "6", "flush_valve": "7", "beacon": "8", "heartbeat": "9",
    "air_valve": "a",
}  # fmt: skip
_MORE = {
    "tote_level": "1", "tote_mass": "2", "fluid_temp": "3", "tote_low": "5", "tote_full": "6", "liquid_in_vent": "7",
}  # fmt: skip


def document(links: dict[str, Any], points: dict[str, Any], **tables: dict[str, Any]) -> dict[str, Any]:
    """The hidden rig: what its modules are; hose, pump and meter as the demonstration's unless told."""
    whole: dict[str, dict[str, Any]] = {
        "rig": {"name": "hidden", "simulated": True},
        "links": links,
        "points": points,
        "meter": {"k_factor": "100 pulse/L", "reverse": "signed"},
        "pipe": {"hose_volume": "3.9 L", "suction_volume": "1.5 L", "hose_length": "25 ft", "hose_bore": "1 in"},
        "pump": {"flow": "40 L/min", "relief": "30 psi", "start_lag": "0.3 s", "coast": "0.8 s"},
        "air_out": {"method": "vent" if "vent_valve" in points else "draw-down"},
        "limits": {},
        "tote": {"content": "900 L", "fluid": "water"},
        "sim": {"size": "11L-15", "start_pressure": "5 psi"},
    }
    if "vent_valve" not in points:
        whole["pump"]["dry_run"] = "5 min"
    for name, keys in tables.items():
        whole[name] = {**whole.get(name, {}), **keys}
    return whole


@dataclass
class Hands:
    """A person at the hidden rig. ``said`` answers questions that begin so in another way."""

    rig: Rig
    settings: Settings
    where: str = ""
    """Serial port or host:port, as the person knows it."""
    timeout_at: str = ""
    said: dict[str, Any] = field(default_factory=dict)
    begins: int = 0
    """The count when the person comes."""
    swapped: bool = False
    """The meter's channels are swapped until the person is told so."""
    power: str = "kept"
    """What a power loss does to the count."""
    seen: Callable[[str], object] | None = None
    """Told of every question before it is answered."""
    asked: list[str] = field(default_factory=list)
    typed: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    rng: random.Random = field(default_factory=lambda: random.Random(1))

    def __post_init__(self) -> None:
        if self.swapped:
            self._upset(meter_gain=-1.0)
        self.rig.modules.plant.meter.pulses = self.begins

    # --- the face that a session wants --------------------------------------------------------------------------------

    def say(self, text: str) -> None:
        self.told.append(text)
        if "exchange the two channels" in text:
            self._upset(meter_gain=1.0)

    async def ask(self, text: str, choices: Sequence[Choice] = (), *, typed: bool = True) -> str | None:
        text = typed_text(text, choices)
        self.asked.append(text)
        if self.seen is not None:
            self.seen(text)
        for begins, answer in self.said.items():
            if text.startswith(begins):
                found = answer.pop(0) if isinstance(answer, list) and answer else answer
                if found is None or isinstance(found, str):
                    self.typed.append(found or "")
                    return found
        answer = await self._acted(text)
        self.typed.append(answer)
        return answer

    def person(self, settings: Settings) -> Person:
        return Unattended("test")

    def watch(self, setup: Setup, decision: Decision) -> None:
        """Before each delivery the can is emptied."""
        if setup.fill_id != self._delivery:
            self._delivery = setup.fill_id
            self.empty()

    # --- hands --------------------------------------------------------------------------------------------------------

    def _upset(self, **changes: object) -> None:
        plant = self.rig.modules.plant
        plant.upset(replace(plant.upsets, **changes))  # type: ignore[arg-type]

    async def _moment(self, plant_s: float = 1.0) -> None:
        await asyncio.sleep(plant_s / self.settings.clock.scale)

    async def _rotor(self, litres: float) -> None:
        plant = self.rig.modules.plant
        for _ in range(30):
            plant.meter.update(0.05, litres / 30, plant.upsets)
            self.rig.modules.advance_to(plant.time_s + 1e-6)
            await self._moment(0.15)

    async def _gauge(self, psi: float) -> None:
        modules = self.rig.modules
        before = modules.plant.upsets.pressure_offset_kpa
        base = modules.shown("line_pressure") - before
        self._upset(pressure_offset_kpa=psi * PSI - base)
        await self._moment(2.0)

    async def _acted(self, text: str) -> str:  # one row for each question
        for begins, act in _ACTS.items():
            if text.startswith(begins):
                return str(await act(self, text))
        raise AssertionError(f"nobody knows what to do: {text}")

    async def _turn_rotor(self, text: str) -> str:
        await self._rotor(-1.3 if "other way" in text else 1.1)
        return ""

    async def _past_zero(self, text: str) -> str:
        pulses = float(re.search(r"more than (\d+)", text)[1])  # type: ignore[index]
        await self._rotor(-(pulses + 40) / 100)
        return ""

    async def _press(self, text: str) -> str:
        if "estop_ok" not in self.settings.points:
            return "n"
        self._upset(estop=True)
        await self._moment()
        return ""

    async def _release(self, text: str) -> str:
        self._upset(estop=False)
        await self._moment()
        return ""

    async def _open_air(self, text: str) -> str:
        await self._gauge(0.0)
        return ""

    async def _pressure(self, text: str) -> str:
        psi = self.rng.choice((14.0, 15.0, 17.5)) if text.startswith("Put") else 5.3
        await self._gauge(psi)
        return f"{psi} psi"

    async def _vacuum(self, text: str) -> str:
        await self._gauge(-0.6)
        return ""

    async def _let_off(self, text: str) -> str:
        await self._gauge(16.0)
        await self._gauge(0.0)
        self._upset(pressure_offset_kpa=0.0)
        return ""

    async def _more(self, text: str) -> str:
        return next((key for name, key in _MORE.items() if f"  {key} =" in text and name in self.settings.points), "0")

    async def _wet_vent(self, text: str) -> str:
        self._upset(vent_wet=text.startswith("Wet"))
        await self._moment()
        return ""

    async def _tote(self, text: str) -> str:
        line = self.rig.modules.plant.line
        if not text.startswith("Write"):
            line.tote_l -= 130.0 if text.startswith("Fill") else 47.0
        await self._moment(3.0)
        return f"{line.tote_l:.1f} L"

    async def _coils(self, text: str) -> str:
        unit = int(re.search(r"unit (\d+) has coils", text)[1])  # type: ignore[index]
        mine = [
            p.address for n, p in self.settings.points.items() if n in _NAMES and p.table == "coil" and p.unit == unit
        ]
        return f"{min(mine)}-{max(mine)}" if mine else "n"

    async def _other_relays(self, text: str) -> str:
        mine = [p for n, p in self.settings.points.items() if n in _NAMES and p.table == "holding"]
        if not mine or any(
            word.startswith("bus1") or word.startswith("net1") for word in self.typed if " holding " in word
        ):
            return ""
        link = next(word for word in ("bus1", "net1") if any(word in told for told in self.told))
        return f"{link} unit {mine[0].unit} holding {min(p.address for p in mine)}-{max(p.address for p in mine)}"

    async def _moved(self, text: str) -> str:
        found = re.match(r"\S+ unit (\d+) (\w+) (\d+) was on", text)
        assert found is not None
        for name, point in self.settings.points.items():
            if (point.unit, point.table, point.address) == (int(found[1]), found[2], int(found[3])):
                return _NAMES[name]
        return "n"

    async def _timeout_place(self, text: str) -> str:
        point = self.settings.points["output_timeout"]
        link = re.search(r"example (\S+) unit", text)[1]  # type: ignore[index]
        return f"{link} unit {point.unit} holding {point.address}"

    async def _timeout_step(self, text: str) -> str:
        point = self.settings.points["output_timeout"]
        return f"{point.scale * parse(f'1 {point.quantity}', 'time')} s"

    async def _dropped(self, text: str) -> str:
        return "y" if self.rig.modules.output_timeouts else "n"

    async def _supply(self, text: str) -> str:
        self._upset(bus_silent=True)
        await self._moment(2.0)
        self.rig.modules.restart()
        meter = self.rig.modules.plant.meter
        if self.power == "zero":
            meter.reset()
        elif self.power == "old":
            meter.roll_back(20.0)
        self._upset(bus_silent=False)
        await self._moment(2.0)
        return ""

    async def _pull(self, text: str) -> str:
        before = self.rig.modules.output_timeouts
        self._upset(bus_silent=True)
        for _ in range(40):
            await self._moment(0.25)
            if self.rig.modules.output_timeouts > before:
                return ""
        return "n"

    async def _plug(self, text: str) -> str:
        self._upset(bus_silent=False)
        await self._moment(3.0)
        return ""

    async def _water(self, text: str) -> str:
        self._upset(pump_dead=False)
        self.rig.modules.move_hands(hand_in_vessel=not self._shut, hand_gun_on=True, hand_valve_open=not self._shut)
        return "water"

    _shut = False
    _delivery = ""

    def empty(self) -> None:
        modules = self.rig.modules
        modules.move_hands(hand_in_vessel=False)
        modules.advance_to(modules.plant.time_s + 0.01)
        modules.move_hands(hand_in_vessel=True)

    async def _isolate(self, text: str) -> str:
        self._upset(pump_dead=True)
        return "isolated"

    async def _gun(self, text: str) -> str:
        self._shut = text.startswith("Shut")
        self.rig.modules.move_hands(hand_in_vessel=not self._shut, hand_valve_open=not self._shut)
        await self._moment()
        return ""

    async def _can(self, text: str) -> str:
        modules = self.rig.modules
        modules.advance_to(modules.plant.time_s)
        return f"{modules.plant.vessel_l:.3f} L"


Act = Callable[[Hands, str], Awaitable[str]]


def _says(answer: str) -> Act:
    async def act(_hands: Hands, _text: str) -> str:
        return answer

    return act


async def _ports(hands: Hands, _text: str) -> str:
    return hands.where if ":" not in hands.where else "n"


async def _hosts(hands: Hands, _text: str) -> str:
    return hands.where if ":" in hands.where else ""


async def _timeout_kind(hands: Hands, _text: str) -> str:
    return "r" if "output_timeout" in hands.settings.points else "n"


_ACTS: Mapping[str, Act] = {
    "Serial ports here": _ports,
    "No serial port": _ports,
    "Modbus TCP devices": _hosts,
    "Is a place of the manuals missing": _says(""),
    "What measures": _says("p"),
    "Turn the meter's rotor": Hands._turn_rotor,
    "Now the other way": Hands._turn_rotor,
    "It counts in 16 or 32 bits": Hands._past_zero,
    "Pulses per litre": _says("100 pulse/L"),
    "Press the emergency stop": Hands._press,
    "Release it": Hands._release,
    "Pressure of the air": _says(""),
    "Open the gauge at": Hands._open_air,
    "Put a known": Hands._pressure,
    "Another pressure": Hands._pressure,
    "Draw a slight": Hands._vacuum,
    "Bring pressure": Hands._let_off,
    "Its accuracy": _says("0.5 %"),
    "What else is wired": Hands._more,
    "The most that it can": _says("1200 L"),
    "Wet the sensor": Hands._wet_vent,
    "Dry it": Hands._wet_vent,
    "Write what the tote": Hands._tote,
    "Fill or draw": Hands._tote,
    "Once more another": Hands._tote,
    "Now relays are switched": Hands._isolate,
    "Relays that are written": Hands._other_relays,
    "Does the relay module switch": _timeout_kind,
    "After how long": _says("2 s"),
    "Its register by the manual": Hands._timeout_place,
    "One step of it is": Hands._timeout_step,
    "Did pump_run drop": Hands._dropped,
    "Did motor_run drop": Hands._dropped,
    "Switch the modules' supply": Hands._supply,
    **TANK_ACTS,
    "Name of this rig": _says("Bay 9"),
    "Length of the hose": _says("25 ft"),
    "Its bore": _says(""),
    "Drained into": _says("3.9 L"),
    "Length of the suction": _says("3 m"),
    "Height of the gauge": _says(""),
    "Flow of the pump by": _says("45 L/min"),
    "Setting of the relief": _says("30 psi"),
    "How does the air": _says("v"),
    "How long may the pump": _says("5 min"),
    "What is in the tote": _says("900 L"),
    "pump_run is on. Press": Hands._press,
    "motor_run is on. Press": Hands._press,
    "Did the pump's contactor": _says("y"),
    "pump_run is on. Pull": Hands._pull,
    "motor_run is on. Pull": Hands._pull,
    "Did it drop within": _says("y"),
    "Plug it in again": Hands._plug,
    "pump_run runs the pump": Hands._water,
    "pump_reverse runs": Hands._water,
    "pump_run: which way": _says("o"),
    "pump_reverse: which way": _says("i"),
    "Shut the gun": Hands._gun,
    "Did liquid come out": _says("y"),
    "Open the gun": Hands._gun,
    "A known can": _says("20 L"),
    "Run ": Hands._can,
    "factor": _says("y"),
    "{link}{n} unit {unit} has coils": Hands._coils,
    "{link}{n} unit {unit} {table}": Hands._moved,
    **{f"{link} unit {unit} has coils": Hands._coils for link in ("bus1", "net1") for unit in range(248)},
    **{
        f"{link} unit {unit} {table}": Hands._moved
        for link in ("bus1", "net1")
        for unit in range(248)
        for table in ("coil", "holding")
    },
}
"""What the person does at each question, by its begin."""


@asynccontextmanager
async def hidden(told: dict[str, Any], speed: float = SPEED) -> AsyncIterator[tuple[Rig, Settings]]:
    """The hidden rig, running."""
    settings = settings_of(told | {"clock": {"scale": speed}}, "hidden")
    rig = await serve(settings, port=0, open_vessel=True, free=True)
    try:
        yield rig, settings
    finally:
        await rig.close()
