"""The shop's book as used for pumping and billing: wheels, totes, customers, calibration."""
