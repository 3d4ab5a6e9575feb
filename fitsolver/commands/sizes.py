"""`fitsolver sizes`."""

from __future__ import annotations

from fitsolver.commands.answer import (
    CODES,
    DOES_NOT_SEAT,
    Answer,
    columns,
    drawn,
    progress_bar,
    write_picture,
)
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Cut, Draw, File, Force, Json, Stuff


def sizes(
    mounting: File = None,
    /,
    *,
    cut: Cut = None,
    material: Stuff = None,
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Show every size of a cut that seats in a mounting: its seating range, and as a chart."""
    desk = Desk()
    ready, style, stuff = desk.bench(mounting), desk.style(cut), desk.material(material)
    desk.picture(draw, force=force)
    desk.done()
    assert ready is not None
    assert style is not None
    assert stuff is not None

    from fitsolver.crew import keep_memory, together
    from fitsolver.fitting.proposal import propose
    from fitsolver.fitting.region import region
    from fitsolver.market.aim import aim_all
    from fitsolver.telling import range_report

    keep_memory()
    with progress_bar("Judging sizes") as progress:
        found = propose(ready, stuff, styles=[style], limit=1, progress=progress)
        found, _ = aim_all(ready, found)
        proposed = found.proposals[0] if found.proposals else None
        every = None if proposed is None else region(ready, proposed, crew=together)
    aside = ""
    if draw is not None and every is not None:
        from fitsolver.drawings.range_chart import range_chart

        write_picture(range_chart(every), draw, force)
        aside = drawn(draw)
    elif draw is not None:
        aside = "No drawing: nothing seats."
    code = DOES_NOT_SEAT if proposed is None else CODES[proposed.verdict]
    if json:
        from fitsolver.telling.record import as_json

        return Answer(text=as_json(range_report.region_record(found, every)), code=code,
                      aside=aside)  # fmt: skip
    return Answer(text=range_report.region_text(found, every, columns()), code=code, aside=aside)
