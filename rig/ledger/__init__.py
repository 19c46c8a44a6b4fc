"""The history: the journal of every fill, kept on disk before and while anything moves.

Knows fills as documents; must not know registers or screens.
"""

BOOK_NAME = "book.sqlite"
"""The book in a rig's folder. Stated here, where no database is loaded: whoever asks only whether there is one."""
COPY_NAME = "office.sqlite"
"""The truck's copy of what the office offers, in the same folder."""
