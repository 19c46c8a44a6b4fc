"""Record and replay many fills of the campaign: ``python tests/proof/replay_many.py FILLS [SEED]``.

Prints each that is not the same to the bit, and at the end how many were; the exit status is 1 if any was not.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_replays import again

from sim.scenarios import Case


def main() -> int:
    """Run as many fills as asked for, of all four kinds in turn."""
    fills, seed = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1
    replayed = scans = otherwise = 0
    for number in range(fills):
        kind = {"wide": number % 4 == 1, "single": number % 4 == 2, "thermal": number % 4 == 3}
        case = Case(seed + number, **kind)
        with tempfile.TemporaryDirectory() as folder:
            found = again(case, Path(folder))
        if found is None:
            continue
        replayed, scans = replayed + 1, scans + found.scans
        if not found.identical:
            otherwise += 1
            print(f"{case.command}\n  {found.first_difference}", flush=True)
    print(f"{replayed} fills, {scans} scans, {otherwise} not the same to the bit")
    return 1 if otherwise else 0


if __name__ == "__main__":
    sys.exit(main())
