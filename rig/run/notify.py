"""Report this service's state to the service manager: the datagrams of sd_notify(3). It must not know fills."""

from __future__ import annotations

import contextlib
import os
import socket

READY, STOPPING, SCANNED = "READY=1", "STOPPING=1", "WATCHDOG=1"


def notify(*lines: str) -> None:
    """Send the lines to the manager that ``NOTIFY_SOCKET`` names; where there is none, nothing happens.

    Never waits and never raises: a manager that does not listen must not hold up a scan.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = f"\0{address[1:]}"
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.sendto("\n".join(lines).encode(), socket.MSG_DONTWAIT, address)


def scanned() -> None:
    """Feed the manager's watchdog: called when a scan has ended, and from nowhere else."""
    notify(SCANNED)
