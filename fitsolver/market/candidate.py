"""Stones that were found for a mounting: a table of them, read row by row.

Readings have the names of `weigh --list`; further columns say what is asked for a stone, what was
seen of it and what somebody states of it. What is stated is kept as stated, with who states it:
nothing here confirms it. A row with a fault is left out, with every fault of it; the others stand.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from statistics import fmean
from typing import TypeVar

from msgspec import Struct

from fitsolver.errors import Fault, FitsolverError, InputFaults, explain
from fitsolver.files.document import file_fault
from fitsolver.fitting.sizes import HEIGHTS
from fitsolver.fitting.solver import refuse_strange
from fitsolver.readings.instrument import instrument
from fitsolver.readings.reading import direct
from fitsolver.readings.reading_entry import WIDEST_SPREAD_MM
from fitsolver.stones.cut import CutStyle, cut
from fitsolver.stones.material import Material, material
from fitsolver.units import parse_length_mm, why_not
from fitsolver.weighing.evidence import LEAST, MOST, RANGES, Measured, evidence_of, readable
from fitsolver.weighing.stone_table import (
    ADDED,
    ALIASES,
    WORDS,
    like_a_reading,
    places_of,
    readings_of,
    table_of,
    text_of_list,
    title_of,
)
from fitsolver.weighing.weight import every_make

Found = TypeVar("Found")

NAMES = ("stone", "number", "name", "lot")
"""Columns that may say what a stone is called; the first of them that is there does."""

MONEY = ("price", "price_per_ct")
STATED = ("stated_nature", "stated_treatment", "stated_origin", "stated_by")
OTHERS = (*NAMES, "measured_with", *MONEY, "seen", *STATED)
"""Columns besides cut, material, make and readings."""

RESULTS = (
    "rank", "verdict", "probability", "probability_after_alteration", "binding", "alteration_mm",
    "weight_estimated_ct", "weight_estimated_low_ct", "weight_estimated_high_ct", "mass_agrees",
    "asked_per_ct", "ceiling_per_ct", "within_budget",
)  # fmt: skip
"""Columns that a table of results adds, in this order."""

ASSUMED = "corundum"
"""Material of a stone of which none is named, as everywhere; always told as assumed."""

MOST_ROWS = 10_000
_AMOUNT = re.compile(r"\d+(?:[.,]\d{1,2})?")
_GROUPED = re.compile(r"\d{1,3}(?:[  '’]\d{3})+(?=$|[.,]\d{1,2}$)")


class Statement(Struct, frozen=True, kw_only=True):
    """What is stated of a stone, in the words it was stated in, and by whom; empty where nothing.

    `nature` natural or synthetic, `treatment`, `origin`; `by` a report, a laboratory, a seller.
    """

    nature: str = ""
    treatment: str = ""
    origin: str = ""
    by: str = ""

    @property
    def says(self) -> tuple[tuple[str, str], ...]:
        """What is stated, as (of what, in which words)."""
        every = (
            ("nature", self.nature),
            ("treatment", self.treatment),
            ("origin", self.origin),
        )
        return tuple((what, text) for what, text in every if text)


class Candidate(Struct, frozen=True, kw_only=True):
    """One stone that could be bought.

    Attributes
    ----------
    row, line : int
        Its number among the stones of the table, from 1, and the line it begins on.
    name : str
        What it is called; its row where the table does not say.
    styles : tuple of CutStyle
        The cut in one make, or in every make where none is given.
    stuff, offered_as : Material, str
        Material, and the word under which the stone is offered; empty where the material is
        `ASSUMED` because nobody says.
    readings : mapping of str to tuple of float
        What was measured, by name, each once or several times; without the mass.
    mass_ct : float, optional
        Weighed [ct].
    instrument : str
        What took the lengths.
    price, price_per_ct : float, optional
        What is asked for the stone or for a carat of it, in the buyer's currency; not both.
    seen : str
        What was seen of it, in free words.
    stated : Statement
        What somebody states of it.

    """

    row: int
    line: int
    name: str
    styles: tuple[CutStyle, ...]
    stuff: Material
    offered_as: str
    readings: Mapping[str, tuple[float, ...]]
    mass_ct: float | None = None
    instrument: str = "caliper"
    price: float | None = None
    price_per_ct: float | None = None
    seen: str = ""
    stated: Statement = Statement()

    @property
    def style(self) -> CutStyle:
        """The cut, in its usual make or the one given."""
        return self.styles[0]

    @property
    def sizes_mm(self) -> tuple[float, float, float]:
        """Length, width and depth [mm], repeats averaged."""
        length, width, depth = (
            fmean(self.readings[name]) for name in ("length_mm", "width_mm", "depth_mm")
        )
        return length, width, depth

    @property
    def heights_mm(self) -> dict[str, float]:
        """What of crown, girdle and pavilion was read [mm], repeats averaged."""
        return {name: fmean(self.readings[name]) for name in HEIGHTS if name in self.readings}

    @property
    def repeated(self) -> tuple[str, ...]:
        """Names of the readings that were taken more than once."""
        return tuple(name for name, values in self.readings.items() if len(values) > 1)

    @property
    def u_mm(self) -> float | None:
        """Standard uncertainty [mm] of a length by its instrument; None for a caliper.

        A caliper's is an allowance, which a mounting may override.
        """
        return (
            None if self.instrument == "caliper" else direct(1.0, instrument=self.instrument).u_mm
        )

    def measured(self) -> dict[str, Measured]:
        """Return the readings as the weight takes them."""
        if self.instrument == "caliper":
            return dict(self.readings)
        return {
            name: direct(values, instrument=self.instrument)
            if name.endswith("_mm") and min(values) > 0
            else values
            for name, values in self.readings.items()
        }


class CandidateTable(Struct, frozen=True, kw_only=True):
    """A table of candidates: those that can be judged, and what is wrong with the others.

    `rows` are the cells of every row with its line; `delimiter` and `decimal` how it is written.
    """

    path: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    delimiter: str
    decimal: str
    candidates: tuple[Candidate, ...]
    faults: tuple[Fault, ...]
    bad_rows: int
    remarks: tuple[str, ...]


def read_candidates(
    path: Path | str, *, cut_name: str | None = None, material_name: str | None = None
) -> CandidateTable:
    """Read a table of stones that were found.

    Parameters
    ----------
    path : Path or str
        UTF-8, a line of column names, parted by commas or semicolons. `cut`, `material`,
        `length_mm`, `width_mm` (a round may have one of the two), `depth_mm`; `make`, any other
        reading by its name (`evidence.readable`), `mass_ct`, and the columns of `OTHERS`; plain
        words as in `stone_table.ALIASES`. Repeats of one reading stand in one cell, parted by a
        slash: 6.51/6.49.
    cut_name, material_name : str, optional
        What holds where the table has no such column or an empty cell; `ASSUMED` if no material
        is named at all.

    Returns
    -------
    CandidateTable

    Raises
    ------
    InputFaults
        If the file cannot be read as a table, or a column is missing, there twice, or looks like
        a size and is none that is known.

    """
    name = str(path)
    header, rows, delimiter = table_of(Path(path))
    encoding = text_of_list(Path(path))[1]
    read_as = () if encoding == "UTF-8" else (f"read as {encoding}, which it is written in",)
    given = {"cut": cut_name, "material": material_name, "make": None}
    places = _places(name, header, given)
    if len(rows) > MOST_ROWS:
        rule = f"holds {len(rows):,} stones, more than {MOST_ROWS:,}"
        raise file_fault(name, rule, "Leave out those that are plainly of another size")
    candidates: list[Candidate] = []
    faults: list[Fault] = []
    bad = 0
    for number, (at, cells) in enumerate(rows, start=1):
        reader = _Row(file=name, line=at, row=number, places=places, given=given)
        found = reader.read(cells, len(header))
        if found is None:
            bad += 1
        else:
            candidates.append(found)
        faults += reader.faults
    used = {
        sign
        for title, place in places.items()
        if title in MONEY or title.endswith(tuple(RANGES))
        for _, cells in rows
        for sign in ".,"
        if place < len(cells) and sign in cells[place]
    }
    return CandidateTable(
        path=name,
        header=tuple(header),
        rows=tuple((at, tuple(cells)) for at, cells in rows),
        delimiter=delimiter,
        decimal="," if delimiter == ";" and used != {"."} else ".",
        candidates=tuple(candidates),
        faults=tuple(faults),
        bad_rows=bad,
        remarks=(*read_as, *_unused(header, places)),
    )


def _places(name: str, header: Sequence[str], given: Mapping[str, str | None]) -> dict[str, int]:
    """Find the columns by their names; raise every fault of the names at once."""
    titles = [title_of(text) for text in header]
    faults: list[Fault] = []
    places: dict[str, int] = {}
    try:
        places = places_of(name, header, {**given, "material": given["material"] or ASSUMED})
    except InputFaults as error:
        faults += error.faults

    def refuse(key: str, rule: str, remedy: str) -> None:
        faults.append(
            Fault(file=name, line=1, key=f"column {key}", value=None, rule=rule, remedy=remedy)
        )

    if not faults and "depth_mm" not in titles:
        refuse("depth_mm", "is missing", "A seat is judged with the stone's depth: add it")
    for title in OTHERS:
        if titles.count(title) > 1:
            refuse(title, f"is there {titles.count(title)} times", "Keep one of them")
    for title in RESULTS:
        if title in titles:
            refuse(title, "is there already", "It is a column of results: rename or remove it")
    known = readings_of(titles)
    for title in titles:
        if title in {*known, *WORDS, *OTHERS, *RESULTS, *ADDED} or not _like_a_size(title, known):
            continue
        near = difflib.get_close_matches(title, {*known, *_SIZES}, n=1, cutoff=0.7)
        remedy = "Rename it to a size that is known, or remove it"
        if near:
            remedy = f"Perhaps {title_of(near[0])} is meant: call it so, or remove it"
        refuse(title, "looks like a size and is none that is known", remedy)
    if faults:
        raise InputFaults(faults)
    return places | {title: k for k, title in enumerate(titles) if title in OTHERS}


# Plain words of sizes; a column that nearly is one, or holds one, is no remark.
_SIZES = tuple(word for word, title in ALIASES.items() if title.endswith("_mm"))
_SIZE_WORDS = {*_SIZES, "height", "size", "sizes", "dimensions", "measurements"}


def _like_a_size(title: str, known: Iterable[str]) -> bool:
    lengths = [name for name in known if name.endswith("_mm")]
    near = difflib.get_close_matches(title, [*lengths, *_SIZES], n=1, cutoff=0.8)
    return bool(near) or like_a_reading(title) or bool(_SIZE_WORDS & set(title.split("_")))


def _unused(header: Sequence[str], places: Mapping[str, int]) -> Iterator[str]:
    """Name the columns that are ignored, with what may have been meant."""
    titles = [title_of(text) for text in header]
    known = (*readings_of(titles), *WORDS, *OTHERS)
    others = []
    for title in titles:
        if title and title not in places:
            near = difflib.get_close_matches(title, known, n=1, cutoff=0.8)
            if near:
                yield f"column {title} is ignored; perhaps {near[0]} is meant"
            else:
                others.append(title)
    if others:
        yield f"ignored: {'column' if len(others) == 1 else 'columns'} {', '.join(others)}"


class _Row:
    """Reads one row, and keeps every fault of it."""

    def __init__(
        self,
        *,
        file: str,
        line: int,
        row: int,
        places: Mapping[str, int],
        given: Mapping[str, str | None],
    ) -> None:
        self.file, self.line, self.row = file, line, row
        self.places, self.given = places, given
        self.faults: list[Fault] = []
        self.cells: Sequence[str] = ()

    def refuse(self, key: str, value: object, rule: str, remedy: str) -> None:
        self.faults.append(
            Fault(
                file=self.file, line=self.line, key=key or "row", value=value, rule=rule,
                remedy=remedy,
            )
        )  # fmt: skip

    def text(self, title: str) -> str:
        place = self.places.get(title)
        found = "" if place is None else " ".join(self.cells[place].split())
        return found or self.given.get(title) or ""

    def read(self, cells: Sequence[str], breadth: int) -> Candidate | None:
        """Return the stone of a row, None if anything is wrong with it."""
        if len(cells) != breadth:
            rule = f"has {len(cells)} cells, the line of column names {breadth}"
            remedy = "Write every cell, empty ones too; quote one that holds the delimiter"
            self.refuse("row", None, rule, remedy)
            return None
        self.cells = cells
        style = self._named("cut", self.text("cut"), cut)
        stuff = self._named("material", self.text("material") or ASSUMED, material)
        tool = self.text("measured_with") or "caliper"
        self._named("measured_with", tool, instrument)
        styles = None if style is None else self._makes(style, stuff)
        readings = self._readings(style)
        weighed = readings.get("mass_ct")
        price, per_ct = self._amount("price"), self._amount("price_per_ct")
        if price is not None and per_ct is not None:
            self.refuse(
                "price_per_ct", self.text("price_per_ct"), "stands beside a price",
                "Give one of them: the other follows from the weight",
            )  # fmt: skip
        if self.faults or style is None or stuff is None or styles is None:
            # Sizes are judged even where something else is wrong, so that all is told at once.
            self._each(style or cut("round-brilliant"), readings)
            return None
        found = Candidate(
            row=self.row,
            line=self.line,
            name=next((self.text(title) for title in NAMES if self.text(title)), f"row {self.row}"),
            styles=styles,
            stuff=stuff,
            offered_as=self.text("material"),
            readings={name: values for name, values in readings.items() if name != "mass_ct"},
            mass_ct=None if weighed is None else fmean(weighed),
            instrument=tool,
            price=price,
            price_per_ct=per_ct,
            seen=self.text("seen"),
            stated=Statement(
                **{title.removeprefix("stated_"): self.text(title) for title in STATED}
            ),
        )
        try:
            mass = {} if found.mass_ct is None else {"mass_ct": found.mass_ct}
            evidence_of(style, {**found.measured(), **mass})
            refuse_strange(style, *found.sizes_mm, found.heights_mm)
        except FitsolverError as error:
            self._each(style, readings)
            if not self.faults:
                self.refuse(*explain(error))
        return None if self.faults else found

    def _each(self, style: CutStyle, readings: Mapping[str, tuple[float, ...]]) -> None:
        """Judge each reading by itself, so that one fault does not hide the next."""
        for title, values in readings.items():
            if title in (LEAST, MOST):  # they go together
                continue
            size = {} if title in ("length_mm", "width_mm") else {"width_mm": 100.0}
            try:
                evidence_of(style, {**size, title: values})
            except FitsolverError as error:
                self.refuse(*explain(error))

    def _named(self, column: str, text: str, find: Callable[[str], Found]) -> Found | None:
        if not text:
            self.refuse(column, None, "is missing", f"Name the {column} of every stone")
            return None
        try:
            return find(text)
        except FitsolverError as error:
            self.refuse(column, *explain(error)[1:])
        return None

    def _makes(self, style: CutStyle, stuff: Material | None) -> tuple[CutStyle, ...] | None:
        make = "-".join(self.text("make").lower().split())
        if style.strung:
            rule = "hangs by a drilled hole and is not set"
            self.refuse("cut", style.name, rule, "Name the cut of a stone for a seat")
        if not make:
            return every_make(style, stuff)
        made = self._named("make", make, style.in_make)
        return None if made is None else (made,)

    def _readings(self, style: CutStyle | None) -> dict[str, tuple[float, ...]]:
        """Read what was measured."""
        found: dict[str, tuple[float, ...]] = {}
        judge = style or cut("round-brilliant")
        for title in self.places:
            text = self.text(title)
            if title in WORDS or title in OTHERS or not text:
                continue
            if title not in readable(judge):
                if style is not None:
                    rule = f"is not a reading of the cut {judge.name}"
                    self.refuse(title, text, rule, "Leave the cell empty")
                continue
            values = self._numbers(title, text)
            if values is None:
                continue
            found[title] = values
        if style is not None and style.family == "round":
            # A round has one diameter; readings along and across it may both be given.
            for one, other in (("length_mm", "width_mm"), ("width_mm", "length_mm")):
                if one in found and not self.text(other):
                    found[other] = found[one]
        for title, why in (
            ("length_mm", "Read it by caliper"),
            ("width_mm", "Read it by caliper"),
            ("depth_mm", "Without it nobody knows whether the culet touches"),
        ):
            if title not in found and not self.text(title):
                self.refuse(title, None, "is missing", why)
        return found

    def _numbers(self, title: str, text: str) -> tuple[float, ...] | None:
        values = []
        for part in text.split("/"):
            try:
                values.append(parse_length_mm(part))
            except ValueError as error:
                rule, remedy = why_not(part, error, in_mm=title.endswith("_mm"))
                if "/" in text:
                    remedy += "; a slash parts repeats, as 6.51/6.49"
                self.refuse(title, text, rule, remedy)
                return None
        if title.endswith("_mm") and max(values) - min(values) > WIDEST_SPREAD_MM:
            rule = f"holds repeats more than {WIDEST_SPREAD_MM:g} mm apart"
            remedy = "Repeats are one reading taken again; look for a slip of the decimal sign"
            self.refuse(title, text, rule, remedy)
            return None
        return tuple(values)

    def _amount(self, title: str) -> float | None:
        """Read an amount of money; three digits behind one sign could be either."""
        text = self.text(title)
        if not text:
            return None
        bare = text
        if _GROUPED.match(bare):
            bare = re.sub(r"[  '’]", "", bare)
        if not _AMOUNT.fullmatch(bare):
            rule = "is not a plain amount"
            remedy = "Write the number alone, as 1250 or 1250,50, in the currency of the budget"
            if re.fullmatch(r"\d{1,3}([.,]\d{3})+", bare):
                rule, remedy = "is ambiguous", f"Write {re.sub('[.,]', '', bare)} without a mark"
            self.refuse(title, text, rule, remedy)
            return None
        value = float(bare.replace(",", "."))
        if not 0 < value < math.inf:
            self.refuse(title, text, "must be more than 0", "Leave the cell empty if none is asked")
            return None
        return value
