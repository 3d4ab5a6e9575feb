"""Fitting: one stone in one seat, and all the stones that a seat takes."""
