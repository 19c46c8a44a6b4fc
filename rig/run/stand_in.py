"""The person of a simulated rig: hands that act before a reply counts, and eyes that read a vessel.

Who simulates a rig brings them, as a module with these functions under the entry point group
``ballast_rig.stand_in``. A real rig has no such person.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import entry_points
from typing import Protocol, cast

from rig.run.names import HANDS
from rig.run.settings import Settings, SettingsError

_GROUP = "ballast_rig.stand_in"


class StandIn(Protocol):
    """Hands and eyes, by the points that only a simulated rig has."""

    def moves(self, kind: str, name: str) -> Mapping[str, bool]:
        """Points to be written before a request of this kind and name is heard."""
        ...

    async def empties(self, settings: Settings) -> None:
        """Empty the vessel between two runs of a proving; FieldError."""
        ...

    def reads(self, settings: Settings) -> bool:
        """Whether the rig's map lets it read the vessel."""
        ...

    async def vessel_l(self, settings: Settings) -> float:
        """Litres in the vessel; FieldError."""
        ...


def stand_in_of(settings: Settings) -> StandIn | None:
    """The simulated person of a simulated rig; None for a real one, or one whose map has no points for it.

    Raises SettingsError where the map has them and no simulator is installed: nobody would put the gun on.
    """
    if not settings.rig.simulated or HANDS.isdisjoint(settings.points):
        return None
    found = next(iter(entry_points(group=_GROUP)), None)
    if found is None:
        raise SettingsError(
            "the simulated person of this rig is not installed: install the program again, and delete what an earlier "
            "installation from a checkout may have left there (*.egg-info)"
        )
    return cast(StandIn, found.load())
