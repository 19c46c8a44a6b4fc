"""Interlocks, trips and conditions for a start: what stops a fill, and who may go on."""
