"""The computer on the truck: what an installation consists of, and how it is done, kept and undone."""
