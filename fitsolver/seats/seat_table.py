"""The table [seat] of a mounting file: its keys, their forms and their ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, ValidationInfo, create_model, field_validator

from fitsolver.files.datafile import Many, Millimetres, Number
from fitsolver.readings.mounting_key import (
    KEYS,
    TOP_LEVEL,
    Back,
    Holds,
    Key,
    Make,
    OpeningFamily,
    OpeningLevel,
    State,
)
from fitsolver.readings.reading_entry import (
    AngleEntry,
    AngleReading,
    AnyEntry,
    Entry,
    FileModel,
    LeanEntry,
    PlaceEntry,
    ReadingEntry,
    in_range,
)
from fitsolver.seats.claw_entry import ClawEntry

Point = Annotated[Many[Number], Field(min_length=2, max_length=2)]
"""One traced point: x and y."""


def _form(key: str, rules: Key) -> tuple[Any, Any]:
    """Type and default of a key's entry in the file."""
    if rules.form == "places":
        entry: Any = type(key, (PlaceEntry,), {"key": key, "__module__": __name__})
        return Many[entry], ()
    if rules.form in _FORMS:
        return _FORMS[rules.form]
    return (Millimetres | None if rules.unit == "mm" else Number | None), None


_FORMS: dict[str, tuple[Any, Any]] = {
    "reading": (ReadingEntry | None, None),
    "angle": (AngleReading | None, None),
    "leans": (Many[LeanEntry], ()),
    "arcs": (Many[Many[Number]], ()),
    "directions": (Many[Number], ()),
}
# What has no range of its own, in front of the key that it stands before in a file.
_OTHERS: dict[str, dict[str, tuple[Any, Any]]] = {
    "opening_length_mm": {
        "holds": (Holds | None, None),
        "state": (State | None, None),
        "back": (Back | None, None),
        "flush": (bool, False),
        "make": (Make, "hand"),
        "irregularity_mm": _form("irregularity_mm", KEYS["irregularity_mm"]),
        "opening_family": (OpeningFamily | None, None),
        "opening_level": (OpeningLevel | None, None),
    },
    "opening_points_u_mm": {
        "opening_points_mm": (Many[Point], ()),
        "opening_points_file": (str | None, None),
    },
    "claw_thickness_mm": {"claws": (Many[ClawEntry], ())},
}


def _fields() -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for key, rules in KEYS.items():
        fields |= _OTHERS.get(key, {})
        if key not in TOP_LEVEL and rules.form != "direction":
            fields[key] = _form(key, rules)
    return fields


class _Seat(FileModel):
    """What the table [seat] checks and answers; its fields come from the table of keys."""

    if TYPE_CHECKING:

        def __getattr__(self, key: str) -> Any: ...

    @field_validator("*")
    @classmethod
    def _within_the_table_of_keys(cls, value: Any, info: ValidationInfo) -> Any:
        key = info.field_name or ""
        if isinstance(value, Entry):
            in_range(key, value.checked_mm())
        elif isinstance(value, AngleEntry):
            in_range(key, value.read)
        elif isinstance(value, float):
            in_range(key, [value])
        elif key in KEYS and KEYS[key].form == "directions":
            in_range(key, value)
        elif key in KEYS and KEYS[key].form == "arcs":
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


if TYPE_CHECKING:

    class SeatTable(_Seat):
        """The table [seat]. What is required depends on other keys, see `seat_fault`."""
else:
    SeatTable = create_model("SeatTable", __base__=_Seat, **_fields())
