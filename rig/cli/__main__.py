"""`python -m rig.cli` is `rig`."""

import sys

from rig.cli import main

sys.exit(main())
