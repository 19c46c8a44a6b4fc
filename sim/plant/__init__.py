"""The physics of the rig: tyre, valve, hose, pump, meter, tote. No clock, input or output, or global randomness."""
