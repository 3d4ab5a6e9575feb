"""The file form of a mounting: what may stand in `mounting.toml`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, ClassVar

from pydantic import Field, field_validator

from fitsolver.budgeting.budget_table import BudgetTable
from fitsolver.errors import OutOfRange, UnknownName, explain
from fitsolver.files.datafile import Millimetres, Number, nearest
from fitsolver.readings.instrument import INSTRUMENTS
from fitsolver.readings.mounting_key import CLAW_LENGTHS, KEYS, PLACES_MM, Finger
from fitsolver.readings.reading_entry import CrossFault, Entry, FileModel, ReadingEntry, in_range
from fitsolver.seats.ranking import PARTS, ranking
from fitsolver.seats.seat_fault import seat_faults
from fitsolver.seats.seat_table import SeatTable


class InstrumentTable(FileModel):
    """Figures of an instrument that differ from the known ones, or those of a new one."""

    permissible_error_mm: Millimetres | None = Field(default=None, ge=0, le=5)
    inside_extra_mm: Millimetres | None = Field(default=None, ge=0, le=5)
    depth_extra_mm: Millimetres | None = Field(default=None, ge=0, le=5)
    repeatability_mm: Millimetres | None = Field(default=None, ge=0, le=5)
    step_mm: Millimetres | None = Field(default=None, ge=0, le=5)
    jaw_flat_mm: Millimetres | None = Field(default=None, ge=0, le=5)
    source: str | None = None


class MountingFile(FileModel):
    """A whole mounting file."""

    compares_partly: ClassVar[bool] = True

    name: str = Field(default="", min_length=1)
    story: str = ""
    period: int | None = Field(
        default=None,
        ge=1000,
        le=2100,
        json_schema_extra={"remedy": "give the year, as 1890, or leave it out"},
    )
    finger_along: Finger = "width"
    finger_diameter_mm: ReadingEntry | None = None
    instruments: dict[str, InstrumentTable] = Field(default_factory=dict)
    seat: SeatTable = Field(default_factory=SeatTable)
    allowances: dict[str, Number] = Field(default_factory=dict)
    ranking: dict[str, Number] = Field(default_factory=dict)
    budget: BudgetTable | None = None

    @field_validator("finger_diameter_mm")
    @classmethod
    def _a_finger(cls, value: Any) -> Any:
        if isinstance(value, Entry):
            in_range("finger_diameter_mm", value.checked_mm())
        return value

    def cross_faults(self) -> Iterator[CrossFault]:
        """Yield what is missing and what does not go together: (key, value, rule, remedy)."""
        if not self.name:
            yield "name", None, "is missing", 'add a line such as name = "Cushion collet"'
        yield from self._instrument_faults()
        yield from self._ranking_faults()
        for key, value, rule, remedy in seat_faults(self.seat):
            yield f"seat.{key}", value, rule, remedy
        if self.budget is not None:
            for key, value, rule, remedy in self.budget.cross_faults():
                yield f"budget.{key}", value, rule, remedy

    def _ranking_faults(self) -> Iterator[CrossFault]:
        for name, value in self.ranking.items():
            try:
                ranking({name: value})
            except (UnknownName, OutOfRange) as error:
                _, _, rule, remedy = explain(error)
                yield f"ranking.{name}", value, rule, remedy
        if len(self.ranking) == len(PARTS) and not any(self.ranking.values()):
            yield (
                "ranking",
                None,
                "leaves no part that counts",
                f"give one of {', '.join(PARTS)} a weight above 0",
            )

    def _instrument_faults(self) -> Iterator[CrossFault]:
        for name, table in self.instruments.items():
            if name not in INSTRUMENTS and table.permissible_error_mm is None:
                yield (
                    f"instruments.{name}",
                    None,
                    "is a new instrument without permissible_error_mm",
                    f"add permissible_error_mm, or {nearest(name, INSTRUMENTS)}",
                )
        known = (*INSTRUMENTS, *self.instruments)
        for key, _, entry in self.named_entries():
            if entry.tool is not None and entry.tool not in known:
                yield (
                    f"{key}.with",
                    entry.tool,
                    "is not a known instrument",
                    f"{nearest(entry.tool, known)}; or describe it under [instruments]",
                )

    def named_entries(self) -> Iterator[tuple[str, str, Entry]]:
        """Yield every reading of the file: its dotted key, its name in the table of keys."""
        if isinstance(self.finger_diameter_mm, Entry):
            yield "finger_diameter_mm", "finger_diameter_mm", self.finger_diameter_mm
        for key in KEYS:
            if isinstance(entry := getattr(self.seat, key, None), Entry):
                yield f"seat.{key}", key, entry
        for key in PLACES_MM:
            for index, place in enumerate(getattr(self.seat, key)):
                yield f"seat.{key}[{index}]", key, place
        for index, claw in enumerate(self.seat.claws):
            for name, entry in claw.lengths().items():
                yield f"seat.claws[{index}].{name}", CLAW_LENGTHS[name], entry
