"""What is really happening, estimated from the instruments: liquid, air space, temperature, and their uncertainties.

Nothing here decides: it says what is so, how surely, and what contradicts it.
"""
