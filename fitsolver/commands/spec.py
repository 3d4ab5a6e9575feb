"""`fitsolver spec`."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from fitsolver.commands.answer import Answer, code_of, columns
from fitsolver.commands.desk import Desk
from fitsolver.commands.search import search
from fitsolver.commands.words import File, Json, Limit, Rank, Stuff, words

CHECK_BAR_MM = (40.0, 60.0)


def spec(
    mounting: File = None,
    /,
    *,
    material: Stuff = None,
    limit: Limit = None,
    rank: Rank = (),
    date: Annotated[
        str | None,
        Parameter(help="Day written on the spec; today if not given.", metavar="YYYY-MM-DD"),
    ] = None,
    output: Annotated[
        Path | None,
        Parameter(
            name=("--output", "-o"),
            help="Write it as a sheet, a PDF, and say it in short.",
            metavar="FILE.pdf",
        ),
    ] = None,
    paper: Annotated[
        Literal["a4", "letter"] | None, Parameter(help="Paper of the sheet; a4 if not given.")
    ] = None,
    bar_measured: Annotated[
        str | None,
        words("What the 50 mm bar of a printed sheet measures: corrects a printer that scales."),
    ] = None,
    force: Annotated[bool, Parameter(help="Let --output overwrite a file.", negative=())] = False,
    json: Json = False,
) -> Answer:
    """Write the size spec: what to ask for, what to refuse, the price ceiling if budgeted."""
    desk = Desk()
    asked = search(desk, mounting, material=material, limit=limit, rank=rank)
    day = day_of(desk, date)
    bar_mm = None if bar_measured is None else desk.number("--bar-measured", bar_measured)
    if bar_mm is not None and not CHECK_BAR_MM[0] <= bar_mm <= CHECK_BAR_MM[1]:
        low, high = CHECK_BAR_MM
        rule = f"must be {low:g} to {high:g} mm"
        desk.refuse("--bar-measured", bar_mm, rule, "Measure the bar marked 50 mm on the sheet")
    if output is None:
        for option, value in (("--paper", paper), ("--bar-measured", bar_measured)):
            if value is not None:
                desk.refuse(option, value, "is of the sheet only", "Add -o FILE.pdf")
    elif output.suffix.lower() != ".pdf":
        desk.refuse("--output", str(output), "is no kind of sheet", "End the name in .pdf")
    else:
        desk.writable("--output", output, force=force)
    desk.done()
    assert asked is not None
    assert day is not None
    found = asked.spec(day)
    aside = ""
    if output is not None:
        from fitsolver.crew import together
        from fitsolver.paper.sheet import write_sheet

        write_sheet(
            found,
            asked.ready,
            output,
            paper=paper or "a4",
            bar_measured_mm=bar_mm,
            overwrite=force,
            crew=together,
        )
        aside = f"Sheet: {output}"
    code = code_of(item.verdict for item in found.wanted)
    if json:
        from fitsolver.telling.record import as_json
        from fitsolver.telling.spec_record import spec_record

        return Answer(text=as_json(spec_record(found)), code=code, aside=aside)
    from fitsolver.telling.spec_report import spec_text, written_text

    text = spec_text(found, columns()) if output is None else written_text(found)
    return Answer(text=text, code=code, aside=aside)


def day_of(desk: Desk, text: str | None) -> datetime.date | None:
    """Read a day, today if none is given."""
    if text is None:
        return datetime.date.today()
    try:
        return datetime.date.fromisoformat(text.strip())
    except ValueError:
        desk.refuse("--date", text, "is not a day", "Write it as 2024-05-02: year, month, day")
    return None
