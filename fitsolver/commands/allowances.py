"""`fitsolver allowances`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import Answer, columns
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Json


def allowances(
    mounting: Annotated[
        Path | None,
        Parameter(help="File of a mounting, to see what it changes; the defaults if not given."),
    ] = None,
    /,
    *,
    json: Json = False,
) -> Answer:
    """List what bench practice asks for or permits: value, range, meaning and source."""
    from fitsolver.seats.allowance import allowances as in_force

    desk = Desk()
    ready = None if mounting is None else desk.bench(mounting)
    desk.done()
    found = in_force() if ready is None else ready.allowances
    name = "" if ready is None else ready.mounting.name
    if json:
        from fitsolver.telling.record import allowances_record, as_json

        return Answer(text=as_json(allowances_record(found, name)))
    from fitsolver.telling.catalogue import allowances_text

    return Answer(text=allowances_text(found, name, columns()))
