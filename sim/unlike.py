"""Rigs and wheels that differ from the demonstration's: every shipped size, other hoses, pumps, gauges, scans, limits.

A campaign's other draws are unchanged, so that the same seed shows the effect of the rig itself.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

from rig.wheel import cavity_of, read_size
from rig.wheel.known import KNOWN_SIZES

if TYPE_CHECKING:
    import random

_LEAST_CAVITY_L = 20.0
"""Smallest cavity: a coasting pump moves litres, so such a rig fills no lawn mower's tyre."""
_MORE_SIZES = (
    "710/70R42", "VF 380/90R46", "17.5-25", "23.5R25", "29.5-25", "7.00-12", "5.00-15", "600/50-22.5", "12.5/80-18",
    "340/85R24", "10.00-20", "23x10.50-12", "IF 600/70R30",
)  # fmt: skip
_INCH_M = 0.0254


@cache
def sizes() -> tuple[str, ...]:
    """Sizes to draw from: all shipped ones and some more."""
    return tuple(
        size for size in (*KNOWN_SIZES, *_MORE_SIZES) if cavity_of(read_size(size)).volume_l >= _LEAST_CAVITY_L
    )


def rig(rng: random.Random) -> dict[str, dict[str, object]]:
    """Draw tables of a rig's file: pipe, pump, limits, clock and simulation."""
    hose_m, bore_m = rng.choice((2, 3, 5, 8, 12)), rng.choice((0.75, 1.0, 1.25)) * _INCH_M
    hose_l = 1000 * math.pi / 4 * bore_m**2 * hose_m * rng.uniform(1.0, 1.15)
    ceiling_psi = rng.choice((15, 18, 20, 20))
    trip_psi = ceiling_psi + rng.choice((4, 5))
    return {
        "pipe": {
            "hose_volume": f"{hose_l:.2f} L",
            "hose_length": f"{hose_m} m",
            "hose_bore": f"{1000 * bore_m:.2f} mm",
            "suction_volume": f"{rng.uniform(0.5, 3.0):.2f} L",
            "gauge_height": f"{rng.uniform(0.2, 1.2):.2f} m",
        },
        "pump": {
            "flow": f"{rng.choice((10, 20, 40, 60, 90))} L/min",
            "coast": f"{rng.uniform(0.2, 2.0):.2f} s",
            "start_lag": f"{rng.uniform(0.1, 0.8):.2f} s",
            # Long enough for the longest suction line and the smallest pump.
            "dry_run": rng.choice(("2 min", "10 min")),
            "relief": f"{max(trip_psi + 2, rng.choice((28, 30, 35)))} psi",
        },
        "limits": {
            "floor": f"{rng.choice((3, 5, 5, 8))} psi",
            "ceiling": f"{ceiling_psi} psi",
            "trip": f"{trip_psi} psi",
        },
        "clock": {"scan": f"{rng.choice((0.05, 0.1, 0.1, 0.2, 0.3))} s"},
        "sim": {"sensor_lag": f"{rng.uniform(0.02, 0.5):.3f} s", "relay_delay": f"{rng.uniform(0.01, 0.2):.3f} s"},
    }
