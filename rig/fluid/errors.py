"""The one error of this room, apart so that its modules can share it."""

from __future__ import annotations


class FluidError(ValueError):
    """A fluid that cannot be read, mixed or answered for; the message says what to do."""
