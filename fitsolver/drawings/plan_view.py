"""The plan of a stone in its seat: from above, the metal cut at the girdle.

It shows the best estimate of the seat; what nobody measured is drawn in long dashes.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from fitsolver.drawings.figure import SHEET_PENS, Board, Label
from fitsolver.drawings.projection import contours, edges
from fitsolver.drawings.set_stone import EmptySeat, SetStone, claw_directions, section_directions
from fitsolver.seats.metal import ledge_arcs
from fitsolver.seats.seat import FACE_POINTS
from fitsolver.stones import outline

Array = NDArray[np.float64]

_SMALL = 10.5
# How far outside the metal the section marks stand, in pens.
_MARK = 24.0


def plan(scene: SetStone, letters: tuple[str, str], pen: float) -> Board:
    """Draw the seat and the stone from above, the metal cut at the girdle."""
    board = Board(pen)
    groups = _metal(board, scene)
    board.area([scene.outline], "stone")
    board.lines(scene.to_seat(edges(scene.stone, "above")), "facet")
    for line in contours(scene.stone):
        board.stroke(scene.to_seat(line), "facet", closed=True)
    for group in groups:
        board.hatch(group, within=scene.outline)
    _metal_lines(board, scene, groups)
    board.stroke(scene.outline, "stone", closed=True)
    _openings(board, scene)
    _axes(board, scene, letters)
    _gap_callouts(board, scene)
    return board


def empty_plan(scene: EmptySeat, letters: tuple[str, str], pen: float) -> Board:
    """Draw a seat without a stone from above, the metal cut at the datum plane."""
    board = Board(pen)
    _metal_lines(board, scene, _metal(board, scene))
    _openings(board, scene)
    _axes(board, scene, letters)
    _directions(board, scene)
    return board


def _directions(board: Board, scene: EmptySeat) -> None:
    """Write beside claws where they stand, and in each gap of the ledge from where to where.

    Claws that the section cuts are named over the section.
    """
    pen = board.pen
    if scene.claws:
        named = claw_directions(scene, section_directions(scene)[0])
        for body in scene.bodies:
            middle = body[FACE_POINTS // 2]
            angle = float(np.rad2deg(np.arctan2(middle[1], middle[0]))) % 360
            if any(abs(angle - each) < 1 for each in named):
                continue
            way = middle / float(np.hypot(*middle))
            # Half of the text lies between its middle and the metal.
            clear = (4 + 13 * abs(way[0]) + 7 * abs(way[1])) * pen
            at = way * (float((body @ way).max()) + clear)
            if abs(way[0]) < 0.2:  # beside the mark of the section across
                at = at + np.array([20.0 * pen, 0.0])
            board.label(at, f"{angle:.0f}°", size=_SMALL)
        return
    for start, stop in scene.seats.belief.mounting.ledge_missing_deg:
        middle = np.deg2rad(start + (stop - start) % 360 / 2)
        way = np.array([np.cos(middle), np.sin(middle)])
        edge = float((scene.face @ way).max())
        text = f"no ledge\n{start % 360:.0f}° to {stop % 360:.0f}°"
        board.label(way * (edge - 42 * pen * abs(way[0]) - 24 * pen * abs(way[1])), text,
                    size=_SMALL)  # fmt: skip


def _metal(board: Board, scene: EmptySeat) -> list[list[Array]]:
    """Fill and hatch the metal; return its rings, grouped by piece."""
    groups = [[body] for body in scene.bodies] if scene.claws else [scene.bodies]
    for group in groups:
        board.area(group, "metal")
        board.hatch(group)
    return groups


def _metal_lines(board: Board, scene: EmptySeat, groups: list[list[Array]]) -> None:
    thick = "claw_thickness_mm" if scene.claws else "wall_thickness_mm"
    for group in groups:
        if scene.claws:
            front, back = np.split(group[0], 2)
            board.stroke(front, "metal")
            board.stroke(np.vstack([front[-1:], back, front[:1]]), "metal",
                         assumed=thick in scene.assumed)  # fmt: skip
        else:
            board.stroke(group[1], "metal", closed=True)
            board.stroke(group[0], "metal", closed=True, assumed=thick in scene.assumed)


def _openings(board: Board, scene: EmptySeat) -> None:
    """Draw what lies at other heights: the opening as read, the ledge's edge, the gallery."""
    seats = scene.seats
    if scene.claws:
        board.stroke(_opening_figure(scene), "opening", closed=True)
    if seats.ledge_inner is not None:
        inner = seats.ledge_inner[0]
        if scene.claws:
            for k in range(0, len(inner), FACE_POINTS):
                part = slice(k, k + FACE_POINTS)
                line = np.vstack([seats.opening[0, k], inner[part],
                                  seats.opening[0, k + FACE_POINTS - 1]])  # fmt: skip
                board.stroke(line, "hidden")
        elif seats.ledge_after.all():
            board.stroke(inner, "hidden", closed=True)
        else:  # each arc that is left, with its two broken ends
            for run in ledge_arcs(seats):
                ends = seats.opening[0][run[[0, -1]]]
                board.stroke(np.vstack([ends[:1], inner[run], ends[1:]]), "hidden")
    if seats.gallery is not None:
        board.stroke(seats.gallery[0], "hidden", closed=True)


def _opening_figure(scene: EmptySeat) -> Array:
    """The outline through the notch roots or the claws' inner faces, (n, 2)."""
    known = scene.seats.belief
    at = dict(zip(known.names, known.mean.tolist(), strict=True))
    family = outline.family(known.mounting.opening_family)
    shape = {name: at[f"opening_{name}"] for name in family.shape}
    length, width = at["opening_length_mm"], at["opening_width_mm"]
    figure: Array = outline.draw(family.name, length / width, shape) * width
    return figure


