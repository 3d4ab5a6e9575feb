"""`fitsolver propose`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import (
    ANSWERED,
    DOES_NOT_SEAT,
    NOT_DECIDED,
    Answer,
    columns,
    drawn,
    keep_memory,
    progress_bar,
    write_picture,
)
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Draw, File, Force, Json, Stuff


def propose(
    mounting: File = None,
    /,
    *,
    material: Stuff = "corundum",
    limit: Annotated[
        int | None,
        Parameter(help="How many cuts to work out in full; the best few if not given."),
    ] = None,
    rank: Annotated[
        tuple[str, ...],
        Parameter(
            help="How much a part counts in the order, as fill=0.4; may be repeated. Parts: "
            "probability, evenness, fill, period.",
            negative=(),
            metavar="NAME=WEIGHT",
        ),
    ] = (),
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Propose the cuts and sizes that seat, best first, and say why others do not."""
    desk = Desk()
    ready, stuff = desk.bench(mounting), desk.material(material)
    if limit is not None and not 1 <= limit <= 1000:
        desk.refuse("--limit", limit, "must be 1 to 1000", "Give the number of cuts to work out")
    order = desk.ranking(rank, ready)
    desk.picture(draw, force=force)
    desk.done()
    assert ready is not None
    assert stuff is not None
    assert order is not None

    from dataclasses import replace

    from fitsolver.fitting import proposal

    ready = replace(ready, ranking=order)
    keep_memory()
    with progress_bar("Trying cuts") as progress:
        found = proposal.propose(
            ready, stuff, limit=proposal.LIMIT if limit is None else limit, progress=progress
        )
    verdicts = {item.verdict for item in found.proposals}
    code = DOES_NOT_SEAT
    if verdicts & {"seats", "seats after alteration"}:
        code = ANSWERED
    elif verdicts:
        code = NOT_DECIDED
    aside = ""
    if draw is not None and found.proposals:
        from fitsolver.drawings.drawing import drawing_of

        write_picture(drawing_of(ready, found.proposals[0].ask), draw, force)
        aside = drawn(draw)
    elif draw is not None:
        aside = "No drawing: nothing seats."
    if json:
        from fitsolver.telling.record import as_json, proposals_record

        return Answer(text=as_json(proposals_record(found)), code=code, aside=aside)
    from fitsolver.telling.report import proposals_text

    return Answer(text=proposals_text(found, columns()), code=code, aside=aside)
