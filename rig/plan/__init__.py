"""Target and plan: the gas and liquid laws of a fill, strokes within the pressure window, expected times.

Pure; knows physics and the pressure window, must not know registers, journals or screens.
"""
