"""A parcel of stones in a file: read row by row, weighed in blocks, written with its weights.

The file is a table with a line of column names, parted by commas or by semicolons (then decimal
commas are read too). Only a block of rows is in memory at a time, so that its length does not
matter. A row that cannot be weighed keeps its place, its weights left empty.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TextIO

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from fitsolver.errors import Fault, FitsolverError, explain
from fitsolver.stones.cut import CutStyle, cut
from fitsolver.stones.material import Material, material
from fitsolver.weighing.evidence import LEAST, MOST, RANGES, SIZES, evidence_of, readable
from fitsolver.weighing.learned import Held, Learned, Weighed, held_by_cut
from fitsolver.weighing.stone_table import (
    ADDED,
    WORDS,
    Row,
    blocks_of,
    bytes_of,
    like_a_reading,
    no_formulas,
    numbered,
    numbers_of,
    places_of,
    readings_of,
    title_of,
)
from fitsolver.weighing.weight import REACH, every_make, handbook_ct, weigh_list

Array = NDArray[np.float64]
Progress = Callable[[int, int], None]

DECIMALS = 4

REPORTED = 1000
"""Faults told one by one; beyond that they are counted."""

REMARKED = 100
"""Remarks told one by one; beyond that they are counted."""


class Tally(Struct, frozen=True, kw_only=True):
    """What came of a parcel.

    `rows` and `weighed` count stones; `weight_ct` is the sum of what was weighed. `faults` are the
    cells that kept a row from being weighed, `remarks` what is unusual about others, each text
    with its line (None: the whole file); `bad_rows` and `remarked` count all of them, told or not.
    `held` says how estimates held on the stones whose mass is known (`masses`).
    """

    rows: int
    weighed: int
    weight_ct: float
    faults: tuple[Fault, ...]
    bad_rows: int
    remarks: tuple[tuple[int | None, str], ...]
    remarked: int
    masses: tuple[Weighed, ...] = ()

    @property
    def held(self) -> tuple[Held, ...]:
        """How estimate and interval held, by material and cut."""
        return held_by_cut(self.masses)


def weigh_parcel(
    path: Path | str,
    target: TextIO,
    *,
    cut_name: str | None = None,
    material_name: str | None = None,
    make: str | None = None,
    learned: Mapping[str, Learned] | None = None,
    progress: Progress | None = None,
) -> Tally:
    """Weigh every stone of a list and write the list anew with its weights.

    Parameters
    ----------
    path : Path or str
        A table with columns `cut`, `material`, `length_mm`, `width_mm`, `depth_mm` and any other
        reading by its name (`evidence.readable`), in UTF-8.
    target : text file
        Where the same rows go, with the columns of `ADDED` behind. Nothing is written before the
        column names are found sound.
    cut_name, material_name, make : str, optional
        What holds where the list has no such column or an empty cell.
    learned : mapping of str to Learned, optional
        What one's own stones say, by cut; the remarks say where it was used.
    progress : callable, optional
        Is told how many bytes are done, of how many.

    Returns
    -------
    Tally

    Raises
    ------
    InputFaults
        If the file cannot be read as a table, or a column is missing or there twice.

    """
    name = str(path)
    total = bytes_of(Path(path))
    with (
        open(path, "rb") as raw,
        io.TextIOWrapper(raw, encoding="utf-8-sig", newline="") as file,
    ):
        line = file.readline()
        delimiter = ";" if line.count(";") > line.count(",") else ","
        file.seek(0)
        reader = csv.reader(file, delimiter=delimiter)
        header = next(numbered(reader, name), (0, []))[1]
        given = {"cut": cut_name, "material": material_name, "make": make}
        parcel = _Parcel(
            name=name,
            places=places_of(name, header, given),
            breadth=len(header),
            given=given,
            commas=delimiter == ";",
            learned=learned or {},
        )
        parcel.remark_columns(header)
        writer = csv.writer(target, delimiter=delimiter, lineterminator="\n")
        writer.writerow([*no_formulas(header), *ADDED])
        for rows in blocks_of(numbered(reader, name)):
            weights = parcel.weigh(rows)
            writer.writerows(
                [*no_formulas(cells), *[""] * (len(header) - len(cells)), *added] if cells else []
                for (_, cells), added in zip(rows, weights, strict=True)
            )
            if progress is not None:
                progress(raw.tell(), total)
    return parcel.tally()


class _Parcel(Struct, kw_only=True):
    """The list while it is worked through: what was found so far."""

    name: str
    places: Mapping[str, int]
    breadth: int
    given: Mapping[str, str | None]
    commas: bool
    learned: Mapping[str, Learned]
    used: set[str] = field(default_factory=set)
    masses: list[Weighed] = field(default_factory=list)
    blocks: int = 0
    rows: int = 0
    weighed: int = 0
    weight_ct: float = 0.0
    faults: list[Fault] = field(default_factory=list)
    bad_rows: int = 0
    remarks: list[tuple[int | None, str]] = field(default_factory=list)
    remarked: int = 0

    def tally(self) -> Tally:
        return Tally(
            rows=self.rows,
            weighed=self.weighed,
            weight_ct=self.weight_ct,
            faults=tuple(sorted(self.faults, key=lambda fault: fault.line or 0)),
            bad_rows=self.bad_rows,
            remarks=tuple(sorted(self.remarks, key=lambda remark: remark[0] or 0)),
            remarked=self.remarked,
            masses=tuple(self.masses),
        )

    def remark_columns(self, header: Sequence[str]) -> None:
        """Remark columns that look like readings and are none: a slip would go unseen."""
        if "mass_ct" in self.places:
            self._remark(None, "mass_ct is held against the weight, which is from the size alone")
        titles = [title_of(text) for text in header]
        known = sorted(readings_of(titles))
        for title in titles:
            if title in self.places:
                continue
            bare = [f"{title}{unit}" for unit in RANGES if f"{title}{unit}" in known]
            # A bare "table" is more often a proportion than a length.
            bare.sort(key=lambda name: not name.endswith("_pct"))
            near = bare or difflib.get_close_matches(title, known, n=1, cutoff=0.8)
            if near or like_a_reading(title):
                hint = f"; perhaps {near[0]} is meant" if near else ""
                self._remark(None, f"column {title} is no reading and is not used{hint}")

    def weigh(self, rows: Sequence[Row]) -> list[tuple[str, ...]]:
        """Return the four cells to add to each row, empty where it cannot be weighed."""
        lines = [line for line, _ in rows]
        bad: dict[int, list[Fault]] = {}
        chosen: list[int] = []
        for k, (_, cells) in enumerate(rows):
            if len(cells) == self.breadth:
                if any(cells):
                    chosen.append(k)
            elif any(cells):
                rule = f"has {len(cells)} cells, the line of column names {self.breadth}"
                remedy = "Write every cell, empty ones too; quote one that holds the delimiter"
                bad[k] = [self._fault(lines[k], "row", None, rule, remedy)]
        kept = [rows[k][1] for k in chosen]
        self.rows += len(kept) + len(bad)
        names = [name for name in self.places if name not in WORDS]
        numbers = {}
        for name in names:
            place = self.places[name]
            numbers[name], wrong = numbers_of(name, [cells[place] for cells in kept])
            for row, rule, remedy in wrong:
                fault = self._fault(
                    lines[chosen[row]], name, kept[row][place].strip(), rule, remedy
                )
                bad.setdefault(chosen[row], []).append(fault)
        self._settle_decimals(kept, names)
        found = np.full((len(rows), 4), np.nan)
        for key, members in self._groups(kept).items():
            asked = np.array([row for row in members if chosen[row] not in bad], dtype=np.int64)
            found_in = self._group(key, asked, numbers, [lines[k] for k in chosen])
            for row in members:
                if chosen[row] in bad:
                    readings = {name: float(values[row]) for name, values in numbers.items()}
                    bad[chosen[row]] += self._cell_faults(key[0], lines[chosen[row]], readings)
            if isinstance(found_in, list):
                for row in members:
                    bad.setdefault(chosen[row], []).extend(
                        self._fault(lines[chosen[row]], *told) for told in found_in
                    )
            else:
                weights, wrong_rows = found_in
                found[np.array(chosen, dtype=np.int64)[asked]] = weights
                for row, faults in wrong_rows.items():
                    bad.setdefault(chosen[row], []).extend(faults)
        self._take(bad)
        whole = np.isfinite(found[:, 0])
        self.weighed += int(whole.sum())
        self.weight_ct += float(found[whole, 0].sum())
        return self._cells(found, whole)

    def _group(
        self,
        key: tuple[str, str, str],
        rows: NDArray[np.int64],
        numbers: Mapping[str, Array],
        lines: Sequence[int],
    ) -> tuple[Array, dict[int, list[Fault]]] | list[Told]:
        """Weigh stones of one cut, material and make: weights (n, 4) and the faults by row."""
        sort = _sort(*key)
        if isinstance(sort, list):
            return sort
        styles, stuff = sort
        bad: dict[int, list[Fault]] = {}
        columns: dict[str, Array] = {}
        known = readable(styles[0])
        mass = None
        for name, values in numbers.items():
            some = values[rows]
            if name == "mass_ct":
                mass = some
            elif name not in known:
                rule = f"is not a reading of the cut {styles[0].name}"
                for row in np.flatnonzero(np.isfinite(some)).tolist():
                    line, value = lines[rows[row]], float(some[row])
                    fault = self._fault(line, name, value, rule, "Leave the cell empty")
                    bad.setdefault(int(rows[row]), []).append(fault)
            elif name in ("length_mm", "width_mm") or np.isfinite(some).any():
                columns[name] = some
        ends = [columns.get(name, np.full(len(rows), np.nan)) for name in (LEAST, MOST)]
        if LEAST in columns or MOST in columns:
            columns |= dict(zip((LEAST, MOST), ends, strict=True))
        for row in np.flatnonzero(np.isnan(ends[0]) != np.isnan(ends[1])).tolist():
            absent = LEAST if np.isnan(ends[0][row]) else MOST
            fault = self._fault(
                lines[rows[row]], absent, None, "is missing", f"{LEAST} and {MOST} go together"
            )
            bad.setdefault(int(rows[row]), []).append(fault)
        weights = np.full((len(rows), 4), np.nan)
        if not len(rows):
            return weights, bad
        found = weigh_list(styles, stuff, columns)
        weights[:] = np.column_stack([found.weight_ct, found.u_ct, found.low_ct, found.high_ct])
        own = self.learned.get(styles[0].name)
        if own is not None:
            ct, u = own.applied(found.weight_ct, found.u_ct)
            factor = np.exp(REACH * u / ct)
            weights[:] = np.column_stack([ct, u, ct / factor, ct * factor])
            if styles[0].name not in self.used:
                self.used.add(styles[0].name)
                self._remark(None, own.told(styles[0].name))
        for row, reason in found.faults:
            readings = {name: float(values[row]) for name, values in columns.items()}
            told = self._row_faults(styles[0], lines[rows[row]], readings, reason)
            bad.setdefault(int(rows[row]), []).extend(told)
        for row in np.flatnonzero(~np.isfinite(weights).all(axis=1)).tolist():
            if int(rows[row]) not in bad:
                told = [self._fault(lines[rows[row]], "row", None, "gives no weight",
                                    "Check its readings")]  # fmt: skip
                bad[int(rows[row])] = told
        for row, text in found.warnings:
            if int(rows[row]) not in bad:
                self._remark(lines[rows[row]], text)
        if mass is not None:
            apart = np.flatnonzero((mass < weights[:, 2]) | (mass > weights[:, 3]))
            for row in apart.tolist():
                low, high = weights[row, 2:]
                self._remark(
                    lines[rows[row]],
                    f"mass_ct = {mass[row]:g} does not go with the size in {stuff.name}: that "
                    f"weighs {low:.3g} to {high:.3g} ct",
                )
        weights[[k for k, row in enumerate(rows.tolist()) if row in bad]] = np.nan
        if mass is not None:
            massed = np.flatnonzero((mass > 0) & np.isfinite(weights[:, 0]))
            if len(massed):
                sizes = {name: values[massed] for name, values in columns.items()}
                self.masses.append(
                    Weighed(
                        material=stuff.name,
                        cut=styles[0].name,
                        lines=np.array([lines[rows[k]] for k in massed], dtype=np.int64),
                        mass=mass[massed],
                        value=weights[massed, 0],
                        u=weights[massed, 1],
                        handbook=handbook_ct(styles[0], stuff, sizes, len(massed)),
                    )
                )
        return weights, bad

    def _row_faults(
        self, style: CutStyle, line: int, readings: Mapping[str, float], reason: str
    ) -> list[Fault]:
        """Ask for a row by itself which of its cells are at fault."""
        found = self._cell_faults(style.name, line, readings)
        if found or len(self.faults) >= REPORTED:
            return found or [self._fault(line, "row", None, reason, "Correct it")]
        taken = {name: value for name, value in readings.items() if math.isfinite(value)}
        try:
            evidence_of(style, taken)
        except FitsolverError as error:
            return [self._fault(line, *explain(error))]
        return [self._fault(line, "row", None, reason, "Correct it")]

    def _cell_faults(self, cut_name: str, line: int, readings: Mapping[str, float]) -> list[Fault]:
        """Judge each cell of a row by itself, so that one fault does not hide the next."""
        style = _style(cut_name)
        if isinstance(style, list) or len(self.faults) >= REPORTED:
            return []
        found = []
        for name, value in readings.items():
            if math.isnan(value) or name not in readable(style) or name in (LEAST, MOST):
                continue
            size = {} if name in SIZES[:2] else {"width_mm": 100.0}
            try:
                evidence_of(style, {**size, name: value})
            except FitsolverError as error:
                found.append(self._fault(line, *explain(error)))
        return found

    def _groups(self, rows: Sequence[Sequence[str]]) -> dict[tuple[str, str, str], list[int]]:
        """Rows of each cut, material and make."""
        found: dict[tuple[str, str, str], list[int]] = {}
        texts = []
        for word in WORDS:
            usual, place = self.given[word] or "", self.places.get(word)
            texts.append(
                [usual] * len(rows)
                if place is None
                else [cells[place].strip() or usual for cells in rows]
            )
        for row, key in enumerate(zip(*texts, strict=True)):
            found.setdefault(key, []).append(row)
        return found

    def _settle_decimals(self, rows: Sequence[Sequence[str]], names: Sequence[str]) -> None:
        """Write weights with a comma in a list parted by semicolons, unless it uses points."""
        self.blocks += 1
        if self.blocks == 1 and self.commas:
            signs = {
                sign
                for name in names
                for cells in rows
                for sign in ".,"
                if sign in cells[self.places[name]]
            }
            self.commas = signs != {"."}

    def _cells(self, weights: Array, whole: NDArray[np.bool_]) -> list[tuple[str, ...]]:
        # One format for the whole block: number by number takes as long as the weighing.
        text = (f"%.{DECIMALS}f " * weights.size) % tuple(weights.ravel().tolist())
        cells = iter((text.replace(".", ",") if self.commas else text).split())
        each = zip(cells, cells, cells, cells, strict=True)
        return [row if fine else ("",) * 4 for row, fine in zip(each, whole.tolist(), strict=True)]

    def _fault(self, line: int, key: str, value: object, rule: str, remedy: str) -> Fault:
        return Fault(
            file=self.name, line=line, key=key or "row", value=value, rule=rule, remedy=remedy
        )

    def _take(self, bad: Mapping[int, Sequence[Fault]]) -> None:
        self.bad_rows += len(bad)
        for _, faults in sorted(bad.items()):
            self.faults += faults[: max(REPORTED - len(self.faults), 0)]

    def _remark(self, line: int | None, text: str) -> None:
        self.remarked += 1
        if len(self.remarks) < REMARKED:
            self.remarks.append((line, text))


Told = tuple[str, object, str, str]
"""Key, value, rule and remedy of a fault."""


@lru_cache(maxsize=1024)
def _style(name: str) -> CutStyle | list[Told]:
    """Look up a cut; or what is wrong with its name."""
    if not name:
        return [("cut", None, "is missing", "Name the cut of every stone")]
    try:
        return cut("-".join(name.lower().replace("_", " ").split()))
    except FitsolverError as error:
        return [("cut", *explain(error)[1:])]


@lru_cache(maxsize=1024)
def _material(name: str) -> Material | list[Told]:
    """Look up a material; or what is wrong with its name."""
    if not name:
        return [("material", None, "is missing", "Name the material of every stone")]
    try:
        return material(name)
    except FitsolverError as error:
        return [("material", *explain(error)[1:])]


def _sort(
    cut_name: str, material_name: str, make: str
) -> tuple[tuple[CutStyle, ...], Material] | list[Told]:
    """Look up cut, material and make; or everything that is wrong with their names."""
    style, stuff = _style(cut_name), _material(material_name)
    if isinstance(style, list) or isinstance(stuff, list):
        return [told for each in (style, stuff) if isinstance(each, list) for told in each]
    if not make:
        return every_make(style, stuff), stuff
    try:
        return (style.in_make("-".join(make.lower().split())),), stuff
    except FitsolverError as error:
        return [("make", *explain(error)[1:])]
