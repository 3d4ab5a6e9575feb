"""`fitsolver card`."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import Answer, code_of
from fitsolver.commands.desk import Desk
from fitsolver.commands.search import search
from fitsolver.commands.words import File, Json, Limit, Rank, Stuff


def card(
    mounting: File = None,
    /,
    *,
    output: Annotated[
        Path | None,
        Parameter(
            name=("--output", "-o"), help="File of the card (required).", metavar="FILE.html"
        ),
    ] = None,
    material: Stuff = None,
    limit: Limit = None,
    rank: Rank = (),
    force: Annotated[bool, Parameter(help="Let --output overwrite a file.", negative=())] = False,
    json: Json = False,
) -> Answer:
    """Write a card for the dealer's table: spec, drawing and a calculator, without a network."""
    desk = Desk()
    asked = search(desk, mounting, material=material, limit=limit, rank=rank)
    if output is None:
        desk.refuse("--output", None, "is missing", "Name the card, as -o card.html")
    elif output.suffix.lower() not in (".html", ".htm"):
        desk.refuse("--output", str(output), "is no kind of card", "End the name in .html")
    else:
        desk.writable("--output", output, force=force)
    desk.done()
    assert asked is not None
    assert output is not None
    found = asked.spec(datetime.date.today())

    from fitsolver.crew import together
    from fitsolver.files.datafile import write_text
    from fitsolver.pocket.card import card_html, known_cuts

    page = card_html(found, asked.ready, asked.stuff, crew=together)
    write_text(output, page, overwrite=force)
    names = known_cuts(found)
    code = code_of(item.verdict for item in found.wanted)
    size = -(-len(page.encode()) // 1000)
    if json:
        from fitsolver.telling.record import as_json

        record = {"card": str(output), "kilobytes": size, "verdict": found.verdict, "cuts": names}
        return Answer(text=as_json(record), code=code)
    return Answer(text=f"Card: {output}\nIt judges these cuts: {', '.join(names)}.", code=code)
