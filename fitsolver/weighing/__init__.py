"""Weighing: the weight of a loose stone from whatever was measured, and what mass says."""
