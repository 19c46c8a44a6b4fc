"""The error of this package, in its own module so that the others can share it."""

from __future__ import annotations


class FluidError(ValueError):
    """A fluid that cannot be read or mixed, or has no data; the message says what to do."""
