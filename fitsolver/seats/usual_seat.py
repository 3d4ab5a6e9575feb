"""What is usual of a seat beyond its single readings, whose usual values `mounting_key` has.

No publication states these values: all are common practice, and a mounting file overrides the
irregularity, which matters most.
"""

from __future__ import annotations

# Standard deviation of the irregularity of each make [mm]. Common practice: worn or hand-pierced
# edges stray by 0.05 to 0.1 mm, a cast or drawn seat by a fifth of that.
IRREGULARITY_MM = {"hand": 0.05, "cast": 0.015}
# How many times round the waves of each field go that are told apart.
WAVES = {"opening": (2, 3, 4, 5, 6), "ledge_width": (1, 2, 3), "ledge_height": (2, 3, 4),
         "wall_height": (1, 2)}  # fmt: skip
# How far a wall that leans differently from place to place strays from its mean lean: one standard
# deviation of the wave that goes once round. Common practice.
LEAN_SPREAD_DEG = 1.0
# How thick the metal beside a flush seat is, up to the next edge. Common practice.
FLUSH_THICKNESS_MM = 2.0
# How far an opening's own proportions stray from the family's usual ones, per cent of the width.
# Common practice.
SHAPE_SPREAD_PCT = {
    "side_bulge_pct": 2.5,
    "corner_pct": 4.0,
    "fullness_pct": 6.0,
    "head_pct": 4.0,
}
