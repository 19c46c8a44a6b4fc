"""The lock of a rig: its folder of records, and everything on its wires."""

from __future__ import annotations

from pathlib import Path

from rig.field.links import Link
from rig.field.points import TcpLink
from rig.ledger.lock import RigLock, serial_ends, tcp_ends
from rig.run.settings import Settings


def controlling(settings: Settings) -> RigLock:
    """Lock held while this rig is controlled; LockedError names the holder, from any folder and user."""
    return RigLock(Path(settings.rig.data), _ends(settings), settings.origin)


def looking(settings: Settings) -> RigLock:
    """Lock held while its wires are only read, as two requesters on one bus garble each other; writes nothing."""
    return RigLock(None, _ends(settings), settings.origin)


def on_wire(link: Link) -> RigLock:
    """Lock held while one link is used by itself; writes nothing."""
    return RigLock(None, _ends_of(link))


def _ends(settings: Settings) -> set[str]:
    return set().union(*map(_ends_of, settings.links.values()))


def _ends_of(link: Link) -> set[str]:
    return tcp_ends(link.host, link.port) if isinstance(link, TcpLink) else serial_ends(link.port)
