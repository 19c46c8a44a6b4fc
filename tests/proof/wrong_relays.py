"""Defects of the relays, planted by patches: part of the table in ``defects``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from rig.control.belief import observe
from rig.control.moves import decide, outputs
from rig.control.words.values import Outputs

Patch = pytest.MonkeyPatch


def both_relays(patch: Patch) -> None:
    def both(setup: object, state: object, facts: object) -> Outputs:
        found = original(setup, state, facts)
        if found.pump_run:
            # Past the check of its own that refuses both.
            found = replace(found)
            object.__setattr__(found, "pump_reverse", True)
        return found

    original: Callable[..., Outputs] = outputs._wanted
    patch.setattr(outputs, "_wanted", both)


def one_scan_late(patch: Patch) -> None:
    def late(setup: object, state: object, facts: observe.Facts) -> Outputs:
        now: Outputs = outputs.outputs_for(setup, state, facts)  # type: ignore[arg-type]
        return facts.outputs if facts.outputs.moving and not now.moving else now

    patch.setattr(decide, "outputs_for", late)
