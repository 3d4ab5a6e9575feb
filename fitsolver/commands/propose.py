"""`fitsolver propose`."""

from __future__ import annotations

from fitsolver.commands.answer import (
    Answer,
    code_of,
    columns,
    drawn,
    progress_bar,
    write_picture,
)
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Draw, File, Force, Json, Limit, Rank, Stuff


def propose(
    mounting: File = None,
    /,
    *,
    material: Stuff = "corundum",
    limit: Limit = None,
    rank: Rank = (),
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Propose the cuts and sizes that seat, best first, and say why others do not."""
    desk = Desk()
    ready, stuff = desk.bench(mounting), desk.material(material)
    desk.limit(limit)
    order = desk.ranking(rank, ready)
    desk.picture(draw, force=force)
    desk.done()
    assert ready is not None
    assert stuff is not None
    assert order is not None

    from dataclasses import replace

    from fitsolver.crew import keep_memory, together
    from fitsolver.fitting import proposal

    ready = replace(ready, ranking=order)
    keep_memory()
    with progress_bar("Trying cuts") as progress:
        found = proposal.propose(
            ready,
            stuff,
            limit=proposal.LIMIT if limit is None else limit,
            progress=progress,
            crew=together,
        )
    code = code_of(item.verdict for item in found.proposals)
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
