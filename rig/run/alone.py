"""The lock of a rig: its folder of records, and everything that hangs on its wires."""

from __future__ import annotations

from pathlib import Path

from rig.field.points import TcpLink
from rig.ledger.lock import RigLock, serial_ends, tcp_ends
from rig.run.settings import Settings


def controlling(settings: Settings) -> RigLock:
    """Held while this rig is worked; LockedError tells who else does, from whatever folder and as whatever user."""
    ends = [
        tcp_ends(link.host, link.port) if isinstance(link, TcpLink) else serial_ends(link.port)
        for link in settings.links.values()
    ]
    return RigLock(Path(settings.rig.data), set().union(*ends), settings.origin)
