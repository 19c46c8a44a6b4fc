"""The known state of each output: its command, and whether it is known to be off. Pure: times are arguments.

An off is known if the device acknowledged it or reads back off, or if its proven own time-out has elapsed without a
request. A later reading of on revokes that.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

_STANDS_S = 1.0
"""Hold-off: a module may show an earlier state this long after a command before another source is suspected."""
_TWICE = 2
"""An output may drop out once by itself, because its module restarted."""


@dataclass(slots=True)
class _Output:
    asked: bool = False
    asked_s: float = 0.0
    """When that was first commanded."""
    may_be_on: bool = False
    agreed_s: float | None = None
    """Since when it has read back as commanded."""
    fault: str = ""
    """Fault of the first off not done since it was known to be off."""
    unrenewed: bool = False
    """It is commanded on, and its last write was not done."""
    undone: int = 0
    """How often it read as commanded and then did not, without a new command."""
    elsewhere: bool = False
    """Switched from elsewhere: it reads on after reading off as commanded, or dropped out twice while commanded on."""


@dataclass(slots=True)
class Kept:
    """All outputs of a rig, by name."""

    _outputs: dict[str, _Output] = field(default_factory=lambda: defaultdict(_Output))

    def _of(self, name: str) -> _Output:
        return self._outputs[name]

    def asks(self, name: str, now_s: float, *, on: bool) -> None:
        """Note that a write is about to be sent."""
        output = self._of(name)
        if output.asked is not on:
            output.asked, output.asked_s, output.agreed_s, output.undone = on, now_s, None, 0
        output.may_be_on |= on

    def done(self, name: str) -> None:
        """Note that the device acknowledged the last write."""
        output = self._of(name)
        output.unrenewed = False
        if not output.asked:
            self._is_off(name)

    def failed(self, name: str, why: str) -> None:
        """Note that the last write was refused, or not answered."""
        output = self._of(name)
        output.unrenewed = output.asked
        if not output.asked and output.may_be_on:
            output.fault = output.fault or why

    def reads(self, name: str, at_s: float, *, on: bool) -> None:
        """Take in a read-back made after the last write had ended."""
        output = self._of(name)
        if on is output.asked:
            output.agreed_s = at_s if output.agreed_s is None else output.agreed_s
            output.elsewhere = False
        elif output.agreed_s is not None and at_s - output.asked_s > _STANDS_S:
            output.undone += 1
            output.elsewhere = on or output.undone >= _TWICE
            output.agreed_s = None
        if on:
            output.may_be_on = True
        elif not output.asked:
            self._is_off(name)

    def shows(self, name: str, at_s: float, *, is_in: bool, takes_s: float = 0.0) -> None:
        """Take in the feedback of the driven device: a contactor that stays in is no off, whatever its relay reads.

        A valve is allowed its travel time ``takes_s``.
        """
        output = self._of(name)
        asked_for_s = at_s - output.asked_s
        if is_in and not output.asked:
            if asked_for_s > takes_s or not takes_s:
                output.may_be_on = True
                what = "its valve stays open" if takes_s else "its contactor stays in"
                output.fault = output.fault or f"{what} though its relay is off"
        elif output.asked and not is_in and asked_for_s > _STANDS_S + takes_s:
            output.unrenewed = True

    def timed_out(self, name: str) -> None:
        """Note that the module's own proven time-out has switched it off."""
        if not self._of(name).asked:
            self._is_off(name)

    def asked(self, name: str) -> bool:
        """Whether it was last commanded on."""
        return self._of(name).asked

    def may_be_on(self, name: str) -> bool:
        """Whether it is not known to be off."""
        return self._of(name).may_be_on

    def _is_off(self, name: str) -> None:
        output = self._of(name)
        output.may_be_on, output.fault = False, ""

    @property
    def unconfirmed(self) -> dict[str, str]:
        """Outputs commanded off that may be on, each with the first fault of switching it off."""
        return {name: output.fault for name, output in self._outputs.items() if output.may_be_on and not output.asked}

    @property
    def unrenewed(self) -> frozenset[str]:
        """Outputs commanded on without acknowledgement of the last write: the module may not take an off either."""
        return frozenset(name for name, output in self._outputs.items() if output.asked and output.unrenewed)

    @property
    def elsewhere(self) -> frozenset[str]:
        """Outputs that are switched from elsewhere."""
        return frozenset(name for name, output in self._outputs.items() if output.elsewhere)
