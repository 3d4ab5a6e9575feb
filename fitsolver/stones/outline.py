"""Girdle outlines seen from above: closed polygons in widths (the width is 1).

Every family is given as a polygon whose vertices lie on the true curve, fine enough that the
curve leaves it by less than 5e-5 of its longer side (0.4 micrometre on an 8 mm stone); straight
sides and corners are exact. The origin is the family's centre, over the culet or keel. The length
runs along +x; pears, triangles and other pointed outlines point to +x, a tapered rectangle's narrow
end lies there, and a half-moon's straight side runs along the length, below.

All outlines are convex but the heart, which is the union of two convex halves, mirror images of
each other across the length.

Besides length and width a family is drawn by its shape, in per cent:

- `side_bulge_pct`: how far a side stands out from straight at its middle, of the width;
- `corner_pct`: radius of a cushion's corner, leg of an octagon's or triangle's cut corner, of the
  width (of the side, in a triangle);
- `fullness_pct`: how far a wing is swelled from its plainest (0) to its fullest (100): from a
  circular arc to a quarter ellipse (pear, marquise, half-moon), from straight to an arc that is
  level at the widest place (heart);
- `head_pct`: length of a pear's round end, a kite's blunt end or a shield's straight sides, of the
  width;
- `cleft_pct`: depth of a heart's cleft below the line across its lobes, of the width;
- `point_pct`: how far a hexagon's points stand out beyond its long sides, of the width;
- `second_width_pct`: width of a tapered rectangle's narrow end, of the width.

Values beyond what a family can show (corners that would meet) are held at its last true shape.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from itertools import pairwise

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.errors import OutOfRange, UnknownName

Array = NDArray[np.float64]

# Largest distance between curve and chord of an arc, before a triangle is stretched to its box.
CHORD_TOLERANCE = 4e-5

# Lengths over widths that can be drawn: wider than any stone of the trade.
LENGTH_RATIOS = 0.3, 10.0


class Family(Struct, frozen=True, kw_only=True):
    """An outline family: how it is drawn and what a half turn or a mirror does to it.

    `shape` names the proportions, in per cent, that draw it besides length and width, each with
    the value used for an opening when nothing was measured. `half_turn` is True where turning by
    180 deg leaves the outline as it was. `pointed` names sharp tips that need relief. `mirrored`
    names outlines of two convex halves that meet along the length.
    """

    name: str
    draw: Callable[[float, Mapping[str, float]], Array]
    shape: Mapping[str, float]
    half_turn: bool = True
    pointed: bool = False
    mirrored: bool = False


def _arc(centre: tuple[float, float], radius: float, start: float, stop: float) -> Array:
    """Points on an arc, both ends included, fine enough for the chord tolerance."""
    step = np.sqrt(8 * CHORD_TOLERANCE / max(radius, 1e-9))
    count = max(2, int(np.ceil(abs(stop - start) / step)) + 1)
    angle = np.linspace(start, stop, count)
    return np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])


def _ellipse(ratio: float, _: Mapping[str, float]) -> Array:
    # 288 puts vertices on all the directions of eight-fold and six-fold cuts.
    angle = np.arange(288) * (2 * np.pi / 288)
    return np.column_stack([ratio / 2 * np.cos(angle), 0.5 * np.sin(angle)])


def _cushion(ratio: float, shape: Mapping[str, float]) -> Array:
    """Four bulged sides with rounded corners: discs met, eroded and regrown."""
    half = ratio / 2
    room = 0.999 * min(half, 0.5)  # short of bulge and corner that leave no side between them
    # A straight side is an arc as well, so flat (0.0001 of the width) that nobody can tell.
    bulge = min(max(shape["side_bulge_pct"] / 100, 1e-4), room)
    corner = min(max(shape["corner_pct"] / 100, 0.0), room - bulge)
    # Arcs of the figure eroded by the corner's radius, and their centres on the axes.
    r_end = ((0.5 - corner) ** 2 + bulge**2) / (2 * bulge)
    r_long = ((half - corner) ** 2 + bulge**2) / (2 * bulge)
    cx, cy = half - corner - r_end, 0.5 - corner - r_long
    # They meet right of the line from the end's centre to the long side's.
    apart = np.hypot(cx, cy)
    along = (r_end**2 - r_long**2 + apart**2) / (2 * apart)
    aside = np.sqrt(r_end**2 - along**2)
    x = cx - (along * cx + aside * cy) / apart
    y = (along * cy - aside * cx) / apart
    turn_end, turn_long = np.arctan2(y, x - cx), np.arctan2(y - cy, x)
    quarter = np.vstack(
        [
            _arc((cx, 0), r_end + corner, 0, turn_end),
            _arc((x, y), corner, turn_end, turn_long),
            _arc((0, cy), r_long + corner, turn_long, np.pi / 2),
        ]
    )
    left = quarter[::-1] * (-1, 1)
    upper = np.vstack([quarter, left])
    return _without_repeats(np.vstack([upper, -upper]))


def _octagon(ratio: float, shape: Mapping[str, float]) -> Array:
    half = ratio / 2
    cut = min(max(shape["corner_pct"] / 100, 0.0), 0.98 * min(half, 0.5))
    quarter = np.array([[half, 0.5 - cut], [half - cut, 0.5]])
    upper = np.vstack([quarter, quarter[::-1] * (-1, 1)])
    return _without_repeats(np.vstack([upper, -upper]))


def _rectangle(ratio: float, _: Mapping[str, float]) -> Array:
    half = ratio / 2
    return np.array([[half, -0.5], [half, 0.5], [-half, 0.5], [-half, -0.5]])


def _wing(span: float, fullness: float) -> Array:
    """One wing from (0, 0.5) to the tip (span, 0): a circular arc blended with a quarter ellipse.

    The blend is a weighted mean of two concave curves, so the wing stays convex. A wing shorter
    than half the width has no such arc and is a quarter ellipse.
    """
    turn = np.linspace(0, np.pi / 2, 90)
    blend = min(max(fullness, 0.0), 1.0) if span > 0.5 else 1.0
    radius = span**2 + 0.25  # through (0, 0.5), level there, and the tip
    arc = np.sqrt(np.maximum(radius**2 - (span * np.sin(turn)) ** 2, 0)) - (radius - 0.5)
    x, y = span * np.sin(turn), (1 - blend) * arc + blend * 0.5 * np.cos(turn)
    y[-1] = 0.0
    return np.column_stack([x, y])


def _marquise(ratio: float, shape: Mapping[str, float]) -> Array:
    wing = _wing(ratio / 2, shape["fullness_pct"] / 100)
    upper = np.vstack([wing[::-1], wing[1:] * (-1, 1)])
    return _without_repeats(np.vstack([upper, -upper]))


def _pear(ratio: float, shape: Mapping[str, float]) -> Array:
    head = min(max(shape["head_pct"] / 100, 0.05), ratio - 0.2)
    wing = _wing(ratio - head, shape["fullness_pct"] / 100)
    angle = np.linspace(np.pi / 2, np.pi, 65)[1:]
    round_end = np.column_stack([head * np.cos(angle), 0.5 * np.sin(angle)])
    upper = np.vstack([wing[::-1], round_end])
    return _without_repeats(np.vstack([upper, upper[::-1] * (1, -1)]))


def _triangle(ratio: float, shape: Mapping[str, float]) -> Array:
    """Three bulged sides met as discs, corners cut off square, stretched to the box."""
    # A straight side is an arc flatter than the chord tolerance; from 0.29 the tips turn in.
    bulge = min(max(shape["side_bulge_pct"] / 100, 2e-5), 0.28)
    cut = min(max(shape["corner_pct"] / 100, 0.0), 0.4)
    side = 1.0
    radius = ((side / 2) ** 2 + bulge**2) / (2 * bulge)
    inset = side / (2 * np.sqrt(3))  # centre to a side of the equilateral triangle
    parts = []
    half = np.arcsin(side / 2 / radius)
    for turn in (np.pi / 3, np.pi, 5 * np.pi / 3):
        offset = inset + bulge - radius
        centre = (offset * np.cos(turn), offset * np.sin(turn))
        parts.append(_arc(centre, radius, turn - half, turn + half)[1:])
    points = np.vstack(parts)
    reach = side / np.sqrt(3)
    for turn in (0.0, 2 * np.pi / 3, 4 * np.pi / 3):
        points = clip(points, np.array([np.cos(turn), np.sin(turn)]), reach - cut * 0.8660254)
    points = _without_repeats(points)
    points = points * (ratio / np.ptp(points[:, 0]), 1 / np.ptp(points[:, 1]))
    centred: Array = points - centroid(points)
    return centred


def _half_moon(ratio: float, shape: Mapping[str, float]) -> Array:
    """Half of a marquise twice as wide, split along its length."""
    wing = 2 * _wing(ratio / 4, shape["fullness_pct"] / 100)
    return _without_repeats(np.vstack([wing[::-1], wing[1:] * (-1, 1)]) - (0, 0.5))


def _kite(ratio: float, shape: Mapping[str, float]) -> Array:
    head = min(max(shape["head_pct"] / 100, 0.05), ratio - 0.05)
    return _centred(np.array([[ratio - head, 0], [0, 0.5], [-head, 0], [0, -0.5]]))


def _lozenge(ratio: float, _: Mapping[str, float]) -> Array:
    return np.array([[ratio / 2, 0], [0, 0.5], [-ratio / 2, 0], [0, -0.5]])


def _hexagon(ratio: float, shape: Mapping[str, float]) -> Array:
    half = ratio / 2
    side = half - min(max(shape["point_pct"] / 100, 0.02), 0.98 * half)
    upper = np.array([[half, 0], [side, 0.5], [-side, 0.5]])
    return np.vstack([upper, -upper])


def _shield(ratio: float, shape: Mapping[str, float]) -> Array:
    head = min(max(shape["head_pct"] / 100, 0.0), ratio - 0.05)
    upper = np.array([[ratio, 0], [head, 0.5], [0, 0.5]])
    return _centred(_without_repeats(np.vstack([upper, upper[:0:-1] * (1, -1)])))


def _tapered(ratio: float, shape: Mapping[str, float]) -> Array:
    narrow = min(max(shape["second_width_pct"] / 100, 0.05), 1.0) / 2
    half = ratio / 2
    return np.array([[half, -narrow], [half, narrow], [-half, 0.5], [-half, -0.5]])


def _heart(ratio: float, shape: Mapping[str, float]) -> Array:
    """Each half a round lobe and a wing that leaves it without a bend and runs to the point.

    A heart whose point is less than half a width from the widest place is a longer one, squeezed.
    """
    # From 0.25 the lobes would only touch.
    cleft = min(max(shape["cleft_pct"] / 100, 0.0), 0.2)
    # The lobe's middle lies `along` from the cleft and `aside` from the axis; as a circle it
    # reaches the line across the lobes and half the width, the cleft lies in its lower quarter.
    along = 0.5 - np.sqrt(cleft)
    aside = 0.25 - along**2
    radius = 0.5 - aside
    length = max(ratio, radius + 0.5)
    tip = length - radius
    # The wing leaves the lobe where its normal stands at this angle: that of a straight line to
    # the tip, or up to a right angle.
    straight = np.arccos(min(radius / np.hypot(tip, aside), 1.0)) - np.arctan2(aside, tip)
    fullness = min(max(shape["fullness_pct"] / 100, 2e-3), 1.0)
    leaves = straight + fullness * (np.pi / 2 - straight)
    out = np.array([np.cos(leaves), np.sin(leaves)])
    chord = np.array([-tip, aside]) + radius * out
    bend = chord @ chord / (2 * out @ chord)
    centre = np.array([0, aside]) + (radius - bend) * out
    wing = _arc((centre[0], centre[1]), bend, np.arctan2(-centre[1], tip - centre[0]), leaves)
    turns = (leaves, np.pi / 2, np.pi, np.pi + np.arctan2(aside, along))
    lobe = [_arc((0.0, aside), radius, start, stop) for start, stop in pairwise(turns)]
    half = _without_repeats(np.vstack([wing, *lobe]))
    half[[0, -1], 1] = 0.0
    # The culet lies halfway between the point and the line across the lobes.
    half = (half - (length / 2 - radius, 0.0)) * (ratio / length, 1.0)
    return whole(half)


def _centred(points: Array) -> Array:
    """Move an outline along its length so that its largest inscribed circle is about the origin."""
    moved: Array = points - (inscribed(points)[0], 0.0)
    return moved


def _without_repeats(points: Array) -> Array:
    """Drop vertices within a nanometre or so of the one before."""
    keep = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > 1e-7
    kept: Array = points[keep]
    return kept


FAMILIES: Mapping[str, Family] = {
    family.name: family
    for family in (
        Family(name="round", draw=_ellipse, shape={}),
        Family(name="oval", draw=_ellipse, shape={}),
        Family(name="cushion", draw=_cushion, shape={"side_bulge_pct": 7.0, "corner_pct": 18.0}),
        Family(name="octagon", draw=_octagon, shape={"corner_pct": 15.0}),
        Family(name="rectangle", draw=_rectangle, shape={}, pointed=True),
        Family(name="square", draw=_rectangle, shape={}, pointed=True),
        Family(name="marquise", draw=_marquise, shape={"fullness_pct": 12.0}, pointed=True),
        Family(
            name="pear",
            draw=_pear,
            shape={"fullness_pct": 15.0, "head_pct": 50.0},
            half_turn=False,
            pointed=True,
        ),
        Family(
            name="triangle",
            draw=_triangle,
            shape={"side_bulge_pct": 7.0, "corner_pct": 6.0},
            half_turn=False,
            pointed=True,
        ),
        Family(
            name="heart",
            draw=_heart,
            shape={"cleft_pct": 12.0, "fullness_pct": 30.0},
            half_turn=False,
            pointed=True,
            mirrored=True,
        ),
        Family(
            name="half-moon",
            draw=_half_moon,
            shape={"fullness_pct": 85.0},
            half_turn=False,
            pointed=True,
        ),
        Family(name="kite", draw=_kite, shape={"head_pct": 45.0}, half_turn=False, pointed=True),
        Family(name="lozenge", draw=_lozenge, shape={}, pointed=True),
        Family(
            name="shield", draw=_shield, shape={"head_pct": 45.0}, half_turn=False, pointed=True
        ),
        # 28.9 = half of 1 / sqrt 3: all corners 120 deg.
        Family(name="hexagon", draw=_hexagon, shape={"point_pct": 28.9}),
        Family(
            name="tapered",
            draw=_tapered,
            shape={"second_width_pct": 70.0},
            half_turn=False,
            pointed=True,
        ),
    )
}


def family(name: str) -> Family:
    """Return the outline family called `name`.

    Raises `UnknownName` with suggestions.
    """
    try:
        return FAMILIES[name]
    except KeyError:
        raise UnknownName("outline family", name, FAMILIES) from None


def draw(name: str, length_ratio: float, shape: Mapping[str, float] | None = None) -> Array:
    """Return the outline as a counter-clockwise polygon, shape (n, 2), in widths.

    `length_ratio` is length over width; `shape` gives the family's own proportions in per cent of
    the width (missing ones take the family's default).

    Raises `UnknownName`, `OutOfRange`.

    >>> float(np.ptp(draw("octagon", 1.5)[:, 0]))
    1.5
    """
    chosen = family(name)
    if not LENGTH_RATIOS[0] <= length_ratio <= LENGTH_RATIOS[1]:
        raise OutOfRange("length_ratio", length_ratio, *LENGTH_RATIOS, unit="(length over width)")
    return chosen.draw(length_ratio, {**chosen.shape, **(shape or {})})


def whole(half: Array) -> Array:
    """Join the half of an outline at y >= 0 to its mirror image, shape (2 m - 2, 2).

    The half (m, 2) goes from its right end round to its left, both on the axis y = 0.
    """
    joined: Array = np.vstack([half, half[-2:0:-1] * (1, -1)])
    return joined


def upper_half(points: Array) -> Array:
    """Return the half of a mirrored outline at y >= 0, from its right end round to its left.

    Begins and ends on the axis; for a half alone, whatever lies between its ends is dropped.
    """
    upper = points[points[:, 1] >= 0]
    on = upper[:, 1] == 0
    leaves = np.flatnonzero(on & ~np.roll(on, -1))
    if len(leaves) == 0:  # nothing but the axis
        return upper
    upper, on = np.roll(upper, -leaves[0], axis=0), np.roll(on, -leaves[0])
    returns = 1 + int(np.argmax(on[1:]))
    return upper[: returns + 1]


def inscribed(points: Array) -> tuple[float, float]:
    """Centre (on the x axis) and radius of the largest circle inside a straight-sided outline.

    For convex outlines of a few sides that are mirrored in the axis; of many largest circles, as
    in a rectangle, the middle one.
    """
    edge = np.roll(points, -1, axis=0) - points
    normal = np.column_stack([edge[:, 1], -edge[:, 0]]) / np.linalg.norm(edge, axis=1)[:, None]
    reach = np.einsum("ij,ij->i", normal, points)
    # The distance to the nearest side is a concave function of x made of straight pieces: it is
    # greatest where two of them cross.
    i, j = np.nonzero(np.abs(normal[:, None, 0] - normal[None, :, 0]) > 1e-9)
    x = (reach[i] - reach[j]) / (normal[i, 0] - normal[j, 0])
    clear = (reach - np.outer(x, normal[:, 0])).min(axis=1)
    best = x[clear > clear.max() - 1e-12]
    return float(best.min() + best.max()) / 2, float(clear.max())


def support(points: Array, normals: Array) -> Array:
    """How far the outline reaches along each unit normal: h(n) = max over points of n . p.

    `points` (n, 2), `normals` (k, 2); returns (k,), in the unit of the points.
    """
    reach: Array = (normals @ points.T).max(axis=1)
    return reach


def contact(points: Array, normals: Array) -> Array:
    """Where the outline is touched by the line square to each normal, shape (k, 2).

    The middle of the side where the line lies along one.
    """
    reach = normals @ points.T
    touched = reach >= reach.max(axis=1, keepdims=True) - 1e-9
    middle: Array = (touched @ points) / touched.sum(axis=1)[:, None]
    return middle


def clip(points: Array, normal: Array, offset: float) -> Array:
    """Keep the part of a convex polygon with normal . p <= offset (may be empty, shape (0, 2))."""
    if len(points) == 0:
        return points
    beyond = points @ normal - offset
    follow, beyond_follow = np.roll(points, -1, axis=0), np.roll(beyond, -1)
    kept = beyond <= 0
    if kept.all():
        return points
    crossed = beyond * beyond_follow < 0
    share = np.where(crossed, beyond, 0.0) / np.where(crossed, beyond - beyond_follow, 1.0)
    # Each vertex, then where its edge crosses the line.
    both = np.stack([points, points + (follow - points) * share[:, None]], axis=1)
    clipped: Array = both[np.column_stack([kept, crossed])]
    return clipped


def area(points: Array) -> float:
    """Area of a polygon (shoelace formula), positive when counter-clockwise."""
    x, y = points.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def centroid(points: Array) -> Array:
    """Centre of area of a polygon, shape (2,)."""
    follow = np.roll(points, -1, axis=0)
    cross = points[:, 0] * follow[:, 1] - follow[:, 0] * points[:, 1]
    centre: Array = ((points + follow) * cross[:, None]).sum(axis=0) / (3 * cross.sum())
    return centre


def tips(points: Array, least_deg: float = 50.0, within: float = 0.03) -> Array:
    """Sharp tips of an outline, shape (k, 2).

    A tip is where the outline turns by at least `least_deg` over a stretch of `within` times its
    width to either side: a corner, or a point rounded too little to matter. Kept, as many cuts
    have one outline.
    """
    return _tips(np.ascontiguousarray(points).tobytes(), least_deg, within)


@lru_cache(maxsize=128)
def _tips(content: bytes, least_deg: float, within: float) -> Array:
    points = np.frombuffer(content).reshape(-1, 2)
    turn = _turns(points)
    x, y = (side[:, None] - side for side in points.T)
    near = x * x + y * y <= (within * float(np.ptp(points[:, 1]))) ** 2
    total = near.astype(np.float64) @ turn
    # Of neighbours that share a tip, the one it turns most about.
    best = np.where(near, total[None], -np.inf).max(axis=1)
    sharp = (total >= np.deg2rad(least_deg)) & (total >= best - 1e-12)
    chosen: Array = points[sharp]
    chosen.setflags(write=False)  # it is shared
    return chosen


def tip_near(points: Array, direction_rad: float, within: float = 0.03) -> Array:
    """The sharp tip of an outline nearest to a direction from the origin, shape (2,).

    Of the vertices that share it the one at which the outline turns most.
    """
    ray = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    sharp = tips(points)
    tip = sharp[int((sharp @ ray / np.linalg.norm(sharp, axis=1)).argmax())]
    near = np.linalg.norm(points - tip, axis=1) <= within * float(np.ptp(points[:, 1]))
    found: Array = points[int(np.where(near, _turns(points), -np.inf).argmax())]
    return found


def _turns(points: Array) -> Array:
    """By how much a closed polygon turns at each vertex [rad]."""
    edge = np.roll(points, -1, axis=0) - points
    before = np.roll(edge, 1, axis=0)
    turned: Array = np.arctan2(
        before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0], np.einsum("ij,ij->i", before, edge)
    )
    return turned


def normals_of(points: Array, fan_deg: float = 3.0) -> Array:
    """Outward unit normals that describe a convex polygon for distances, shape (k, 2).

    The normal of every edge, and a fan of normals no further apart than `fan_deg` across every
    corner, so that the distance from a point outside, max over n of (n . p - h(n)), is the true
    distance to within 1 - cos(fan_deg / 2) of itself.
    """
    edge = np.roll(points, -1, axis=0) - points
    angle = np.unwrap(np.arctan2(-edge[:, 0], edge[:, 1]))
    return _fans(np.append(angle, angle[0] + 2 * np.pi), fan_deg)


def half_normals_of(half: Array, fan_deg: float = 3.0) -> Array:
    """Outward unit normals that describe a mirrored outline for points at y >= 0, shape (k, 2).

    Like `normals_of`, for the `upper_half`, without the straight cut along the axis: distances
    from a point outside are true to the outline as a whole. Inside, the depth below the lines of
    the lobes is given, which beside the cleft is less than the distance from the cleft itself.
    """
    edge = np.diff(half, axis=0)
    angle = np.unwrap(np.arctan2(-edge[:, 0], edge[:, 1]))
    # The fan at the point begins on the axis; none at the cleft, a corner that turns inward.
    return _fans(np.concatenate([[0.0], angle]), fan_deg, closed=False)


def _fans(angles: Array, fan_deg: float, closed: bool = True) -> Array:
    """Normals at rising angles and between them; of a closed turn the last is the first again."""
    start, turn = angles[:-1], np.diff(angles)
    pieces = np.maximum(1, np.ceil(turn / np.deg2rad(fan_deg)).astype(np.int64))
    # Which piece of its fan each normal begins, counted from 0.
    piece = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    every = np.repeat(start, pieces) + np.repeat(turn, pieces) * piece / np.repeat(pieces, pieces)
    if not closed:
        every = np.append(every, angles[-1])
    return np.column_stack([np.cos(every), np.sin(every)])
