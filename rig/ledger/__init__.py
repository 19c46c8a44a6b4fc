"""The history: the journal of every fill, kept on disk before and while anything moves.

Knows fills as documents; must not know registers or screens.
"""
