"""What is usual of a seat: taken for what nobody measured, and always shown as assumed.

No publication states these values: all are common practice, and a mounting file overrides the
irregularity, which matters most.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from msgspec import Struct

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


class Prior(Struct, frozen=True, kw_only=True):
    """What is taken for a seat parameter before it is measured.

    `value` is in the parameter's own unit or a function of (length, width) of the opening.
    """

    value: float | Callable[[float, float], float]
    u: float
    unit: str
    source: str


# The scalars of a seat. Sources: common practice unless said otherwise.
PRIORS: Mapping[str, Prior] = {
    "ledge_width_mm": Prior(
        value=lambda _, w: 0.07 * w, u=0.12, unit="mm", source="common practice: 5 to 10 % of width"
    ),
    "ledge_angle_deg": Prior(
        value=30.0, u=8.0, unit="deg", source="common practice: a bearing slopes with the pavilion"
    ),
    "wall_height_mm": Prior(
        value=lambda _, w: 0.5 + 0.06 * w, u=0.15, unit="mm", source="common practice"
    ),
    "wall_thickness_mm": Prior(value=0.6, u=0.15, unit="mm", source="common practice"),
    "wall_lean_deg": Prior(value=0.0, u=2.0, unit="deg", source="common practice: upright"),
    "depth_below_ledge_mm": Prior(
        value=lambda _, w: 0.6 * w, u=0.6, unit="mm", source="common practice"
    ),
    "depth_below_rim_mm": Prior(
        value=lambda _, w: 0.85 * w, u=0.7, unit="mm", source="common practice"
    ),
    "claw_thickness_mm": Prior(value=0.9, u=0.1, unit="mm", source="common practice"),
    "claw_width_mm": Prior(value=1.0, u=0.1, unit="mm", source="common practice"),
    "claw_length_mm": Prior(value=1.6, u=0.3, unit="mm", source="common practice"),
    "claw_lean_deg": Prior(value=0.0, u=3.0, unit="deg", source="common practice: upright"),
    "notch_height_mm": Prior(value=0.4, u=0.1, unit="mm", source="common practice"),
    "gallery_width_mm": Prior(
        value=lambda _, w: 0.8 * w, u=0.3, unit="mm", source="common practice"
    ),
    "gallery_length_mm": Prior(
        value=lambda length, _: 0.8 * length, u=0.3, unit="mm", source="common practice"
    ),
    "gallery_depth_mm": Prior(value=1.0, u=0.3, unit="mm", source="common practice"),
}
