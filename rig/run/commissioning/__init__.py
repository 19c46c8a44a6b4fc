"""The shell of :mod:`rig.commission`: it performs the acts of its dialogues, and keeps what they found."""
