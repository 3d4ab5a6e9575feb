"""Which loose stones will seat in this mounting: caliper readings in, cuts and sizes out."""

__version__ = "0.1.0"
