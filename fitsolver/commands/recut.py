"""`fitsolver recut`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from fitsolver.commands.answer import ANSWERED, CODES, Answer, columns, progress_bar
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import Depth, Json, Length, Stuff, Width, words


def recut(
    *,
    from_: Annotated[
        str | None,
        Parameter(name="--from", help="Cut style of the stone now (required).", metavar="NAME"),
    ] = None,
    length: Length = None,
    width: Width = None,
    depth: Depth = None,
    to: Annotated[
        str | None, Parameter(help="Cut style it is to become (required).", metavar="NAME")
    ] = None,
    length_ratio: Annotated[
        str | None,
        words("Length over width of the new cut; its usual one if not given.", "RATIO"),
    ] = None,
    material: Stuff = None,
    free_heights: Annotated[
        bool,
        Parameter(
            help="Let crown, girdle and pavilion go anywhere within the limits of the style, for "
            "the heaviest stone; otherwise they keep its usual proportions.",
            negative=(),
        ),
    ] = False,
    into: Annotated[
        Path | None,
        Parameter(
            help="Find the heaviest stone of the sizes that seat in this mounting (heights free).",
            metavar="MOUNTING",
        ),
    ] = None,
    grind_mm: Annotated[
        str, words("What every old facet loses before a new one is clean; 0 if not given.")
    ] = "0",
    json: Json = False,
) -> Answer:  # fmt: skip
    """Find the largest stone of another cut inside a stone, and what it costs in weight."""
    desk = Desk()
    style, target = desk.style(from_, "--from"), desk.style(to, "--to")
    stuff = desk.material(material)
    for option, text in (("--length", length), ("--width", width), ("--depth", depth)):
        if text is None:
            desk.refuse(option, None, "is missing", "Give it in mm, as read by caliper")
    sizes = desk.readings(style, {"length_mm": length, "width_mm": width, "depth_mm": depth})
    grind = desk.number("--grind-mm", grind_mm)
    ratio = None if length_ratio is None else desk.number("--length-ratio", length_ratio)
    if into is not None and length_ratio is not None:
        rule = "does not go with --into"
        desk.refuse("--length-ratio", length_ratio, rule, "The mounting says what is asked for")
    ready = None if into is None else desk.bench(into)
    desk.done()
    assert style is not None
    assert target is not None
    assert stuff is not None
    assert grind is not None

    from fitsolver.recutting import reseat

    given = reseat.as_read(style, stuff, **sizes)
    if ready is None:
        found = reseat.recut_of(
            given, target, length_ratio=ratio, grind_mm=grind, free_heights=free_heights
        )
    else:
        with progress_bar("Working out what seats") as progress:
            found = reseat.recut_into(given, target, ready, grind_mm=grind, progress=progress)
    code = ANSWERED if found.verdict is None else CODES[found.verdict]
    if json:
        from fitsolver.telling.record import as_json, recut_record

        return Answer(text=as_json(recut_record(found)), code=code)
    from fitsolver.telling.stone_report import recut_text

    return Answer(text=recut_text(found, columns()), code=code)
