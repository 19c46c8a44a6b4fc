"""What a person does and answers at a hidden rig where a tank of air is asked about."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hidden import Hands

_PSI = 6.894757293168361


def _says(answer: str) -> Callable[[Hands, str], Awaitable[str]]:
    async def act(_hands: Hands, _text: str) -> str:
        return answer

    return act


async def _moment(hands: Hands, plant_s: float) -> None:
    await asyncio.sleep(plant_s / hands.settings.clock.scale)


async def _kind(hands: Hands, _text: str) -> str:
    if "tank_pressure" not in hands.settings.points:
        return "n"
    return "h" if "air_valve" not in hands.settings.points else "r"


async def _stands(hands: Hands, text: str) -> str:
    """The tank at a pressure by a hand gauge: emptied, filled, let down."""
    let_down = 0.0 if "Open its drain" in text else hands.rng.choice((31.4, 33.7))
    psi = 97.3 if text.startswith("Shut the drain") else let_down
    tank = hands.rig.modules.plant.air
    assert tank is not None
    tank.set_pressure(psi * _PSI)
    await _moment(hands, 1.0)
    return f"{psi} psi" if psi else ""


async def _ball_valve(hands: Hands, _text: str) -> str:
    hands.rig.modules.move_hands(hand_air_open=True)
    await _moment(hands, 2.0)
    hands.rig.modules.move_hands(hand_air_open=False)
    await _moment(hands, 1.0)
    return ""


async def _top(_hands: Hands, text: str) -> str:
    return "160 psi" if "150 psi" in text else "60 psi"


TANK_ACTS: Mapping[str, Callable[[Hands, str], Awaitable[str]]] = {
    "Is there an air tank": _kind,
    "A tank is stored energy": _says("y"),
    "Pressure that stands on": _says("145 psi"),
    "The tank's volume": _says("60 L"),
    "It may be off": _says(""),
    "The air tank:": _stands,
    "Shut the drain": _stands,
    "Let it down": _stands,
    "Compressor off": _says(""),
    "Open the ball valve": _ball_valve,
    "Upper end": _top,
}
"""By the begin of each question."""
