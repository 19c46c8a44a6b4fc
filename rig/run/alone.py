"""The lock of a rig: its folder of records, and everything on its wires."""

from __future__ import annotations

from pathlib import Path

from rig.field.points import TcpLink
from rig.ledger.lock import RigLock, serial_ends, tcp_ends
from rig.run.settings import Settings


def controlling(settings: Settings) -> RigLock:
    """Lock held while this rig is controlled; LockedError names the holder, from any folder and user."""
    return RigLock(Path(settings.rig.data), _ends(settings), settings.origin)


def looking(settings: Settings) -> RigLock:
    """Lock held while its wires are only read, as two requesters on one bus garble each other; writes nothing."""
    return RigLock(None, _ends(settings), settings.origin)


def _ends(settings: Settings) -> set[str]:
    ends = [
        tcp_ends(link.host, link.port) if isinstance(link, TcpLink) else serial_ends(link.port)
        for link in settings.links.values()
    ]
    return set().union(*ends)
