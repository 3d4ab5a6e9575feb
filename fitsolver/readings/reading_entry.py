"""How a reading may be written in a file: a number, repeats, or a table that says how."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import fmean
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    field_validator,
    model_validator,
)

from fitsolver.files.datafile import STRICT, Many, Millimetres, Number, RuleError
from fitsolver.readings.angle import Angle, angle
from fitsolver.readings.instrument import Instrument, Measure
from fitsolver.readings.mounting_key import KEYS
from fitsolver.readings.reading import (
    LONGEST_MM,
    Level,
    Reading,
    difference,
    direct,
    outside_minus_metal,
    tried,
)

NOT_MEASURED = "not measured"
WIDEST_SPREAD_MM = 0.5
"""Repeats further apart [mm] are two different readings or a slip; common practice."""


CrossFault = tuple[str, object, str, str]
"""Key within its table, value, rule and remedy: of entries that do not go together."""


class FileModel(BaseModel):
    """Base of all tables of the file: nothing unknown, nothing converted, nothing changed later."""

    model_config = STRICT


def in_range(key: str, values: Iterable[float]) -> None:
    """Hold numbers against the table of keys; raises `RuleError` with the remedy of the key."""
    for value in values:
        if complaint := KEYS[key].complaint(value):
            raise RuleError(complaint, KEYS[key].remedy)


def _listed(value: Any) -> Any:
    """Let one number stand for a list of one."""
    return value if isinstance(value, list) else [value]


def _unmistaken(value: Any) -> Any:
    """Refuse [6, 5] and [6,52, 6,48]: without quotes every comma of a list parts two numbers."""
    if isinstance(value, list) and len(value) > 1 and all(isinstance(each, int) for each in value):
        pairs = list(zip(value[::2], value[1::2], strict=False))
        ways = []
        if len(value) % 2 == 0:
            points = ", ".join(f"{whole}.{part}" for whole, part in pairs)
            quoted = ", ".join(f'"{whole},{part}"' for whole, part in pairs)
            lists = (points, quoted) if len(pairs) == 1 else (f"[{points}]", f"[{quoted}]")
            meant = " and ".join(f"{whole},{part}" for whole, part in pairs)
            ways.append(f"for {meant} write {lists[0]}, or {lists[1]} in quotes")
        if len(value) % 2 or max(value) - min(value) <= 1:
            ways.append(f"for repeats write [{', '.join(f'{each}.0' for each in value)}]")
        raise RuleError(
            f"holds {len(value)} whole numbers: in a list a comma parts numbers, it is no decimal "
            "sign",
            "; ".join(ways),
        )
    return value


def _close(values: tuple[float, ...]) -> tuple[float, ...]:
    if max(values) - min(values) > WIDEST_SPREAD_MM:
        raise RuleError(
            f"holds repeats more than {WIDEST_SPREAD_MM:g} mm apart",
            "repeats are one reading taken again; look for a slip of the decimal sign",
        )
    return values


_Span = Annotated[Millimetres, Field(ge=0, le=LONGEST_MM)]
# Of several validators in front pydantic runs the last one first.
Repeats = Annotated[
    Many[Millimetres],
    Field(min_length=1),
    AfterValidator(_close),
    BeforeValidator(_listed),
    BeforeValidator(_unmistaken),
]
SpanRepeats = Annotated[
    Many[_Span],
    Field(min_length=1),
    AfterValidator(_close),
    BeforeValidator(_listed),
    BeforeValidator(_unmistaken),
]
Pieces = Annotated[Many[_Span], Field(min_length=1), BeforeValidator(_listed)]


class Entry(FileModel):
    """What every form of a reading may say besides its numbers."""

    tool: str | None = Field(default=None, alias="with")
    level: Level | None = None
    note: str = ""
    usual_tool: ClassVar[str | None] = None

    def checked_mm(self) -> Sequence[float]:
        """Return the lengths that the range of the key is for."""
        raise NotImplementedError

    def nominal_mm(self) -> float:
        """Return the length without corrections, for comparing keys with one another."""
        return round(fmean(self.checked_mm()), 6)

    def reading(
        self, tool: Instrument, measure: Measure, level: Level | None, bore_mm: float | None
    ) -> Reading:
        """Return the reading with its uncertainty."""
        raise NotImplementedError


class CaliperEntry(Entry):
    """What the forms have in common that are read off a scale."""

    half_width_mm: Millimetres | None = Field(default=None, ge=0, le=3)
    definition_mm: Millimetres = Field(default=0.0, ge=0, le=1)


class DirectEntry(CaliperEntry):
    """A length as the instrument shows it, once or several times."""

    read: Repeats

    def checked_mm(self) -> Sequence[float]:
        """Return every repeat."""
        return self.read

    def reading(
        self, tool: Instrument, measure: Measure, level: Level | None, bore_mm: float | None
    ) -> Reading:
        """Return the mean, for inside jaws corrected for their flats."""
        return direct(
            self.read,
            instrument=tool,
            measure=measure,
            level=level,
            half_width_mm=self.half_width_mm,
            definition_mm=self.definition_mm,
            bore_mm=bore_mm,
            note=self.note,
        )


class DifferenceEntry(CaliperEntry):
    """A height from two depths."""

    deep: SpanRepeats
    shallow: SpanRepeats

    @model_validator(mode="after")
    def _deeper(self) -> Self:
        if self.nominal_mm() <= 0:
            raise RuleError("must have deep larger than shallow", "swap the two, or read again")
        return self

    def checked_mm(self) -> Sequence[float]:
        """Return the difference."""
        return (fmean(self.deep) - fmean(self.shallow),)

    def reading(
        self, tool: Instrument, measure: Measure, level: Level | None, bore_mm: float | None
    ) -> Reading:
        """Return the difference; jaw flats play no part in it."""
        return difference(
            self.deep,
            self.shallow,
            instrument=tool,
            measure=measure,
            level=level,
            half_width_mm=self.half_width_mm,
            definition_mm=self.definition_mm,
            note=self.note,
        )


class OutsideEntry(CaliperEntry):
    """An opening as the span over the metal less the metal; one number of metal is both sides."""

    outside: SpanRepeats
    metal: Pieces

    @model_validator(mode="after")
    def _wider(self) -> Self:
        if self.nominal_mm() <= 0:
            raise RuleError(
                "leaves no opening between the metal",
                "outside is the whole span, metal the thickness on one side",
            )
        return self

    def checked_mm(self) -> Sequence[float]:
        """Return what is left between the metal."""
        metal = 2 * self.metal[0] if len(self.metal) == 1 else sum(self.metal)
        return (fmean(self.outside) - metal,)

    def reading(
        self, tool: Instrument, measure: Measure, level: Level | None, bore_mm: float | None
    ) -> Reading:
        """Return the span less the metal, all of it read from outside."""
        return outside_minus_metal(
            self.outside,
            self.metal[0] if len(self.metal) == 1 else self.metal,
            instrument=tool,
            level=level,
            half_width_mm=self.half_width_mm,
            definition_mm=self.definition_mm,
            note=self.note,
        )


class TriedEntry(Entry):
    """An opening between the gauge that drops in and the next one that does not."""

    drops_in: _Span
    refuses: _Span
    usual_tool: ClassVar[str | None] = "gauge-plate"

    @model_validator(mode="after")
    def _larger(self) -> Self:
        if self.drops_in >= self.refuses:
            raise RuleError(
                "must have drops_in smaller than refuses",
                "give the largest gauge that drops in and the next one that does not",
            )
        return self

    def checked_mm(self) -> Sequence[float]:
        """Return both gauges."""
        return (self.drops_in, self.refuses)

    def reading(
        self, tool: Instrument, measure: Measure, level: Level | None, bore_mm: float | None
    ) -> Reading:
        """Return the middle of the two gauges."""
        return tried(self.drops_in, self.refuses, instrument=tool, level=level, note=self.note)


class AngleEntry(FileModel):
    """An angle: a number, repeats, or a table that says how sure it is."""

    read: Annotated[
        Many[Number], Field(min_length=1), BeforeValidator(_listed), BeforeValidator(_unmistaken)
    ]
    half_width_deg: Number | None = Field(default=None, ge=0, le=30)
    tool: Literal["eye", "protractor", "microscope"] = Field(default="protractor", alias="with")
    note: str = ""

    def angle(self) -> Angle:
        """Return the angle with its uncertainty."""
        return angle(self.read, half_width_deg=self.half_width_deg, tool=self.tool, note=self.note)


class UnmeasuredEntry(FileModel):
    """A reading left out on purpose."""


class PlaceEntry(DirectEntry):
    """A length read in one direction from the centre; `key`, set by the table, has its range."""

    at_deg: Number
    key: ClassVar[str]

    @field_validator("at_deg")
    @classmethod
    def _a_direction(cls, value: float) -> float:
        in_range("at_deg", [value])
        return value

    @field_validator("read")
    @classmethod
    def _a_length(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        in_range(cls.key, value)
        return value


class LeanEntry(FileModel):
    """The lean of the wall in one direction."""

    at_deg: Number
    lean_deg: Number

    @model_validator(mode="after")
    def _both_in_range(self) -> Self:
        in_range("at_deg", [self.at_deg])
        in_range("wall_leans_deg", [self.lean_deg])
        return self


def _as_table(value: Any) -> Any:
    """Bring the short spellings of a reading into the form of a table."""
    if isinstance(value, dict):
        return value
    if isinstance(value, str) and value.strip().lower() == NOT_MEASURED:
        return UnmeasuredEntry()
    return {"read": value}


def _form_of(value: Any) -> str:
    """Tell the forms of a reading apart by the keys that only one of them has.

    The brackets keep the tags, which are part of pydantic's locations, apart from keys.
    """
    if isinstance(value, UnmeasuredEntry):
        return "<unmeasured>"
    for form, keys in (
        ("<difference>", ("deep", "shallow")),
        ("<outside>", ("outside", "metal")),
        ("<tried>", ("drops_in", "refuses")),
    ):
        if any(key in value for key in keys):
            return form
    return "<direct>"


AngleReading = Annotated[
    AngleEntry,
    BeforeValidator(lambda value: value if isinstance(value, dict) else {"read": value}),
]
"""Angles: what was read, and how sure it is."""
AnyEntry = DirectEntry | DifferenceEntry | OutsideEntry | TriedEntry
ReadingEntry = Annotated[
    Annotated[DirectEntry, Tag("<direct>")]
    | Annotated[DifferenceEntry, Tag("<difference>")]
    | Annotated[OutsideEntry, Tag("<outside>")]
    | Annotated[TriedEntry, Tag("<tried>")]
    | Annotated[UnmeasuredEntry, Tag("<unmeasured>")],
    Discriminator(_form_of),
    BeforeValidator(_as_table),
]
