"""Stones: cut styles, materials, and the solids they make."""
