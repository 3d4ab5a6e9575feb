"""What goes to market: the size spec, what to refuse, and what the budget allows."""
