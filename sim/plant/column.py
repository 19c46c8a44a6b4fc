"""Plug flow of liquid and gas in a pipe. It keeps amounts and has no pressure of its own.

Each plug has litres of liquid and an amount of gas (kPa·L); its volume depends on the given pressure. A plug with both
is froth. The first plug is on the tote's side, the last on the tyre's.
"""

from __future__ import annotations

_WHOLE_L = 1e-9
"""A smaller remainder is a rounding error, not a plug, and is taken with the rest."""


class Column:
    """The content of one pipe."""

    __slots__ = ("_plugs",)

    def __init__(self, liquid_l: float = 0.0, gas: float = 0.0) -> None:
        self._plugs: list[tuple[float, float]] = []
        self.push_tail(liquid_l, gas)

    @property
    def content(self) -> tuple[float, float]:
        """Total content of the pipe: litres, kPa·L."""
        if len(self._plugs) == 1:
            return self._plugs[0]
        return sum([plug[0] for plug in self._plugs]), sum([plug[1] for plug in self._plugs])

    @property
    def liquid_l(self) -> float:
        """All liquid in the pipe."""
        return self.content[0]

    @property
    def gas(self) -> float:
        """All gas in the pipe, kPa·L."""
        return self.content[1]

    def volume_l(self, kpa_abs: float) -> float:
        """Volume of the content at a pressure."""
        liquid, gas = self.content
        return liquid + gas / kpa_abs

    @property
    def head(self) -> tuple[float, float]:
        """The plug nearest the tote: litres, kPa·L; zeros if the pipe is empty."""
        return self._plugs[0] if self._plugs else (0.0, 0.0)

    @property
    def tail(self) -> tuple[float, float]:
        """The plug nearest the tyre: litres, kPa·L; zeros if the pipe is empty."""
        return self._plugs[-1] if self._plugs else (0.0, 0.0)

    def push_head(self, liquid_l: float, gas: float) -> None:
        """Add a plug on the tote's side."""
        self._push(liquid_l, gas, 0)

    def push_tail(self, liquid_l: float, gas: float) -> None:
        """Add a plug on the tyre's side."""
        self._push(liquid_l, gas, -1)

    def take_head(self, volume_l: float, kpa_abs: float) -> tuple[float, float]:
        """Remove a volume, at the given pressure, on the tote's side; less if there is less."""
        return self._take(volume_l, kpa_abs, 0)

    def take_tail(self, volume_l: float, kpa_abs: float) -> tuple[float, float]:
        """Remove a volume, at the given pressure, on the tyre's side; less if there is less."""
        return self._take(volume_l, kpa_abs, -1)

    def take_last_gas(self) -> float:
        """Remove the last plug on the tyre's side if it is gas alone; returns kPa·L."""
        if self._plugs and self._plugs[-1][0] <= 0.0:
            return self._plugs.pop()[1]
        return 0.0

    def _push(self, liquid_l: float, gas: float, end: int) -> None:
        if liquid_l <= 0.0 and gas <= 0.0:
            return
        if self._plugs:
            near_liquid, near_gas = self._plugs[end]
            if (near_liquid > 0.0) == (liquid_l > 0.0) and (near_gas > 0.0) == (gas > 0.0):
                self._plugs[end] = (near_liquid + liquid_l, near_gas + gas)
                return
        self._plugs.insert(0 if end == 0 else len(self._plugs), (liquid_l, gas))

    def _take(self, volume_l: float, kpa_abs: float, end: int) -> tuple[float, float]:
        liquid = gas = 0.0
        while volume_l > 0.0 and self._plugs:
            plug_liquid, plug_gas = self._plugs[end]
            size = plug_liquid + plug_gas / kpa_abs
            if size <= volume_l + _WHOLE_L:
                self._plugs.pop(end)
                liquid += plug_liquid
                gas += plug_gas
                volume_l -= size
                continue
            share = volume_l / size
            some_liquid, some_gas = plug_liquid * share, plug_gas * share
            self._plugs[end] = (plug_liquid - some_liquid, plug_gas - some_gas)
            return liquid + some_liquid, gas + some_gas
        return liquid, gas
