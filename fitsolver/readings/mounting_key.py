"""What may be read from a mounting: for each key its range, how it is taken, what is usual.

The one table behind the reader of a mounting file, its faults, the form that asks for the same
readings, and what is believed of a seat where nobody measured. Ranges and usual values are common
practice: no publication states them. Ranges are wide enough for any finger ring and narrow enough
to catch a slip of the decimal sign or a reading in inches.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple

from msgspec import Struct

from fitsolver.readings.instrument import Measure
from fitsolver.readings.reading import Level
from fitsolver.text.layout import words
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


Form = Literal[
    "reading", "angle", "number", "places", "leans", "arcs", "directions", "direction", "of_trace"
]
"""How an entry is written: a length or angle with repeats, a plain number, a list by direction."""


class Usual(Struct, frozen=True, kw_only=True):
    """What is taken for a quantity that nobody measured.

    `value`, in the quantity's own unit or a function of (length, width) of the opening, and its
    standard deviation `u`; `source`. `column` orders the draws: a new quantity goes last, so that
    those before it are drawn as they were. `state` where only such seats have it as an unknown.
    """

    value: float | Callable[[float, float], float]
    u: float
    source: str
    column: int
    state: State | None = None

    def of(self, length_mm: float, width_mm: float) -> float:
        """The value for an opening of this size."""
        value = self.value
        return value(length_mm, width_mm) if callable(value) else value


class Place(NamedTuple):
    """One reading of a seat: its key, and the direction [deg] of one taken place by place.

    >>> str(Place("opening_radii_mm", 30)), Place("opening_radii_mm", 30).words
    ('opening_radii_mm at 30 deg', 'opening radius at 30 deg')
    """

    key: str
    at_deg: float | None = None

    def __str__(self) -> str:
        """Write it for people; nothing reads it back."""
        return self.key if self.at_deg is None else f"{self.key} at {self.at_deg:g} deg"

    @property
    def words(self) -> str:
        """The same in the trade's words."""
        return words(str(self))


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
    form : str
        How its entry is written.
    usual : Usual, optional
        What is taken where nobody measured it; None where it is no unknown of the seat by itself.
    drawn_as : str
        The key whose small drawing shows it, its own by default.
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
    form: Form = "reading"
    usual: Usual | None = None
    drawn_as: str = ""
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

    def belongs(self, holds: str | None, state: str | None) -> bool:
        """Whether a seat of this kind has it."""
        return self.holds in (None, holds) and self.state in (None, state)

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
            form="places",
            low=0.5,
            high=28,
            remedy="give the distance from the centre of the opening to the metal, in mm",
        ),
        "at_deg": Key(
            form="direction",
            low=-180,
            high=360,
            unit="degrees",
            remedy="count from the length, counter-clockwise seen from above",
        ),
        "irregularity_mm": Key(
            form="number",
            low=0,
            high=1,
            remedy="say by how much the outline strays from its ideal, one standard deviation",
        ),
        "opening_points_u_mm": Key(
            form="of_trace",
            low=0.001,
            high=1,
            remedy="say how well each point was placed, one standard deviation in mm",
        ),
        "opening_points_scale_u_pct": Key(
            form="of_trace",
            low=0,
            high=10,
            unit="per cent",
            remedy="say how well the scale of the points is known, one standard deviation",
        ),
        "opening_points_turn_deg": Key(
            form="of_trace",
            low=-180,
            high=360,
            unit="degrees",
            remedy="say by how much to turn the points, counter-clockwise, so that the length "
            "lies along x",
        ),
        "ledge_width_mm": Key(
            usual=Usual(
                value=lambda _, w: 0.07 * w,
                u=0.12,
                source="common practice: 5 to 10 % of width",
                column=1,
            ),
            low=0.05,
            high=3,
            level="ledge",
            state="cut",
            remedy="measure from the wall (or the root of the notch) to the inner edge, in mm",
        ),
        "ledge_widths_mm": Key(
            drawn_as="ledge_width_mm",
            form="places",
            low=0.05,
            high=3,
            level="ledge",
            holds="wall",
            state="cut",
            remedy="give the ledge's width in that direction, from wall to inner edge, in mm",
        ),
        "ledge_heights_mm": Key(
            form="places",
            low=0,
            high=40,
            level="ledge",
            holds="wall",
            state="cut",
            remedy="give the ledge's height there over one level plane, the same for all, in mm",
        ),
        "ledge_missing_deg": Key(
            form="arcs",
            low=-180,
            high=360,
            unit="degrees",
            holds="wall",
            state="cut",
            remedy="give where each gap begins and ends, counter-clockwise, as [[350, 20]]",
        ),
        "ledge_angle_deg": Key(
            form="angle",
            usual=Usual(
                value=30.0,
                u=8.0,
                source="common practice: a bearing slopes with the pavilion",
                column=2,
            ),
            low=0,
            high=75,
            unit="degrees",
            state="cut",
            remedy="give the slope of the ledge down inward from the horizontal, 0 for a flat one",
        ),
        "wall_height_mm": Key(
            usual=Usual(
                value=lambda _, w: 0.5 + 0.06 * w, u=0.15, source="common practice", column=6
            ),
            low=0.1,
            high=6,
            measure="depth",
            holds="wall",
            state="cut",
            remedy="measure from the ledge up to the rim, in mm",
        ),
        "wall_heights_mm": Key(
            drawn_as="wall_height_mm",
            form="places",
            low=0.05,
            high=6,
            measure="depth",
            holds="wall",
            state="cut",
            remedy="measure from the ledge up to the rim in that direction, in mm",
        ),
        "wall_thickness_mm": Key(
            usual=Usual(value=0.6, u=0.15, source="common practice", column=4),
            low=0.1,
            high=3,
            holds="wall",
            remedy="measure the metal at the rim, in mm",
        ),
        "wall_lean_deg": Key(
            form="angle",
            usual=Usual(value=0.0, u=2.0, source="common practice: upright", column=5),
            low=-30,
            high=45,
            unit="degrees",
            holds="wall",
            remedy="give the lean of the wall from upright, inward counted as positive",
        ),
        "wall_leans_deg": Key(
            drawn_as="wall_lean_deg",
            form="leans",
            low=-30,
            high=45,
            unit="degrees",
            holds="wall",
            remedy="give the lean of the wall in that direction, inward counted as positive",
        ),
        "claw_directions_deg": Key(
            form="directions",
            low=-180,
            high=360,
            unit="degrees",
            holds="claws",
            remedy="list the direction of every claw, as [45, 135, 225, 315]",
        ),
        "claw_thickness_mm": Key(
            usual=Usual(value=0.9, u=0.1, source="common practice", column=4),
            low=0.3,
            high=3,
            holds="claws",
            remedy="measure one claw from its inner face to its outer face, in mm",
        ),
        "claw_width_mm": Key(
            usual=Usual(value=1.0, u=0.1, source="common practice", column=5),
            low=0.3,
            high=5,
            holds="claws",
            remedy="measure one claw along the girdle, in mm",
        ),
        "claw_length_mm": Key(
            usual=Usual(value=1.6, u=0.3, source="common practice", column=7, state="cut"),
            low=0.3,
            high=10,
            holds="claws",
            remedy="measure one claw from the notch (uncut: from the gallery) to its tip, in mm",
        ),
        "claw_lean_deg": Key(
            form="angle",
            usual=Usual(value=0.0, u=3.0, source="common practice: upright", column=6),
            low=-45,
            high=60,
            unit="degrees",
            holds="claws",
            remedy="give the lean of the claws from upright, inward counted as positive",
        ),
        "notch_height_mm": Key(
            usual=Usual(value=0.4, u=0.1, source="common practice", column=8),
            low=0.1,
            high=3,
            level="girdle",
            holds="claws",
            state="cut",
            remedy="measure the mouth of the notch from floor to roof, in mm",
        ),
        "gallery_length_mm": Key(
            usual=Usual(
                value=lambda length, _: 0.8 * length, u=0.3, source="common practice", column=9
            ),
            low=0.5,
            high=40,
            measure="inside",
            level="gallery",
            remedy="measure the inside of the rail along the length, in mm",
        ),
        "gallery_width_mm": Key(
            usual=Usual(value=lambda _, w: 0.8 * w, u=0.3, source="common practice", column=10),
            low=0.5,
            high=40,
            measure="inside",
            level="gallery",
            remedy="measure the inside of the rail across the width, in mm",
        ),
        "gallery_depth_mm": Key(
            usual=Usual(value=1.0, u=0.3, source="common practice", column=11),
            low=0.1,
            high=15,
            measure="depth",
            level="gallery",
            remedy="measure down to the rail from the ledge (uncut: from the rim), in mm",
        ),
        "depth_below_ledge_mm": Key(
            usual=Usual(value=lambda _, w: 0.6 * w, u=0.6, source="common practice", column=3),
            low=0.3,
            high=25,
            measure="depth",
            level="back",
            state="cut",
            remedy="measure from the ledge's inner edge down to the finger or the back, in mm",
        ),
        "depth_below_rim_mm": Key(
            usual=Usual(value=lambda _, w: 0.85 * w, u=0.7, source="common practice", column=3),
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

TOP_LEVEL = ("finger_diameter_mm",)
"""Keys that stand at the head of the file, outside [seat]."""

PLACES_MM = tuple(key for key, rules in KEYS.items() if rules.form == "places")
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
