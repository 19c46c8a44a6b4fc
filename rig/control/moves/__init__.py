"""The procedure: the phases of a fill, the person's requests, and the outputs that follow."""
