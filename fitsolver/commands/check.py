"""`fitsolver check`."""

from __future__ import annotations

from typing import Annotated

from fitsolver.commands.answer import CODES, Answer, columns, drawn, write_picture
from fitsolver.commands.desk import Desk
from fitsolver.commands.words import (
    Crown,
    Cut,
    Depth,
    Draw,
    File,
    Force,
    Girdle,
    Json,
    Length,
    Pavilion,
    Stuff,
    Width,
    words,
)


def check(
    mounting: File = None,
    /,
    *,
    cut: Cut = None,
    length: Length = None,
    width: Width = None,
    depth: Depth = None,
    material: Stuff = None,
    crown_height: Crown = None,
    girdle: Girdle = None,
    pavilion_depth: Pavilion = None,
    turn_deg: Annotated[
        str | None, words("Turn of the stone in the seat; the best is found if not given.", "DEG")
    ] = None,
    draw: Draw = None,
    force: Force = False,
    json: Json = False,
) -> Answer:
    """Judge one stone in a mounting: does it seat, how surely, what must the setter do."""
    desk = Desk()
    ready, style, stuff = desk.bench(mounting), desk.style(cut), desk.material(material)
    for option, text in (("--length", length), ("--width", width), ("--depth", depth)):
        if text is None:
            desk.refuse(option, None, "is missing", "Give it in mm, as read by caliper")
    heights = {
        "crown_height_mm": crown_height,
        "girdle_mm": girdle,
        "pavilion_depth_mm": pavilion_depth,
    }
    readings = desk.readings(
        style, {"length_mm": length, "width_mm": width, "depth_mm": depth, **heights}
    )
    turn = desk.number("--turn-deg", turn_deg) if turn_deg is not None else None
    desk.picture(draw, force=force)
    desk.done()
    assert ready is not None
    assert style is not None
    assert stuff is not None

    import math

    from fitsolver.fitting import solver
    from fitsolver.fitting.pose import pose_of
    from fitsolver.weighing.weight import every_make, weigh

    found = solver.check(
        ready,
        style,
        readings["length_mm"],
        readings["width_mm"],
        readings["depth_mm"],
        heights_mm={name: readings[name] for name in heights if name in readings},
        turn_rad=None if turn is None else math.radians(turn),
    )
    pose = pose_of(ready, found)
    weight = weigh(every_make(style, stuff), stuff, **readings)
    if draw is not None:
        from fitsolver.drawings.drawing import drawing_of

        write_picture(drawing_of(ready, found), draw, force)
    code = CODES[found.verdict]
    if json:
        from fitsolver.telling.record import as_json, check_record

        return Answer(
            text=as_json(check_record(found, weight, stuff, pose)), code=code, aside=drawn(draw)
        )
    from fitsolver.telling.report import check_text

    return Answer(
        text=check_text(found, weight, stuff, columns(), pose, material_given=material is not None),
        code=code,
        aside=drawn(draw),
    )
