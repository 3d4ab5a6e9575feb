"""The inner faces of claws, drawn by a few points each: flat ones, and those that wrap a corner."""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.seats.belief import Belief
from fitsolver.seats.parameter import FACE
from fitsolver.stones import outline

Array = NDArray[np.float64]

# How many points carry a claw's face across its width. Odd: the middle one is a corner's.
FACE_POINTS = 5
OFFSETS = np.linspace(-0.5, 0.5, FACE_POINTS)
# Two claws made as one are parted by a saw cut, a tenth of what lies between their middles.
# Common practice.
SAW_CUT = 0.1
# Arms of a corner are this long at least [mm].
SHORTEST_ARM_MM = 0.01


class Faces(Struct, frozen=True, kw_only=True):
    """Claw faces, s samples, c claws of `FACE_POINTS` points each, n of them together.

    `points` (s, n, 2) [mm]; `inner` (s, n, 2) the inner edges of their notches, or None; `outward`
    (n, 2) how each point moves if the face moves out by one: its unit normal, at a corner longer;
    `claw` (n,) numbers of the claws.
    """

    points: Array
    inner: Array | None
    outward: Array
    claw: NDArray[np.int64]


def claw_faces(
    belief: Belief,
    centre: Array,
    outward: Array,
    width: Array,
    notch: Array | None,
    parameters: Array,
) -> Faces:
    """Spread every claw's face over its width.

    `centre` (s, c, 2) of the faces, `outward` (c, 2) their normals, `width` (s, c) and depth of
    the notch (s, c) [mm]; `parameters` (s, d) tell where the corners of the opening lie.
    """
    claws = belief.mounting.claws
    width = _parted(belief, centre, width)
    along = np.column_stack([-outward[:, 1], outward[:, 0]])
    shift = width[:, :, None, None] * OFFSETS[:, None] * along[:, None, :]
    points = centre[:, :, None, :] + shift
    normals = np.repeat(outward[:, None], FACE_POINTS, axis=1)
    inner = None
    if notch is not None:
        inner = points - notch[:, :, None, None] * normals
    for i, claw in enumerate(claws):
        if claw.corner:
            depth = None if notch is None else notch[:, i]
            tip = _tip(belief, i, parameters)
            points[:, i], edge, normals[i] = _round_corner(belief, i, tip, width[:, i], depth)
            if inner is not None and edge is not None:
                inner[:, i] = edge
    rows, count = centre.shape[:2]
    flat = rows, count * FACE_POINTS, 2
    return Faces(
        points=points.reshape(flat),
        inner=None if inner is None else inner.reshape(flat),
        outward=normals.reshape(-1, 2),
        claw=np.repeat(np.arange(count), FACE_POINTS),
    )


def _parted(belief: Belief, centre: Array, width: Array) -> Array:
    """Widths (s, c), those of a pair no wider than leaves the saw cut between the two."""
    claws = belief.mounting.claws
    if not any(claw.pair for claw in claws):
        return width
    width = np.broadcast_to(width, centre.shape[:2]).copy()
    for i, claw in enumerate(claws):
        for j in (i - 1, (i + 1) % len(claws)):
            if claw.pair and claws[j].pair:
                apart = np.linalg.norm(centre[:, i] - centre[:, j], axis=1)
                width[:, i] = np.minimum(width[:, i], (1 - SAW_CUT) * apart)
    return width


def _tip(belief: Belief, claw: int, parameters: Array) -> Array:
    """Where the corner that a claw wraps lies (s, 2): the figure's own, as long and wide as drawn.

    The claw stands off it by as much as its face stands off the figure. That corners keep their
    angle while length and width are drawn is neglected.
    """
    sizes = belief.columns.all_of(["opening_length_mm", "opening_width_mm"])
    size, mean = parameters[:, sizes], belief.mean[sizes]
    direction = belief.directions[claw]
    ray = np.array([np.cos(direction), np.sin(direction)])
    off = parameters[:, belief.columns.claws(FACE)[claw]]
    found: Array = _corner(belief, claw)[0] * size / mean + off[:, None] * ray
    return found


def _corner(belief: Belief, claw: int) -> tuple[Array, Array, Array]:
    """The corner of the opening's figure nearest to a claw, and the unit ways of its two arms.

    Ways go from the corner clockwise and counter-clockwise, over half a claw's width.
    """
    figure = belief.figure_mm()
    tip = outline.tip_near(figure, float(belief.directions[claw]))
    start = int(np.linalg.norm(figure - tip, axis=1).argmin())
    half = float(belief.mean[belief.columns.of_claw("claw_width_mm", claw)]) / 2
    ways = []
    for around in (np.roll(figure[::-1], start + 1, axis=0), np.roll(figure, -start, axis=0)):
        off = np.linalg.norm(around - tip, axis=1)
        k = int(np.argmax(off >= half)) or 1
        way = around[k] - tip
        ways.append(way / np.linalg.norm(way))
    return tip, ways[0], ways[1]


def _round_corner(
    belief: Belief, claw: int, tip: Array, width: Array, notch: Array | None
) -> tuple[Array, Array | None, Array]:
    """Points (s, k, 2) of a face that wraps a corner, of its notch, and how they move outward.

    Half of the width lies on either side. A notch as deep as d moves both sides in by d, the
    corner along the line between them by d / cos(half of what the outline turns there).
    """
    _, before, after = _corner(belief, claw)
    first = np.array([-before[1], before[0]])  # to the right of the way that comes in
    second = np.array([after[1], -after[0]])
    corner = (first + second) / (1 + first @ second)
    middle = FACE_POINTS // 2
    ways = np.where((np.arange(FACE_POINTS) < middle)[:, None], before, after)
    share = np.abs(OFFSETS)
    normals = np.where((np.arange(FACE_POINTS) < middle)[:, None], first, second)
    normals[middle] = corner
    points = tip[:, None] + width[:, None, None] * share[:, None] * ways
    if notch is None:
        return points, None, normals
    # The inner arms are shorter by what the corner goes in along each.
    shorter = notch * float(np.sqrt(max(corner @ corner - 1.0, 0.0)))
    arm = np.maximum(width / 2 - shorter, SHORTEST_ARM_MM)
    inside = tip[:, None] - notch[:, None, None] * corner
    edge: Array = inside + arm[:, None, None] * (2 * share)[:, None] * ways
    return points, edge, normals
