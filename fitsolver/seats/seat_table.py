"""The table [seat] of a mounting file: its keys, their forms and their ranges."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, ValidationInfo, field_validator

from fitsolver.files.datafile import Many, Millimetres, Number
from fitsolver.readings.mounting_key import Back, Holds, Make, OpeningFamily, OpeningLevel, State
from fitsolver.readings.reading_entry import (
    AnyEntry,
    Entry,
    FileModel,
    LeanEntry,
    LedgeHeightEntry,
    LedgeWidthEntry,
    RadiusEntry,
    ReadingEntry,
    WallHeightEntry,
    in_range,
)
from fitsolver.seats.claw_entry import ClawEntry

Point = Annotated[Many[Number], Field(min_length=2, max_length=2)]
"""One traced point: x and y."""


class SeatTable(FileModel):
    """The table [seat]. What is required depends on other keys, see `seat_fault`."""

    holds: Holds | None = None
    state: State | None = None
    back: Back | None = None
    flush: bool = False
    make: Make = "hand"
    irregularity_mm: Millimetres | None = None
    opening_family: OpeningFamily | None = None
    opening_level: OpeningLevel | None = None
    opening_length_mm: ReadingEntry | None = None
    opening_width_mm: ReadingEntry | None = None
    opening_diagonal_mm: ReadingEntry | None = None
    opening_radii_mm: Many[RadiusEntry] = ()
    opening_points_mm: Many[Point] = ()
    opening_points_file: str | None = None
    opening_points_u_mm: Millimetres | None = None
    opening_points_scale_u_pct: Number | None = None
    opening_points_turn_deg: Number | None = None
    ledge_width_mm: ReadingEntry | None = None
    ledge_widths_mm: Many[LedgeWidthEntry] = ()
    ledge_heights_mm: Many[LedgeHeightEntry] = ()
    ledge_missing_deg: Many[Many[Number]] = ()
    ledge_angle_deg: Number | None = None
    wall_height_mm: ReadingEntry | None = None
    wall_heights_mm: Many[WallHeightEntry] = ()
    wall_thickness_mm: ReadingEntry | None = None
    wall_lean_deg: Number | None = None
    wall_leans_deg: Many[LeanEntry] = ()
    claw_directions_deg: Many[Number] = ()
    claws: Many[ClawEntry] = ()
    claw_thickness_mm: ReadingEntry | None = None
    claw_width_mm: ReadingEntry | None = None
    claw_length_mm: ReadingEntry | None = None
    claw_lean_deg: Number | None = None
    notch_height_mm: ReadingEntry | None = None
    gallery_length_mm: ReadingEntry | None = None
    gallery_width_mm: ReadingEntry | None = None
    gallery_depth_mm: ReadingEntry | None = None
    depth_below_ledge_mm: ReadingEntry | None = None
    depth_below_rim_mm: ReadingEntry | None = None

    @field_validator("*")
    @classmethod
    def _within_the_table_of_keys(cls, value: Any, info: ValidationInfo) -> Any:
        key = info.field_name or ""
        if isinstance(value, Entry):
            in_range(key, value.checked_mm())
        elif isinstance(value, float):
            in_range(key, [value])
        elif key == "claw_directions_deg":
            in_range(key, value)
        elif key == "ledge_missing_deg":
            for ends in value:
                in_range(key, ends)
        return value

    def claw_places_deg(self) -> tuple[float, ...]:
        """Return the direction of every claw as written, however the claws are listed."""
        return self.claw_directions_deg or tuple(claw.at_deg for claw in self.claws)

    @property
    def is_traced(self) -> bool:
        """Whether the opening is given by points, here or in a file of their own."""
        return bool(self.opening_points_mm) or self.opening_points_file is not None

    def measured(self, key: str) -> AnyEntry | None:
        """Return the reading of a key, None if it is missing or left out on purpose."""
        entry = getattr(self, key)
        return entry if isinstance(entry, AnyEntry) else None

    def nominal_mm(self, key: str) -> float | None:
        """Return the length of a key without corrections, None if it was not measured."""
        entry = self.measured(key)
        return None if entry is None else entry.nominal_mm()
