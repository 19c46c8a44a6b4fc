"""Size marks in use, for messages and to distinguish families whose marks look the same.

Plain lists, no dimensions and no volumes. The marks are from makers' lists and, for the industrial (forklift) series,
from the European tyre standards manual, all from memory.
"""

from __future__ import annotations

import csv
from importlib.resources import files

_ROWS = list(csv.DictReader(files("rig.wheel").joinpath("sizes.csv").read_text(encoding="utf-8").splitlines()))

KNOWN_SIZES = tuple(row["size"] for row in _ROWS)
INDUSTRIAL = frozenset(row["size"] for row in _ROWS if row["series"] == "industrial")

# Old width codes of drive tyres, from marks that print both codes (as in 16.9/14-28).
OLD_CODES = {"7": "8.3", "8": "9.5", "10": "11.2", "11": "12.4", "12": "13.6", "13": "14.9", "14": "16.9", "15": "18.4"}
