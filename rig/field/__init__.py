"""The wires: register maps, block reads, writing of outputs and their time-out.

Knows protocols and points; must not know tyres, fills or money.
"""
