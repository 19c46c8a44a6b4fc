"""The page of the office: what the records of all trucks say, for its people. It only reads."""
