"""What a person asks of the book: ledger, tickets, bills, comparison, stock, office. Nothing below knows them."""
