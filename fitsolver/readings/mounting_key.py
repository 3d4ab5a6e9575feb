"""What may be read from a mounting: for each key its range, how it is taken, and what to do.

The one table behind the checks of a mounting file, its faults and every form that asks for the
same readings. The ranges are common practice, wide enough for any finger ring and narrow enough to
catch a slip of the decimal sign or a reading in inches.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from msgspec import Struct

from fitsolver.readings.instrument import Measure
from fitsolver.readings.reading import Level
from fitsolver.units import MM_PER_INCH

Holds = Literal["wall", "claws"]
State = Literal["cut", "uncut"]
Back = Literal["open", "closed"]
Make = Literal["hand", "cast"]
OpeningLevel = Literal["rim", "girdle"]
Finger = Literal["length", "width"]
OpeningFamily = Literal[
    "round",
    "oval",
    "cushion",
    "octagon",
    "rectangle",
    "square",
    "marquise",
    "pear",
    "triangle",
]


class Key(Struct, frozen=True, kw_only=True):
    """One number of a mounting file.

    Attributes
    ----------
    low, high : float
        Allowed range in `unit`; both ends are allowed.
    unit : str
        "mm" or "degrees".
    remedy : str
        How to take it at the bench, one sentence without its full stop.
    measure : str
        How the jaws are used, for readings.
    level : str, optional
        Level at which it is taken unless the entry says otherwise. Openings follow
        `opening_level`; metal above the ledge and the finger have none.
    instrument : str
        What takes it unless the entry says otherwise.
    holds, state : str, optional
        The only kind of seat it belongs to, None for both.

    """

    low: float
    high: float
    unit: str = "mm"
    remedy: str
    measure: Measure = "outside"
    level: Level | None = None
    instrument: str = "caliper"
    holds: Holds | None = None
    state: State | None = None

    @property
    def range_text(self) -> str:
        """The allowed range in words.

        >>> KEYS["ledge_width_mm"].range_text
        '0.05 to 3 mm'
        """
        return f"{self.low:g} to {self.high:g} {self.unit}"

    def complaint(self, value: float) -> str | None:
        """Return the rule that a value breaks, or None if it is in the range.

        >>> KEYS["opening_width_mm"].complaint(0.24)
        'must be 1 to 40 mm, and looks like inches (0.24 inch is 6.10 mm)'
        """
        if self.low <= value <= self.high:
            return None
        in_mm = value * MM_PER_INCH
        if self.unit == "mm" and 0 < value < self.low <= in_mm <= self.high:
            return (
                f"must be {self.range_text}, and looks like inches "
                f"({value:g} inch is {in_mm:.2f} mm)"
            )
        return f"must be {self.range_text}"


KEYS: Mapping[str, Key] = MappingProxyType(
    {
        "finger_diameter_mm": Key(
            low=10,
            high=26,
            measure="inside",
            instrument="ring-stick",
            remedy="give the inside of the ring in mm: a ring size of 54 is 54 / 3.1416 = 17.2",
        ),
        "opening_length_mm": Key(
            low=1,
            high=40,
            measure="inside",
            remedy="measure the free opening along its length with the inside jaws, in mm",
        ),
        "opening_width_mm": Key(
            low=1,
            high=40,
            measure="inside",
            remedy="measure the free opening across its width with the inside jaws, in mm",
        ),
        "opening_diagonal_mm": Key(
            low=1,
            high=55,
            measure="inside",
            remedy="measure the free opening from corner to corner, in mm",
        ),
        "opening_radii_mm": Key(
            low=0.5,
            high=28,
            remedy="give the distance from the centre of the opening to the metal, in mm",
        ),
        "at_deg": Key(
            low=-180,
            high=360,
            unit="degrees",
            remedy="count from the length, counter-clockwise seen from above",
        ),
        "irregularity_mm": Key(
            low=0,
            high=1,
            remedy="say by how much the outline strays from its ideal, one standard deviation",
        ),
        "opening_points_u_mm": Key(
            low=0.001,
            high=1,
            remedy="say how well each point was placed, one standard deviation in mm",
        ),
        "opening_points_scale_u_pct": Key(
            low=0,
            high=10,
            unit="per cent",
            remedy="say how well the scale of the points is known, one standard deviation",
        ),
        "opening_points_turn_deg": Key(
            low=-180,
            high=360,
            unit="degrees",
            remedy="say by how much to turn the points, counter-clockwise, so that the length "
            "lies along x",
        ),
        "ledge_width_mm": Key(
            low=0.05,
            high=3,
            level="ledge",
            state="cut",
            remedy="measure from the wall (or the root of the notch) to the inner edge, in mm",
        ),
        "ledge_widths_mm": Key(
            low=0.05,
            high=3,
            level="ledge",
            holds="wall",
            state="cut",
            remedy="give the ledge's width in that direction, from wall to inner edge, in mm",
        ),
        "ledge_heights_mm": Key(
            low=0,
            high=40,
            level="ledge",
            holds="wall",
            state="cut",
            remedy="give the ledge's height there over one level plane, the same for all, in mm",
        ),
        "ledge_missing_deg": Key(
            low=-180,
            high=360,
            unit="degrees",
            holds="wall",
            state="cut",
            remedy="give where each gap begins and ends, counter-clockwise, as [[350, 20]]",
        ),
        "ledge_angle_deg": Key(
            low=0,
            high=75,
            unit="degrees",
            state="cut",
            remedy="give the slope of the ledge down inward from the horizontal, 0 for a flat one",
        ),
        "wall_height_mm": Key(
            low=0.1,
            high=6,
            measure="depth",
            holds="wall",
            state="cut",
            remedy="measure from the ledge up to the rim, in mm",
        ),
        "wall_heights_mm": Key(
            low=0.05,
            high=6,
            measure="depth",
            holds="wall",
            state="cut",
            remedy="measure from the ledge up to the rim in that direction, in mm",
        ),
        "wall_thickness_mm": Key(
            low=0.1,
            high=3,
            holds="wall",
            remedy="measure the metal at the rim, in mm",
        ),
        "wall_lean_deg": Key(
            low=-30,
            high=45,
            unit="degrees",
            holds="wall",
            remedy="give the lean of the wall from upright, inward counted as positive",
        ),
        "wall_leans_deg": Key(
            low=-30,
            high=45,
            unit="degrees",
            holds="wall",
            remedy="give the lean of the wall in that direction, inward counted as positive",
        ),
        "claw_directions_deg": Key(
            low=-180,
            high=360,
            unit="degrees",
            holds="claws",
            remedy="list the direction of every claw, as [45, 135, 225, 315]",
        ),
        "claw_thickness_mm": Key(
            low=0.3,
            high=3,
            holds="claws",
            remedy="measure one claw from its inner face to its outer face, in mm",
        ),
        "claw_width_mm": Key(
            low=0.3,
            high=5,
            holds="claws",
            remedy="measure one claw along the girdle, in mm",
        ),
        "claw_length_mm": Key(
            low=0.3,
            high=10,
            holds="claws",
            remedy="measure one claw from the notch (uncut: from the gallery) to its tip, in mm",
        ),
        "claw_lean_deg": Key(
            low=-45,
            high=60,
            unit="degrees",
            holds="claws",
            remedy="give the lean of the claws from upright, inward counted as positive",
        ),
        "notch_height_mm": Key(
            low=0.1,
            high=3,
            level="girdle",
            holds="claws",
            state="cut",
            remedy="measure the mouth of the notch from floor to roof, in mm",
        ),
        "gallery_length_mm": Key(
            low=0.5,
            high=40,
            measure="inside",
            level="gallery",
            remedy="measure the inside of the rail along the length, in mm",
        ),
        "gallery_width_mm": Key(
            low=0.5,
            high=40,
            measure="inside",
            level="gallery",
            remedy="measure the inside of the rail across the width, in mm",
        ),
        "gallery_depth_mm": Key(
            low=0.1,
            high=15,
            measure="depth",
            level="gallery",
            remedy="measure down to the rail from the ledge (uncut: from the rim), in mm",
        ),
        "depth_below_ledge_mm": Key(
            low=0.3,
            high=25,
            measure="depth",
            level="back",
            state="cut",
            remedy="measure from the ledge's inner edge down to the finger or the back, in mm",
        ),
        "depth_below_rim_mm": Key(
            low=0.5,
            high=30,
            measure="depth",
            level="back",
            state="uncut",
            remedy="measure from the rim or the claw tips down to the finger or the back, in mm",
        ),
    }
)
"""Every number a mounting file may give, in the order of the file."""

PLACES_MM = ("opening_radii_mm", "ledge_widths_mm", "ledge_heights_mm", "wall_heights_mm")
"""Lengths that are read direction by direction."""

CLAW_LENGTHS: Mapping[str, str] = MappingProxyType(
    {
        "thickness_mm": "claw_thickness_mm",
        "width_mm": "claw_width_mm",
        "length_mm": "claw_length_mm",
        "notch_depth_mm": "ledge_width_mm",
        "notch_level_mm": "ledge_heights_mm",
    }
)
"""Lengths within the table of a single claw, and the key of the seat that each stands in for."""
