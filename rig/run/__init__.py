"""The loop and its assembly: read, decide, journal, act. The thin shell around the pure rooms."""
