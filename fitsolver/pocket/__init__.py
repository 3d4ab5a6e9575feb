"""What leaves the desk in a pocket: the card for the dealer's table, and its numbers."""
