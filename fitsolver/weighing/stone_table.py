"""A list of stones as a table: rows with their lines, columns by their names, cells as numbers."""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitsolver.errors import Fault, InputFaults
from fitsolver.files.document import file_fault
from fitsolver.files.encoding import NAMES, decoded
from fitsolver.stones.cut import cut, cuts
from fitsolver.units import parse_length_mm, why_not
from fitsolver.weighing.evidence import LEAST, MOST, RANGES, readable

if TYPE_CHECKING:
    from _csv import Reader

ADDED = ("weight_ct", "weight_u_ct", "weight_low_ct", "weight_high_ct")
"""Columns that are added, in this order."""

WORDS = ("cut", "material", "make")
"""Columns of names; `make` may be missing or empty, and is weighed up then."""

ALIASES = {
    "length": "length_mm",
    "width": "width_mm",
    "depth": "depth_mm",
    "diameter": "length_mm",
    "carat": "mass_ct",
    "carats": "mass_ct",
    "ct": "mass_ct",
    "weight": "mass_ct",
    "mass": "mass_ct",
    "per_ct": "price_per_ct",
    "per_carat": "price_per_ct",
    "price_per_carat": "price_per_ct",
    "nature": "stated_nature",
    "treatment": "stated_treatment",
    "origin": "stated_origin",
}
"""Plain words that people write over a column, and the column that is meant."""

MOST_BYTES = 20_000_000
"""Of a list that is taken into memory whole."""

BLOCK = 16_384
"""Rows in memory at a time."""

_NO_LETTERS = re.compile(r"[()\[\]]")
# What makes a spreadsheet take a cell for a formula; common practice in writing tables.
_STARTS = frozenset("=+-@\t\r")
_NUMBER = re.compile(r"[-+]?[\d.,' ]*\d[\d.,]*( ?[%a-zA-Z]{1,3})?|[-+]+")
# Letters of plain decimal numbers: no signs, powers or blanks.
PLAIN = frozenset("0123456789.")


def bytes_of(path: Path) -> int:
    """Count the bytes of a file that can be read as UTF-8 text; every one of them is looked at."""
    name, lines, count = str(path), 0, 0
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        if path.is_dir():
            raise file_fault(name, "is a folder", "Give the name of a file, such as stones.csv")
        if path.exists() and not path.is_file():
            raise file_fault(name, "is no file on a disk", "Save the list as a file first")
        with open(path, "rb") as file:
            while part := file.read(1 << 20):
                decoder.decode(part)
                lines += part.count(b"\n")
                count += len(part)
            decoder.decode(b"", final=True)
    except UnicodeDecodeError as error:
        line = lines + 1 + bytes(error.object).count(b"\n", 0, error.start)
        remedy = "Save the list as CSV UTF-8"
        raise file_fault(name, "is not UTF-8 text", remedy, line=line) from error
    except FileNotFoundError as error:
        near = difflib.get_close_matches(
            path.name, [each.name for each in path.parent.glob("*.csv")], n=1
        )
        remedy = f"Perhaps {path.parent / near[0]} is meant" if near else "Check name and folder"
        raise file_fault(name, "does not exist", remedy) from error
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise file_fault(name, f"cannot be read: {reason}", "Check its name and rights") from error
    if count == 0:
        raise file_fault(name, "is empty (0 bytes)", "Begin with a line of column names")
    return count


Row = tuple[int, list[str]]


def numbered(reader: Reader, name: str) -> Iterator[Row]:
    """Yield rows with the line they begin on."""
    line = reader.line_num + 1
    try:
        for cells in reader:
            yield line, cells
            line = reader.line_num + 1
    except csv.Error as error:
        rule = f"is not a table from here on: {error}"
        raise file_fault(name, rule, "Look for a stray quotation mark", line=line) from error


def text_of_list(path: Path) -> tuple[str, str]:
    """Return the text of a list and what its encoding is called; raises as `bytes_of` does.

    Besides UTF-8 it may be UTF-16 or Windows-1252, as spreadsheets save it.
    """
    try:
        bytes_of(path)
    except InputFaults:
        if not path.is_file() or not path.stat().st_size:
            raise
    try:
        with open(path, "rb") as file:
            content = file.read(MOST_BYTES + 1)
        text, encoding = decoded(content)
    except (UnicodeDecodeError, OSError):
        bytes_of(path)  # says on which line
        raise
    if len(content) > MOST_BYTES:
        raise file_fault(
            str(path), f"is larger than {MOST_BYTES:,} bytes", "Compare fewer stones at a time"
        )
    return text, NAMES[encoding]


