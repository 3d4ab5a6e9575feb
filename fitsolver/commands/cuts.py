"""`fitsolver cuts`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import Answer, columns, drawn, write_picture
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Draw, Force, Json


def cuts(
    name: Annotated[str | None, Parameter(help="The one to describe; all if not given.")] = None,
    /,
    *,
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """List the cut styles, or describe and draw one."""
    from fitsolver.stones.cut import cuts as every_cut

    desk = Desk()
    style = None if name is None else desk.style(name, "NAME")
    desk.picture(draw, force=force)
    desk.done()
    if draw is not None:
        from fitsolver.drawings.drawing import cut_drawing, gallery

        drawing = cut_drawing(style) if style is not None else gallery(every_cut(), columns=6)
        write_picture(drawing, draw, force)
    if json:
        from fitsolver.telling import record

        found = record.cut_record(style) if style else record.cuts_record(every_cut())
        return Answer(text=record.as_json(found), aside=drawn(draw))
    from fitsolver.telling.catalogue import cut_text, cuts_text

    text = cut_text(style, columns()) if style else cuts_text(every_cut(), columns())
    return Answer(text=text, aside=drawn(draw))
