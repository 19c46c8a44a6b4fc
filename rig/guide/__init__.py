"""The guide that travels with the program: Markdown pages, and pages made from the program's own tables when read."""
