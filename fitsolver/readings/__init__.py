"""Readings: what was measured, with what, and how sure it is."""
