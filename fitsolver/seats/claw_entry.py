"""A claw described by itself in a mounting file: where it stands, and what differs in it."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationInfo, field_validator

from fitsolver.files.datafile import Number
from fitsolver.readings.mounting_key import CLAW_LENGTHS
from fitsolver.readings.reading_entry import (
    AngleEntry,
    AngleReading,
    Entry,
    FileModel,
    ReadingEntry,
    in_range,
)


class ClawEntry(FileModel):
    """One claw; what it leaves out is as the seat's common readings say."""

    at_deg: Number
    thickness_mm: ReadingEntry | None = None
    width_mm: ReadingEntry | None = None
    length_mm: ReadingEntry | None = None
    notch_depth_mm: ReadingEntry | None = None
    notch_level_mm: ReadingEntry | None = None
    lean_deg: AngleReading | None = None
    corner: bool = False
    pair: bool = False
    shared: bool = False

    @field_validator("*")
    @classmethod
    def _within_the_table_of_keys(cls, value: Any, info: ValidationInfo) -> Any:
        name = info.field_name or ""
        if isinstance(value, Entry):
            in_range(CLAW_LENGTHS[name], value.checked_mm())
        elif name == "at_deg":
            in_range("claw_directions_deg", [value])
        elif isinstance(value, AngleEntry):
            in_range("claw_lean_deg", value.read)
        return value

    def lengths(self) -> dict[str, Entry]:
        """Return its own readings by their key within the claw's table."""
        return {
            name: entry for name in CLAW_LENGTHS if isinstance(entry := getattr(self, name), Entry)
        }
