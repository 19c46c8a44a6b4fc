"""The meter's accuracy: its factor from a proving, and drift detection by charts. Pure; knows no rig and no fill."""
