"""From wired parts to a configuration: the questions, and what is inferred from registers that a person's acts move.

Pure: dialogues are generators that yield acts and are sent what came of them; the shell in :mod:`rig.run.commissioning`
performs the acts. It must not know screens, sockets or clocks.
"""
