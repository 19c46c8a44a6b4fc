"""The refusal of work, in a module of its own: a command that only answers must not import the work."""


class Refused(RuntimeError):
    """Something was not done, or not started; the text lists what is missing or what to do."""
