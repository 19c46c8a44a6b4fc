"""Entry point of the command line: outputs off first if a fill was interrupted, then everything that takes time."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from rig.cli.table import WORKS_THE_PUMP


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    words = sys.argv[1:] if arguments is None else arguments
    if words and words[0] in WORKS_THE_PUMP:
        from rig.run.off_first import off_first

        off_first(words)
    # Import late: loading all rooms takes longer than a pump may run on.
    from rig.cli.commands import main as run

    return run(words)
