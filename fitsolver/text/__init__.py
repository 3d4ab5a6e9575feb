"""Plain words, numbers and columns that every text is made of."""
