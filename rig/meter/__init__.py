"""The meter's honesty: its factor from a proving, and charts that see it drift. Pure; it knows no rig and no fill."""
