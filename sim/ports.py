"""The simulated devices' end of a serial port: a pseudo-terminal with the configured name, or a real port.

A configured name that does not exist becomes a link to the pseudo-terminal, so that both sides use the same
configuration. It knows bytes, no devices.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
import tty
from pathlib import Path
from typing import TYPE_CHECKING

import serial

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.field.links import SerialLine


class PortError(OSError):
    """A port that cannot be served."""


class Port:
    """One end of a port; ``heard`` is called with received bytes."""

    def __init__(self, link: SerialLine, heard: Callable[[bytes], None]) -> None:
        self._link, self._heard = link, heard
        self._fd, self._held = -1, -1
        self._real: serial.Serial | None = None
        self._linked: Path | None = None
        self.path = link.port
        """Path of the other end, for the controller."""

    def open(self) -> None:
        """Open and start receiving; :class:`PortError` for a port that is not available."""
        path = Path(self._link.port)
        if path.is_char_device():
            self._open_real()
        else:
            self._open_pseudo(path)
        os.set_blocking(self._fd, False)
        asyncio.get_running_loop().add_reader(self._fd, self._ready)

    def _open_real(self) -> None:
        link = self._link
        try:
            self._real = serial.Serial(link.port, link.baud, parity=link.parity, stopbits=link.stop_bits, timeout=0)
        except OSError as error:
            raise PortError(f"{link.port} cannot be served: {error}") from error
        self._fd = self._real.fileno()

    def _open_pseudo(self, path: Path) -> None:
        # The controller's end is held open here too, so that the controller can disconnect and reconnect.
        self._fd, self._held = os.openpty()
        tty.setraw(self._held)
        self.path = os.ttyname(self._held)
        with contextlib.suppress(OSError):
            if path.is_symlink():
                path.unlink()
            path.symlink_to(self.path)
            self._linked, self.path = path, str(path)

    def _ready(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except BlockingIOError:
            return
        except OSError:
            self.close()
            return
        if self._real is not None or self._tuned():
            self._heard(data)

    def _tuned(self) -> bool:
        """Whether the other end is set as the link is: at another speed or parity its bytes are noise.

        A pseudo-terminal keeps speed, odd parity and stop bits of the last program that set it; even parity it drops.
        """
        link, flags = self._link, termios.tcgetattr(self._held)
        present = flags[4], bool(flags[2] & termios.PARODD), bool(flags[2] & termios.CSTOPB)
        speed = getattr(termios, f"B{link.baud}", None)
        return speed is None or present == (speed, link.parity == "O", link.stop_bits == 2)

    def send(self, data: bytes) -> None:
        """Send as much as the buffer takes now; a missing listener is no error."""
        if self._fd >= 0:
            with contextlib.suppress(BlockingIOError):
                os.write(self._fd, data)

    def close(self) -> None:
        """Close both ends, like a pulled plug."""
        if self._fd < 0:
            return
        asyncio.get_running_loop().remove_reader(self._fd)
        if self._real is not None:
            self._real.close()
        else:
            os.close(self._fd)
            os.close(self._held)
        if self._linked is not None:
            self._linked.unlink(missing_ok=True)
        self._fd, self._held, self._real, self._linked = -1, -1, None, None
