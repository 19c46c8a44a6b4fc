"""How much and how: the gas and liquid laws of a fill, strokes inside the pressure window, expected times.

Pure. Knows physics and the pressure window; must not know registers, journals or screens.
"""
