"""`fitsolver compare`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import (
    ANSWERED,
    BAD_INPUT,
    DOES_NOT_SEAT,
    NOT_DECIDED,
    Answer,
    columns,
    progress_bar,
)
from fitsolver.commands.desk import PICTURES, Desk
from fitsolver.commands.words import File, Json

if TYPE_CHECKING:
    from fitsolver.fitting.bench import Bench
    from fitsolver.market.candidate import CandidateTable
    from fitsolver.market.comparison import Compared, Comparison

# So many sheets side by side can still be read.
SIDE_BY_SIDE = 6


def compare(
    mounting: File = None,
    candidates: Annotated[
        Path | None,
        Parameter(
            help="Table of the stones found (required): CSV with the columns cut, material, "
            "length_mm, width_mm, depth_mm and any other reading by its name; make, mass_ct, price "
            "or price_per_ct, seen, stated_nature, stated_treatment, stated_origin, stated_by, "
            "measured_with; stone, number, name or lot for what it is called. Repeats of a reading "
            "in one cell: 6.51/6.49. Plain words (length, width, depth, carat) are understood too. "
            "Parted by , or ; (then with decimal commas)."
        ),
    ] = None,
    /,
    *,
    cut: Annotated[
        str | None, Parameter(help="Cut where the table does not say.", metavar="NAME")
    ] = None,
    material: Annotated[
        str | None,
        Parameter(
            help="Material where the table does not say; corundum (marked ~) if not given.",
            metavar="NAME",
        ),
    ] = None,
    limit: Annotated[
        int, Parameter(help="How many stones to show and draw, the best first; 20 if not given.")
    ] = 20,
    output: Annotated[
        Path | None,
        Parameter(name=("--output", "-o"), metavar="FILE",
                  help="Write the table with its results behind every row, as CSV."),
    ] = None,
    draw: Annotated[
        Path | None,
        Parameter(
            metavar="FILE-or-FOLDER",
            help="Draw the stones: side by side into a file, .svg or .png, the best "
            f"{SIDE_BY_SIDE}; or each into a folder, as row-003.svg.",
        ),
    ] = None,
    force: Annotated[
        bool, Parameter(help="Let --output and --draw overwrite files.", negative=())
    ] = False,
    json: Json = False,
) -> Answer:  # fmt: skip
    """Compare stones that were found for a mounting: seat, price, mass and alteration."""
    desk = Desk()
    if not 1 <= limit <= 1000:
        desk.refuse("--limit", limit, "must be 1 to 1000", "Say how many stones to show")
    ready = desk.bench(mounting)
    if cut is not None:
        desk.style(cut)
    if material is not None:
        desk.material(material)
    table = _table(desk, candidates, cut, material)
    if output is not None:
        desk.writable("--output", output, force=force)
    if draw is not None:
        _drawable(desk, draw, table, force)
    desk.done()
    assert ready is not None
    assert table is not None

    from fitsolver.crew import keep_memory
    from fitsolver.market.comparison import ceiling_of
    from fitsolver.market.comparison import compare as compared

    keep_memory()
    with progress_bar("Judging") as progress:
        found = compared(
            ready, table.candidates, ceiling=ceiling_of(ready), progress=progress
        )  # fmt: skip
    said = []
    if draw is not None:
        said.append(_draw(ready, found, draw, limit, force))
    if output is not None:
        _write(found, table, output, force)
        said.append(f"Table: {output}")

    from fitsolver.telling.compare_report import comparison_text, table_remarks

    aside = "\n".join(text for text in (*said, table_remarks(table, columns())) if text)
    code = BAD_INPUT if table.bad_rows else _code(found)
    if json:
        from fitsolver.telling.compare_record import comparison_record
        from fitsolver.telling.record import as_json

        return Answer(text=as_json(comparison_record(found, table)), code=code, aside=aside)
    return Answer(text=comparison_text(found, most=limit, width=columns()), code=code, aside=aside)


def _table(
    desk: Desk, path: Path | None, cut: str | None, material: str | None
) -> CandidateTable | None:
    if path is None:
        desk.refuse("CANDIDATES", None, "is missing", "Give the table of the stones found, as CSV")
        return None
    with desk.noting(str(path)):
        from fitsolver.market.candidate import read_candidates

        return read_candidates(path, cut_name=cut, material_name=material)
    return None


def _code(found: Comparison) -> int:
    """Whether any stone seats; else whether any may."""
    if found.count("seats") or found.count("seats after alteration"):
        return ANSWERED
    return NOT_DECIDED if found.count("not decided") else DOES_NOT_SEAT


def _file_of(folder: Path, row: int) -> Path:
    return folder / f"row-{row:03d}.svg"


def _drawable(desk: Desk, target: Path, table: CandidateTable | None, force: bool) -> None:
    """Refuse drawings that could not be written, before the work and not after it."""
    if target.suffix.lower() in PICTURES:
        desk.writable("--draw", target, force=force)
    elif target.suffix and not target.is_dir():
        desk.picture(target, force=force)
    elif not target.exists() and target.parent.is_dir():
        return
    elif not target.is_dir():
        rule = "is no folder" if target.exists() else "cannot be written"
        desk.refuse("--draw", str(target), rule, "Name a folder, or a file .svg or .png")
    else:
        for candidate in () if table is None else table.candidates:
            if (file := _file_of(target, candidate.row)).exists() and not force:
                desk.writable("--draw", file, force=force)
                return


def _draw(ready: Bench, found: Comparison, target: Path, limit: int, force: bool) -> str:
    """Draw the best stones that were judged in full; say where they are."""
    from fitsolver.drawings.drawing import drawing_of, write_drawing
    from fitsolver.drawings.side_by_side import side_by_side

    every = [stone for stone in found.stones if stone.check is not None]
    if not every:
        return "No drawing: no stone was judged."
    if target.suffix.lower() in PICTURES:
        shown = every[: min(limit, SIDE_BY_SIDE)]
        drawn = [
            (f"{stone.rank}  {stone.candidate.name}", stone.check, stone.candidate.heights_mm)
            for stone in shown
            if stone.check is not None
        ]
        write_drawing(side_by_side(ready, drawn), target, overwrite=force)
        return f"Drawing: {target}{_of(shown, found)}"
    target.mkdir(exist_ok=True)
    shown = every[:limit]
    for stone in shown:
        assert stone.check is not None
        sheet = drawing_of(ready, stone.check, measured=stone.candidate.heights_mm)
        write_drawing(sheet, _file_of(target, stone.candidate.row), overwrite=force)
    return f"Drawings: {target}{os.sep}row-NNN.svg{_of(shown, found)}"


def _of(shown: list[Compared], found: Comparison) -> str:
    total = len(found.stones)
    return "" if len(shown) == total else f" (the best {len(shown)} of {total:,})"


def _write(found: Comparison, table: CandidateTable, output: Path, force: bool) -> None:
    import csv

    from fitsolver.files.datafile import new_file
    from fitsolver.telling.compare_record import result_rows

    with new_file(output, overwrite=force) as file:
        writer = csv.writer(file, delimiter=table.delimiter, lineterminator="\n")
        writer.writerows(result_rows(found, table))