def _axes(board: Board, scene: EmptySeat, letters: tuple[str, str]) -> None:
    """Draw axes, section marks, the zero direction and the way of the finger."""
    pen = board.pen
    every = scene.plan_points
    for letter, direction in zip(letters, section_directions(scene), strict=True):
        along = np.array([np.cos(direction), np.sin(direction)])
        towards = np.array([-along[1], along[0]])
        ends = []
        for way in (along, -along):
            end = way * (float((every @ way).max()) + _MARK * pen)
            board.arrow([end, end + 11 * pen * towards])
            board.label(end + way * 9 * pen, letter, bold=True)
            ends.append(end)
        board.stroke(ends, "datum")
    left, right, low = every[:, 0].min(), every[:, 0].max(), every[:, 1].min()
    if scene.claws:
        board.stroke([[left - 14 * pen, 0], [right + _MARK * pen, 0]], "datum")
    board.label([right + 46 * pen, -9 * pen], "0°\nlength", size=_SMALL, up="top")
    if scene.seats.back == "open":
        x = -SHEET_PENS / 2 * pen
        upright = bool(scene.finger_across[0] == 1.0)
        at = np.array([x + 12 * pen, 0.45 * low] if upright else [x + 32 * pen, 0.6 * low])
        half = np.array([0.0, 30.0] if upright else [24.0, 0.0]) * pen
        beside = np.array([9.0, 0.0] if upright else [0.0, -9.0]) * pen
        board.label(at + beside, "finger", upright=upright, size=_SMALL)
        board.arrow(np.array([at, at + half]))
        board.arrow(np.array([at, at - half]))


def _gap_callouts(board: Board, scene: SetStone) -> None:
    """Point out the tightest and the widest place between girdle and metal, or of the notches."""
    value, place, middle = _widths(scene)
    gap, along = scene.gaps
    chosen = [int(value.argmin()), int(value.argmax())]
    names = _callout_names(scene, value)
    if float(np.ptp(value)) < 0.005:
        names, chosen = names[2:], chosen[:1]
    pen = board.pen
    elbows, texts = [], []
    for name, k in zip(names, chosen, strict=False):
        point, n = scene.face[place[k]], along[place[k]]
        board.dimension(point - gap[place[k]] * n, point, outside=14.0)
        elbows.append(point + n * (scene.depth + 10 * pen))
        board.stroke([point, elbows[-1]], "dimension")
        angle = float(np.rad2deg(np.arctan2(middle[k, 1], middle[k, 0]))) % 360
        where = f" at {angle % 360:.0f}°" if len(chosen) > 1 else ", all round"
        shown = abs(value[k]) if "overlap" in name else value[k]
        texts.append(f"{name}\n{shown:.2f} mm{where}")
    for elbow, label in zip(elbows, _slots(board, scene, elbows, texts), strict=True):
        board.items.append(label)
        board.stroke([elbow, _hook(label, elbow, pen)], "dimension")


def _widths(scene: SetStone) -> tuple[Array, NDArray[np.int64], Array]:
    """What is called out, by station or claw: value [mm], station to point at, its middle."""
    gap, _ = scene.gaps
    if not scene.claws:
        return gap if scene.cut else -gap, np.arange(len(gap)), scene.face
    groups = gap.reshape(-1, FACE_POINTS)
    first = np.arange(len(groups)) * FACE_POINTS
    middle = scene.seats.opening[0, first + FACE_POINTS // 2]
    if scene.cut:
        return groups.min(axis=1), first + groups.argmin(axis=1), middle
    return -groups.mean(axis=1), first + FACE_POINTS // 2, middle


def _callout_names(scene: SetStone, value: Array) -> list[str]:
    """Names for the least and the greatest value, and for one that is the same all round."""
    if not scene.cut:
        what = "notch to cut" if scene.claws else "bearing to cut"
        return [f"shallowest {what}", f"deepest {what}", what]
    # A stone that is too large overlaps the metal most where the gap is least.
    least = "tightest gap" if value.min() >= 0 else "deepest overlap"
    greatest = "widest gap" if value.max() >= 0 else "least overlap"
    return [least, greatest, least.split()[1]]


def _hook(label: Label, elbow: Array, pen: float) -> Array:
    """Where a leader from `elbow` ends at a label above or below it."""
    low, high = label.box(pen)
    x = float(np.clip(elbow[0], low[0] + 4 * pen, high[0] - 4 * pen))
    return np.array([x, low[1] - 2 * pen if low[1] > elbow[1] else high[1] + 2 * pen])


def _slots(board: Board, scene: SetStone, elbows: list[Array], texts: list[str]) -> list[Label]:
    """Place the callouts in corners of the plan, clear of other texts, by shortest leaders."""
    pen = board.pen
    height = scene.plan_points[:, 1]
    top, bottom = height.max() + 12 * pen, height.min() - 12 * pen
    edge = (SHEET_PENS / 2 - 8) * pen

    def label(text: str, right: bool, above: bool) -> Label:
        y = top if above else bottom
        while True:
            made = Label(
                at=np.array([edge if right else -edge, y]),
                text=text,
                across="right" if right else "left",
                up="bottom" if above else "top",
            )
            if board.is_free(made):
                return made
            y += 4 * pen if above else -4 * pen

    corners = [(right, above) for right in (True, False) for above in (True, False)]
    choices = [
        [label(text, *corner) for text, corner in zip(texts, order, strict=True)]
        for order in permutations(corners, len(texts))
    ]
    return min(
        choices,
        key=lambda labels: sum(
            float(np.linalg.norm(_hook(label, elbow, pen) - elbow))
            for label, elbow in zip(labels, elbows, strict=True)
        ),
    )
