"""A simulated rig: a plant that obeys the physics, behind the same wires as a real one.

It shares the reading of configurations, tables and quantities with the controller and nothing else: no gas law, no
accounting, no decision is common to both, so that one can be wrong without the other agreeing.
"""
