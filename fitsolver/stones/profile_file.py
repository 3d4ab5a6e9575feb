"""The file form of a cut style: what may stand in `profiles/cuts/NAME.toml`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Source = Field(min_length=3)

Families = Literal[
    "round",
    "oval",
    "cushion",
    "octagon",
    "rectangle",
    "square",
    "marquise",
    "pear",
    "triangle",
    "heart",
    "half-moon",
    "kite",
    "lozenge",
    "shield",
    "hexagon",
    "tapered",
]

# Every proportion a style may state; all but the angles are per cent of the width. `fill_pct` is
# the volume over that of the plain figure: what facet plan, keel and hand leave open.
PROPORTIONS = (
    "table_pct",
    "crown_height_pct",
    "crown_angle_deg",
    "crown_bulge_pct",
    "girdle_pct",
    "pavilion_depth_pct",
    "pavilion_angle_deg",
    "pavilion_bulge_pct",
    "culet_pct",
    "culet_offset_pct",
    "star_pct",
    "lower_half_pct",
    "side_bulge_pct",
    "corner_pct",
    "fullness_pct",
    "head_pct",
    "cleft_pct",
    "point_pct",
    "second_width_pct",
    "fill_pct",
)


class Strict(BaseModel):
    """Base of all file models: nothing unknown, nothing converted, nothing changed later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class ProportionEntry(Strict):
    """Usual value, one standard deviation, limits and source of a proportion."""

    typical: float
    spread: float = Field(ge=0)
    low: float
    high: float
    source: str = Source


class PeriodEntry(Strict):
    """Years between which the style was cut; no end for one still cut."""

    begin: int = Field(ge=1000, le=2100)
    end: int | None = Field(default=None, ge=1000, le=2100)
    source: str = Source


class OutlineEntry(Strict):
    """Outline family, usual ratio of length to width, and how rings follow the outline."""

    family: Families
    length_ratio: ProportionEntry
    crown_rings: Literal["scaled", "inset", "even"] = "scaled"
    pavilion_rings: Literal["scaled", "inset", "even"] = "scaled"


class RingEntry(Strict):
    """A copy of the outline at a height between the girdle (0) and the table or culet (1)."""

    part: Literal["crown", "pavilion"]
    scale: float | Literal["star", "lower_half", "curve", "table", "culet"]
    height: float | Literal["mains"]


class Directions(Strict):
    """Evenly spaced facet directions of the unit figure."""

    first: float
    step: float
    count: int = Field(ge=1, le=256)


class FacetsEntry(Strict):
    """A row of facets between two rings."""

    part: Literal["crown", "pavilion"]
    name: str
    at_deg: Directions | list[float] | Literal["sides"]
    outer: str
    inner: str
    outer_reach_deg: float = Field(default=0, ge=0, lt=90)
    inner_reach_deg: float = Field(default=0, ge=0, lt=90)

    def directions(self) -> tuple[float, ...] | None:
        """Return the directions in degrees, or None for one facet to every straight side."""
        if isinstance(self.at_deg, str):
            return None
        if isinstance(self.at_deg, list):
            return tuple(self.at_deg)
        return tuple(self.at_deg.first + self.at_deg.step * k for k in range(self.at_deg.count))


class DomeEntry(Strict):
    """A domed part of a cabochon."""

    part: Literal["crown", "pavilion"]
    tiers: int = Field(default=24, ge=4, le=64)
    exponent: float = Field(default=2.0, ge=1.2, le=6)


class HandbookEntry(Strict):
    """A handbook's coefficient and the form of its formula."""

    k: float = Field(gt=0, lt=0.006)
    form: Literal["length x width", "mean diameter squared"]
    source: str = Source


class ProfileFile(Strict):
    """A whole profile file."""

    name: str = Field(pattern=r"^[a-z]+(-[a-z]+)*$")
    title: str
    period: PeriodEntry
    outline: OutlineEntry
    measuring: dict[Literal["length", "width", "table", "girdle"], str]
    make: str = "commercial"
    # Hung or strung by a drilled hole, not set.
    strung: bool = False
    proportions: dict[str, ProportionEntry]
    makes: dict[str, dict[str, ProportionEntry]] = Field(default_factory=dict)
    rings: dict[str, RingEntry] = Field(default_factory=dict)
    facets: list[FacetsEntry] = Field(default_factory=list)
    domes: list[DomeEntry] = Field(default_factory=list)
    facet_count: int = Field(ge=1)
    handbook: dict[str, HandbookEntry] = Field(default_factory=dict)
    notes: str = ""

    def cross_faults(self) -> Iterator[tuple[str, object, str, str]]:
        """Yield what is wrong between entries: (key, value, rule, remedy)."""
        rings = {"girdle", "table", "culet", *self.rings}
        for index, row in enumerate(self.facets):
            for end in ("outer", "inner"):
                ring = getattr(row, end)
                if ring not in rings:
                    yield (
                        f"facets[{index}].{end}",
                        ring,
                        f"must be one of the rings {', '.join(sorted(rings))}",
                        "add the ring under [rings] or correct the name",
                    )
        for part, height in (("crown", "crown_height_pct"), ("pavilion", "pavilion_depth_pct")):
            stated = {height, f"{part}_angle_deg"} & set(self.proportions)
            if len(stated) != 1:
                yield (
                    f"proportions.{height}",
                    None,
                    f"the {part} needs {height} or {part}_angle_deg, one of the two",
                    "state one of them",
                )
        stated_in = {f"makes.{make}": items for make, items in self.makes.items()}
        for place, items in {"proportions": self.proportions, **stated_in}.items():
            for name, item in items.items():
                if name not in PROPORTIONS:
                    yield (
                        f"{place}.{name}",
                        None,
                        "is not a proportion of a cut style",
                        f"use one of {', '.join(PROPORTIONS)}",
                    )
                elif name not in self.proportions:
                    yield (
                        f"{place}.{name}",
                        None,
                        "is not stated for the usual make",
                        "state it under [proportions] first",
                    )
                if not item.low <= item.typical <= item.high:
                    yield (
                        f"{place}.{name}.typical",
                        item.typical,
                        f"must lie between low {item.low:g} and high {item.high:g}",
                        "correct the proportion",
                    )
        for make in self.handbook:
            if make not in {self.make, *self.makes}:
                yield (
                    f"handbook.{make}",
                    None,
                    f"must be one of the makes {', '.join((self.make, *self.makes))}",
                    "correct the make",
                )
