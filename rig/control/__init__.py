"""The decisions of a fill, pure: (setup, state, reading, requests) → (state, outputs, entries).

Rules of this room: no clock, no input or output, no randomness; time is ``Reading.now_s``. The safe output is
``Outputs()``. Everything that a fill remembers is in ``FillState``, which is frozen and can be written to a journal.
"""
