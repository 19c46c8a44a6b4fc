"""The bead of a tyre on its rim. It must not know liquids, pressures of a fill or rigs."""

from __future__ import annotations

from rig.units import KPA_PER_PSI

BEAD_LIMIT_KPA = 35 * KPA_PER_PSI
"""The most at which a bead is seated (tyre maker's bulletin), gauge pressure."""
