"""Drawings: described once in millimetres, painted as SVG, PNG or on paper."""
