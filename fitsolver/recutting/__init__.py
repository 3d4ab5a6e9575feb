"""Recutting: the largest stone inside a stone."""
