"""What the shop's book knows, for whoever works the pump and whoever bills: wheels, totes, customers, calibration."""
