"""Pump-side fill controller for a metered tyre-ballast transfer rig.

Rooms, in the order in which the data flows: ``units``, ``wheel``, ``fluid``, ``plan``, ``control`` (all pure),
``field`` (the wires), ``ledger`` (what happened), ``run`` (the loop), ``cli``. Nothing here imports ``sim``.
"""
