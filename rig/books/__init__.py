"""A person's commands on the book: ledger, tickets, bills, comparison, stock, office. Nothing below uses them."""
