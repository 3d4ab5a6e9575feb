"""Traced points as text: a table of two columns, or lines of "x y", with decimals as written."""

from __future__ import annotations

import re
from pathlib import Path

from fitsolver.errors import Fault, InputFaults
from fitsolver.files.datafile import read_text
from fitsolver.units import parse_length_mm, why_not

MOST_FAULTS = 5
_LETTER = re.compile(r"[a-z]", re.IGNORECASE)
_QUOTED = re.compile(r'\s*"([^"]*)"\s*[,;\s]\s*"([^"]*)"\s*')
_UNIT = re.compile(r"[0-9]\s*(mm|cm|in|inch|inches|px|µm|um|m)\b|[\"'][\s,;]*$", re.IGNORECASE)


def load_points(path: Path) -> tuple[tuple[float, float], ...]:
    """Read traced points from a file of two columns, x_mm and y_mm.

    Raises `InputFaults` as `points_from` does, and for a file that cannot be read.
    """
    return points_from(read_text(path), name=str(path))


def points_from(text: str, *, name: str) -> tuple[tuple[float, float], ...]:
    """Read traced points from text, one a line: x and y, parted by ";", a blank or ",".

    A first line of column names may stand above; empty lines and lines that begin with # are
    passed over. Raises `InputFaults` with the first wrong lines.

    >>> points_from("x_mm;y_mm\\n1,5;2,25\\n", name="edge.csv")
    ((1.5, 2.25),)
    >>> points_from("1.5, 2.25", name="edge") == points_from("1,5 2,25", name="edge")
    True
    """
    points, faults = [], []
    lines = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.strip().startswith("#")
    ]
    for place, (number, line) in enumerate(lines):
        cells = _cells(line)
        if place == 0 and _LETTER.search(line) and not _UNIT.search(line):
            heads = [cell.lower() for cell in cells]
            if heads[:2] not in (["x_mm", "y_mm"], ["x", "y"]) or len(heads) != 2:
                rule = "must have two columns, x_mm and y_mm"
                faults.append(_fault(name, number, line, rule, "Name them so, or leave names out"))
            continue
        if len(cells) != 2:
            rule = f"has {len(cells)} number{'s' * (len(cells) != 1)}, and a point has two: x and y"
            remedy = "Write a decimal comma only where a semicolon or a blank parts x from y"
            faults.append(_fault(name, number, line, rule, remedy))
            continue
        try:
            x, y = (parse_length_mm(cell) for cell in cells)
        except ValueError as error:
            rule, remedy = why_not(line, error, in_mm=True)
            rule = re.sub(r"^'[^']*' ", "", rule)
            faults.append(_fault(name, number, line, rule, remedy))
            continue
        points.append((x, y))
    if not points and not faults:
        faults.append(
            _fault(name, None, None, "holds no points", "Write x and y, one point a line")
        )
    if len(faults) > MOST_FAULTS:
        more = len(faults) - MOST_FAULTS
        rule = f"has {more} more faulty line{'s' * (more > 1)}"
        faults = [*faults[:MOST_FAULTS], _fault(name, None, None, rule, "Correct these first")]
    if faults:
        raise InputFaults(faults)
    return tuple(points)


def _cells(line: str) -> list[str]:
    """Part a line at semicolons; without any, at blanks; without any, at commas."""
    if quoted := _QUOTED.fullmatch(line):
        return [quoted[1], quoted[2]]
    cells = [line]
    for mark in (";", None, ","):
        cells = [cell.strip().rstrip(",").strip() for cell in line.split(mark)]
        if len(cells) > 1:
            break
    return [cell for cell in cells if cell]


def _fault(name: str, line: int | None, value: str | None, rule: str, remedy: str) -> Fault:
    return Fault(file=name, line=line, key="point", value=value, rule=rule, remedy=remedy)
