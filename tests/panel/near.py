"""The controller in the page's own process, for tests: messages are heard as they are behind the socket."""

from __future__ import annotations

from rig.run.facade import Facade, Snapshot
from rig.run.messages import PATIENCE_S, Message, heard
from rig.run.settings import Settings


class Near:
    """A Controller beside its facade."""

    def __init__(self, facade: Facade) -> None:
        self._facade = facade

    @property
    def settings(self) -> Settings:
        return self._facade.settings

    def snapshot(self) -> Snapshot:
        return self._facade.snapshot()

    def take_gap_s(self) -> float:
        return self._facade.take_gap_s()

    async def send(self, message: Message, *, within_s: float = PATIENCE_S) -> bool:
        return heard(self._facade, message)
