"""`fitsolver propose`."""

from __future__ import annotations

from fitsolver.commands.answer import Answer, code_of, columns, drawn, write_picture
from fitsolver.commands.desk import Desk
from fitsolver.commands.search import search
from fitsolver.commands.words import Draw, File, Force, Json, Limit, Rank, Stuff


def propose(
    mounting: File = None,
    /,
    *,
    material: Stuff = None,
    limit: Limit = None,
    rank: Rank = (),
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Propose the cuts and sizes that seat, best first, and say why others do not."""
    desk = Desk()
    asked = search(desk, mounting, material=material, limit=limit, rank=rank)
    desk.picture(draw, force=force)
    desk.done()
    assert asked is not None
    found = asked.proposals()

    from fitsolver.crew import together
    from fitsolver.market.aim import aim_all

    found, aims = aim_all(asked.ready, found, together)
    code = code_of(item.verdict for item in found.proposals)
    aside = ""
    if draw is not None and found.proposals:
        from fitsolver.drawings.drawing import drawing_of

        write_picture(drawing_of(asked.ready, found.proposals[0].ask), draw, force)
        aside = drawn(draw)
    elif draw is not None:
        aside = "No drawing: nothing seats."
    if json:
        from fitsolver.telling.record import as_json, proposals_record

        return Answer(text=as_json(proposals_record(found)), code=code, aside=aside)
    from fitsolver.market.aim import aim_words
    from fitsolver.telling.report import proposals_text

    why = aim_words(each.aim for each in aims)
    return Answer(text=proposals_text(found, columns(), aim=why), code=code, aside=aside)
