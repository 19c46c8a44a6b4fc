"""The physics of the rig: tyre, valve, hose, pump, meter, tote. No clock, no input or output, no global randomness."""
