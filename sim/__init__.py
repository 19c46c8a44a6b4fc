"""A simulated rig: a physical model of the plant with the same interfaces as a real one.

It shares only the reading of configurations, tables and quantities with the controller, and no gas law, accounting or
decision, so that an error in one is not repeated in the other.
"""
