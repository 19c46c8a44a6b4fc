"""A new PIN as a person types it. It must not know whose it is."""

from __future__ import annotations

import getpass
import sys

from rig.panel.people import PeopleError


def new_pin() -> str:
    """A PIN, asked for twice at a terminal, else a line of standard input; PeopleError if the two differ."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().strip()
    pin = getpass.getpass("PIN: ")
    if getpass.getpass("once more: ") != pin:
        raise PeopleError("the two are not alike")
    return pin
