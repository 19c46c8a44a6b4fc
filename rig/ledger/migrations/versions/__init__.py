"""One module for each change of the book's tables; a change that was published is never edited."""
