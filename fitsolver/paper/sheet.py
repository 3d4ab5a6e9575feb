"""The printed sheet: the size spec, drawings, the template at true scale and the bench's page."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from fitsolver.crew import Crew, ahead, alone
from fitsolver.files.datafile import write_bytes
from fitsolver.files.document import file_fault
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.sizes import nominal_stone
from fitsolver.market.spec import Spec, Wanted
from fitsolver.paper.bench_page import bench_page
from fitsolver.paper.leaf import leaves
from fitsolver.paper.spec_page import spec_page
from fitsolver.paper.template import TrueShape, TrueSize, correction, template
from fitsolver.paper.view_page import seating_chart, view_page
from fitsolver.text.layout import plain

NOTE = "An estimate, not a laboratory report"
# How many of the cuts asked for have outlines on the template.
SHAPES = 3


def sheet_bytes(
    spec: Spec,
    bench: Bench,
    *,
    paper: str = "a4",
    bar_measured_mm: float | None = None,
    crew: Crew = alone,
) -> bytes:
    """Return the sheet as the bytes of a PDF; the same spec gives the same bytes.

    Parameters
    ----------
    spec : Spec
        What to ask for; its date is printed.
    bench : Bench
        The mounting made ready, which the drawings need.
    paper : str
        "a4" or "letter".
    bar_measured_mm : float, optional
        What the template's 50 mm bar measured on an earlier print: the pages of the template are
        drawn 50 / that as large.

    Returns
    -------
    bytes

    Raises
    ------
    UnknownName
        For another paper.
    OutOfRange
        For a bar that measured less than 40 or more than 60 mm.

    """
    correction(bar_measured_mm)
    # The chart takes longest: another process can make it while the pages are laid out.
    chart = ahead(partial(seating_chart, spec, bench), crew)
    name = plain(spec.mounting.name)
    sheet = leaves(paper, f"{name}: size spec", head=name, date=spec.date.isoformat(), note=NOTE)
    spec_page(sheet, spec)
    view_page(sheet, spec, bench, chart)
    shapes = [_shape(spec, item) for item in spec.wanted[:SHAPES]]
    if shapes:
        template(sheet, shapes, bar_measured_mm)
    bench_page(sheet, spec)
    return sheet.finish()


def write_sheet(
    spec: Spec,
    bench: Bench,
    path: Path | str,
    *,
    paper: str = "a4",
    bar_measured_mm: float | None = None,
    overwrite: bool = False,
    crew: Crew = alone,
) -> Path:
    """Write the sheet as a PDF file, whole or not at all, and return its path.

    Raises as `sheet_bytes` does, and `InputFaults` for a name that does not end in .pdf, a file
    that exists when `overwrite` is not given, and a folder that cannot be written to.
    """
    target = Path(path)
    if target.suffix.lower() != ".pdf":
        rule = "is not the name of a PDF"
        raise file_fault(str(path), rule, "A sheet is written as .pdf: give such a name")
    if target.exists() and not overwrite:  # before the work, not after it
        rule, remedy = "exists already", "Choose another name or ask to overwrite it"
        raise file_fault(str(path), rule, remedy)
    content = sheet_bytes(spec, bench, paper=paper, bar_measured_mm=bar_measured_mm, crew=crew)
    return write_bytes(target, content, overwrite=overwrite)


def _shape(spec: Spec, item: Wanted) -> TrueShape:
    """The outlines of a cut: smallest, asked for, largest, and the largest after alteration."""
    stone = item.ask.stone
    if item.verdict == "not decided":
        sized = [("not decided", stone.length_mm, stone.width_mm)]
    else:
        length, width = item.length_mm, item.width_mm
        sized = [
            ("smallest", length.low, width.low),
            ("to ask for", stone.length_mm, stone.width_mm),
            ("largest", length.high, width.high),
        ]
        altered = item.after_alteration
        if altered is not None:
            sized.append(("largest, altered", altered[0].high, altered[1].high))
    share = stone.depth_mm / stone.width_mm
    return TrueShape(
        name=item.style.title,
        sizes=tuple(
            TrueSize(
                what=what,
                length_mm=length,
                width_mm=width,
                outline_mm=nominal_stone(item.style, length, width, share * width).outline_mm,
            )
            for what, length, width in sized
        ),
    )
