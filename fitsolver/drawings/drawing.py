"""The drawing of a check: plan and sections of one stone in one seat, dimensioned, on one sheet.

It is made for a phone held upright and prints as well: everything to one scale, the plan above
the sections, what the letters mean below.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from fitsolver.drawings.figure import SHEET_PENS, TEXT_PENS, Board, Drawing, Role, wrapped, zigzag
from fitsolver.drawings.paint import write_drawing
from fitsolver.drawings.plan_view import empty_plan, plan
from fitsolver.drawings.section_view import Legend, empty_section, section
from fitsolver.drawings.set_stone import (
    EmptySeat,
    SetStone,
    claw_directions,
    empty_seat,
    section_directions,
    set_stone,
)
from fitsolver.drawings.style_drawing import cut_drawing, gallery, proposals_drawing, scale_bar
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.sizes import HEIGHTS
from fitsolver.fitting.solver import FLOORS, Check
from fitsolver.seats.belief import Belief
from fitsolver.seats.mounting import Mounting
from fitsolver.text.layout import per_cent

__all__ = [
    "cut_drawing",
    "drawing_of",
    "gallery",
    "proposals_drawing",
    "seat_drawing",
    "write_drawing",
]

# What a sheet leaves free at its sides, in pens.
EDGE = 10.0
# Room left and right of the metal for dimensions, in pens.
LANE = 70.0
_WIDE = SHEET_PENS - 2 * EDGE
# Where the two columns below the views begin, in pens.
_COLUMNS = EDGE, SHEET_PENS / 2 + 6


def drawing_of(
    bench: Bench,
    check: Check,
    *,
    measured: Collection[str] = (),
    wide: bool = False,
    reach_mm: float = 0.0,
    headed: bool = True,
) -> Drawing:
    """Draw one checked stone in its seat: plan, two sections, dimensions and verdict.

    Dimensions are those of the best estimate, in millimetres; those that hang on something nobody
    measured are marked with ~. `measured` names those heights of the stone that were read (of
    `sizes.HEIGHTS`); the others are shared out of its depth by its style. A `wide`
    sheet has the sections beside the plan; one that is not `headed` leaves name and verdict to
    the page it stands on. `reach_mm` is how far to the side the scale must leave room, if that is
    more than this stone and its metal need.
    """
    scene = set_stone(bench, check)
    pen = 2 * max(scene.reach, reach_mm) / (SHEET_PENS - 2 * LANE)
    key = Legend(
        assumed=scene.assumed | (set(HEIGHTS) - set(measured)),
        u={margin.name: margin.u_mm for margin in check.requirements},
        judged={
            margin.name: margin.margin_mm + margin.threshold_mm
            for margin in check.requirements
            if margin.name == "metal above girdle"
        },
    )
    sheet = Board(pen)
    head = Board(pen)
    facts = _head(head, bench, check)
    if headed:
        sheet.take(head.items)
    letters = "A", "B"
    top = sheet.low
    _place(sheet, plan(scene, letters, pen), "Plan from above, metal cut at the girdle")
    aside = Board(pen) if wide else sheet
    for letter, direction in zip(letters, section_directions(scene), strict=True):
        view = section(scene, direction, pen, key, first=letter == "A")
        _place(aside, view, f"Section {letter}–{letter}{_where(scene, direction)}")
    _foot(sheet, scene, key)
    if wide:
        sheet.take(aside.items, (SHEET_PENS * pen, top))
    dimensions = "; ".join(f"{row.name} {row.value}" for row in key.rows)
    return sheet.sheet(
        f"{bench.mounting.name}: {check.stone.form.style.title}",
        f"{' '.join(facts)} Dimensions: {dimensions}.",
        SHEET_PENS * (2 if wide else 1),
    )


def seat_drawing(known: Belief) -> Drawing:
    """Draw the best estimate of an empty seat: plan and one section, with what was read of it.

    Dimensions that hang on something nobody measured are marked with ~.
    """
    scene = empty_seat(known)
    pen = 2 * scene.reach / (SHEET_PENS - 2 * LANE)
    key = Legend(assumed=scene.assumed, u={})
    sheet = Board(pen)
    direction, _ = section_directions(scene)
    _place(sheet, empty_plan(scene, ("A", "B"), pen), "Plan from above")
    view = empty_section(scene, direction, pen, key)
    _place(sheet, view, f"Section A–A{_where(scene, direction)}")
    low = _dimension_rows(sheet, key, sheet.low - 18 * pen)
    scale_bar(sheet, EDGE * pen, low - 6 * pen)
    y = sheet.low - 12 * pen
    sheet.stroke([[EDGE * pen, y], [(SHEET_PENS - EDGE) * pen, y]], "frame")
    _line_key(sheet, scene, y - 12 * pen, ())
    dimensions = "; ".join(f"{row.name} {row.value}" for row in key.rows)
    return sheet.sheet(
        f"{known.mounting.name}: the empty seat",
        f"Plan and section. {_round_about(known.mounting)}Dimensions: {dimensions}.",
    )


def _round_about(mounting: Mounting) -> str:
    """Where claws stand and where the ledge is missing, for those who hear the drawing."""
    said = ""
    if mounting.holds == "claws":
        places = ", ".join(f"{angle:.0f}°" for angle in mounting.claw_directions_deg)
        said += f"Claws at {places}. "
    for start, stop in mounting.ledge_missing_deg:
        said += f"No ledge from {start:.0f}° to {stop:.0f}°. "
    return said


def _place(board: Board, view: Board, caption: str) -> None:
    """Hang a view and its caption under what a column has already."""
    pen = board.pen
    y = board.low - 14 * pen
    text = wrapped(caption, _WIDE, bold=True)
    board.label([EDGE * pen, y], text, bold=True, across="left", up="top")
    y = board.low - 6 * pen
    board.take(view.items, (SHEET_PENS / 2 * pen, y - float(view.corners()[1, 1])))


def _where(scene: EmptySeat, direction_rad: float) -> str:
    if scene.claws:
        cut = claw_directions(scene, direction_rad)
        if cut:
            word = "claw" if len(cut) == 1 else "claws"
            return f" through the {word} at " + " and ".join(f"{angle:.0f}°" for angle in cut)
    return " along the length" if abs(np.sin(direction_rad)) < 0.5 else " across the width"


def _head(board: Board, bench: Bench, check: Check) -> list[str]:
    """Write the title lines; return them as sentences."""
    pen = board.pen
    stone = check.stone
    size = f"{stone.length_mm:.2f} × {stone.width_mm:.2f} × {stone.depth_mm:.2f} mm"
    turned = f", turned {check.turn_deg:.0f}°" if round(check.turn_deg) else ""
    verdict = f"{check.verdict}: {per_cent(check.probability)}"
    if check.probability_after_alteration - check.probability >= 0.005:
        verdict += f", after alteration {per_cent(check.probability_after_alteration)}"
    binding = next(item for item in check.requirements if item.name == check.binding)
    closest = f"binding: {binding.name}, margin {binding.margin_mm:+.2f} ± {binding.u_mm:.2f} mm"
    if check.rests_on in FLOORS:
        closest = f"binding: {binding.name}, the stone falls through"
    lines = (
        (bench.mounting.name, 14.0, True),
        (f"{stone.form.style.title}, {size}{turned}", TEXT_PENS, False),
        (verdict[0].upper() + verdict[1:], 12.5, True),
        (closest, TEXT_PENS, False),
    )
    y = -8 * pen
    for text, height, bold in lines:
        shown = wrapped(text, _WIDE, height, bold=bold, most=2)
        label = board.label([EDGE * pen, y], shown, size=height, bold=bold, across="left", up="top")
        y = float(label.box(pen)[0, 1]) - 4 * pen
    return [f"{text[0].upper()}{text[1:]}." for text, _, _ in lines]


def _foot(board: Board, scene: SetStone, key: Legend) -> None:
    """Say what letters, lines and hatches mean, and give the scale."""
    pen = board.pen
    y = board.low - 14 * pen
    board.stroke([[EDGE * pen, y], [(SHEET_PENS - EDGE) * pen, y]], "frame")
    y -= 12 * pen
    y = _dimension_rows(board, key, y) - 4 * pen
    scale_bar(board, EDGE * pen, y)
    y -= 14 * pen
    note = "Best estimate of the seat; lengths in mm, ± their standard uncertainty."
    board.label([EDGE * pen, y], note, across="left", size=10)
    y -= 13 * pen
    board.stroke([[EDGE * pen, y], [(SHEET_PENS - EDGE) * pen, y]], "frame")
    y -= 13 * pen
    conflict = "metal to cut for the bearing" if not scene.cut else "stone and metal overlap"
    _line_key(board, scene, y, [("conflict", conflict)])


def _line_key(board: Board, scene: EmptySeat, y: float, more: Sequence[tuple[str, str]]) -> None:
    """Say in two columns what lines and hatches mean, from y down."""
    pen = board.pen
    entries: list[tuple[str, str]] = [("metal", "metal, cut"), *more]
    if scene.claws:
        entries.append(("opening", "opening as read"))
        entries.append(("beyond", "claw behind the section"))
    hidden = "notch" if scene.claws else "ledge edge"
    if scene.cut or scene.seats.gallery is not None:
        rail = scene.seats.gallery is not None
        words = [hidden] if scene.cut else []
        entries.append(("hidden", ", ".join(words + (["gallery rail"] if rail else []))))
    entries += [("datum", "axis; datum of heights"), ("break", "not measured beyond"),
                ("assumed", "~ assumed, not measured")]  # fmt: skip
    for k, (what, words_) in enumerate(entries):
        x, level = _COLUMNS[k % 2] * pen, y - (k // 2) * 15 * pen
        _swatch(board, x, level, what)
        board.label([x + 36 * pen, level], words_, across="left", size=10)


def _dimension_rows(board: Board, key: Legend, y: float) -> float:
    """Write in two columns what the letters mean, from y down; return where they end."""
    pen = board.pen
    half = (len(key.rows) + 1) // 2
    width = SHEET_PENS / 2 - EDGE - 3
    for k, row in enumerate(key.rows):
        x = _COLUMNS[k // half] * pen
        level = y - (k % half) * 15 * pen
        board.label([x, level], row.letter, bold=True, across="left", size=10)
        board.label([x + 11 * pen, level], row.name, across="left", size=10)
        end = min(x + width * pen, (SHEET_PENS - EDGE) * pen)
        board.label([end, level], row.value, across="right", size=10)
    return y - half * 15 * pen


def _swatch(board: Board, x: float, y: float, what: str) -> None:
    pen = board.pen
    box = np.array([[0, -5], [30, -5], [30, 5], [0, 5]]) * pen + (x, y)
    ends = np.array([[x, y], [x + 30 * pen, y]])
    if what in ("metal", "conflict"):
        board.area([box], "metal")
        board.hatch([box])
        if what == "conflict":
            board.hatch([box], within=box)
        board.stroke(box, "metal", closed=True)
    elif what == "assumed":
        board.stroke(ends, "metal", assumed=True)
    elif what == "break":
        board.stroke(zigzag(ends + np.array([[4 * pen], [-4 * pen]]) * (1, 0), 3.5 * pen), "break")
    else:
        role: Role = what  # type: ignore[assignment]
        board.stroke(ends, role)
