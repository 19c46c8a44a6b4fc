"""The office of many trucks: who they are, how records travel to it and back, and what it offers all of them.

Knows chains, keys and messages; must not know screens, nor how a wheel is filled.
"""