def table_of(path: Path) -> tuple[list[str], list[Row], str]:
    """Read a table that fits into memory: column names, rows that are not empty, delimiter.

    The delimiter is the one of , and ; that is more frequent in the line of names.
    """
    with io.StringIO(text_of_list(path)[0], newline="") as file:
        line = file.readline()
        delimiter = ";" if line.count(";") > line.count(",") else ","
        file.seek(0)
        lines = numbered(csv.reader(file, delimiter=delimiter), str(path))
        header = next(lines, (0, []))[1]
        return header, [row for row in lines if any(cell.strip() for cell in row[1])], delimiter


def no_formulas(cells: Sequence[str]) -> Sequence[str]:
    """Return cells none of which a spreadsheet would run: an apostrophe stands before such text.

    >>> no_formulas(["=1+1", "-2,5", "ruby"])
    ["'=1+1", '-2,5', 'ruby']
    """
    if _STARTS.isdisjoint({cell[:1] for cell in cells}):
        return cells
    return [
        f"'{cell}" if cell[:1] in _STARTS and cell and not _NUMBER.fullmatch(cell) else cell
        for cell in cells
    ]


def blocks_of(rows: Iterator[Row]) -> Iterator[list[Row]]:
    """Yield rows in lists of at most `BLOCK`."""
    block: list[Row] = []
    for row in rows:
        block.append(row)
        if len(block) == BLOCK:
            yield block
            block = []
    if block:
        yield block


def places_of(name: str, header: Sequence[str], given: Mapping[str, str | None]) -> dict[str, int]:
    """Find the columns by their names; raise every fault of the names at once."""
    titles = [title_of(text) for text in header]
    faults: list[Fault] = []

    def refuse(key: str, rule: str, remedy: str) -> None:
        faults.append(
            Fault(file=name, line=1, key=f"column {key}", value=None, rule=rule, remedy=remedy)
        )

    ours = {*WORDS, *readings_of(titles)}
    for title in sorted({title for title in titles if title in ours}):
        if titles.count(title) > 1:
            refuse(title, f"is there {titles.count(title)} times", "Keep one of them")
    for title in ADDED:
        if title in titles:
            refuse(title, "is there already", "Rename it; a mass that was weighed is mass_ct")
    missing = [word for word in ("cut", "material") if word not in titles and given[word] is None]
    if not {"length_mm", "width_mm"} & set(titles):
        missing += ["length_mm"]
    for word in missing:
        near = difflib.get_close_matches(word, set(titles) - ours, n=1, cutoff=0.6)
        if near:
            remedy = f"Perhaps {near[0]} is meant: call it {word}"
        elif len(header) == 1:
            remedy = "Part the columns by , or by ; and name them in the first line"
        elif word in given:
            remedy = f"Add it, or give --{word} for all stones"
        else:
            remedy = "Add length_mm, width_mm or both"
        refuse(word, "is missing", remedy)
    if {LEAST, MOST} & set(titles) and not {LEAST, MOST} <= set(titles):
        refuse(LEAST if MOST in titles else MOST, "is missing", f"{LEAST} and {MOST} go together")
    if faults:
        raise InputFaults(faults)
    return {title: k for k, title in enumerate(titles) if title in ours}


def title_of(text: str) -> str:
    """Write the name of a column as readings are named, plain words as what they mean.

    >>> title_of("Table pct"), title_of("Depth"), title_of("length (mm)")
    ('table_pct', 'depth_mm', 'length_mm')
    """
    title = "_".join(_NO_LETTERS.sub(" ", text.lower()).split())
    return ALIASES.get(title, title)


def readings_of(titles: Sequence[str]) -> frozenset[str]:
    """Return the names of readings: of a round, or of every style if a column is like no such."""
    common = readable(cut("round-brilliant"))
    if all(title in common or not like_a_reading(title) for title in titles):
        return frozenset(common)
    return frozenset(name for style in cuts() for name in readable(style))


def like_a_reading(title: str) -> bool:
    """Say whether a column is named like a reading, by its unit."""
    return title.endswith(tuple(RANGES)) and title not in ADDED


def numbers_of(
    name: str, texts: Sequence[str]
) -> tuple[NDArray[np.float64], list[tuple[int, str, str]]]:
    """Read a column, NaN where a cell is empty, and say which cells are no numbers and why."""
    used = set("".join(texts))
    decimal = "," if "." not in used else "."
    if used <= PLAIN | {decimal}:
        plain = [text.replace(",", ".") for text in texts] if decimal == "," else texts
        try:
            return np.array([float(text) if text else math.nan for text in plain]), []
        except ValueError:
            pass
    values, wrong = np.full(len(texts), math.nan), []
    unit = next((unit for unit in RANGES if name.endswith(unit)), "")
    for row, text in enumerate(texts):
        if not text.strip():
            continue
        try:
            values[row] = parse_length_mm(text)
        except ValueError as error:
            wrong.append((row, *why_not(text, error, in_mm=unit == "_mm")))
    return values, wrong
