"""The wires: which register holds what, how it is read in few requests, how outputs are written and lapse.

Knows protocols and points; must not know tyres, fills or money.
"""
