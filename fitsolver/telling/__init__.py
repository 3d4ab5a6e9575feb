"""Telling: results as text and as plain dictionaries."""
