"""An opening given as points along its edge: taken from a scaled photograph, or off a drawing.

What makes a list of points a trace is checked here (enough of them, all round, no piece across
another, in millimetres, every bit of the edge seen from the middle), and a smooth closed curve is
laid through them. What the points stray from it is their residual: how well they were placed, as
they tell it themselves.

The curve is the periodic smoothing spline of least squares (waves round the opening, weighed down
by the fourth power of their number), in a frame in which the opening is as wide as it is long, so
that slim openings ask for no more waves than round ones. Generalised cross-validation chooses how
many waves the points can carry [1]_.

Sources
-------
.. [1] G. Wahba, *Spline Models for Observational Data*, 1990, chapters 2.1 (periodic splines) and
   4.3 (generalised cross-validation).
.. [2] Y.-J. Kim and C. Gu, "Smoothing spline Gaussian regression", J. R. Statist. Soc. B 66
   (2004), 337-356: a factor of 1.4 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fitsolver.errors import Fault, InputFaults
from fitsolver.readings.mounting_key import KEYS
from fitsolver.stones import outline
from fitsolver.units import MM_PER_INCH

Array = NDArray[np.float64]

# How well a point on a worn edge is placed, one standard deviation [mm]: two pixels of a
# photograph with 40 to the millimetre. Common practice.
POINT_U_MM = 0.05
# A scale from two clicks on a known length, and its being a little nearer to the lens or further
# from it than the edge: 1 mm at 200 mm. Common practice.
SCALE_U_PCT = 0.5
FEWEST_POINTS = 12
MOST_POINTS = 5000
WIDEST_GAP_DEG = 60.0
# More points than this are drawn together by direction: they are closer than their own doubt.
MOST_PLACES = 240
MOST_WAVES = 24
CURVE_POINTS = 360
# Cross-validation is apt to take noise for waves; each degree of freedom is priced dearer [2]_.
DEARER = 1.4
# Crossings and steps back this short, in standard deviations of a point, are noise of close ones.
NOISE_U = 15.0
# Readings and trace that differ by a known factor, to this part of it, differ in their unit.
SAME_FACTOR = 0.08
ASK_AGAIN = "trace the inner edge once round, point after point"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Points along the edge of an opening, and the smooth curve through them.

    `points` as given, turned by `turn_deg` (None: taken as they lie); `u_mm` how well a point was
    placed as stated, `scale_u_pct` the doubt of the scale, which all points share, each with a
    mark whether it was assumed. `places` (m, 2) [mm] are the cleaned points in order,
    counter-clockwise, with how many points each stands for in `counts` (m,); `along_mm` (m,) how
    far along the curve each lies. `curve` (360, 2) [mm]; `residual_u_mm` the root mean square
    distance from it, degrees of freedom counted; `waves` how many the data carry; `furthest` the
    number of the point furthest from the curve, from 0, and its distance [mm].
    """

    points: tuple[tuple[float, float], ...]
    u_mm: float
    u_assumed: bool
    scale_u_pct: float
    scale_assumed: bool
    turn_deg: float | None
    places: Array = field(compare=False, repr=False)
    counts: Array = field(compare=False, repr=False)
    along_mm: Array = field(compare=False, repr=False)
    curve: Array = field(compare=False, repr=False)
    residual_u_mm: float
    waves: float
    furthest: tuple[int, float]

    @property
    def perimeter_mm(self) -> float:
        """Length of the curve [mm]."""
        return float(_lengths(self.curve).sum())

    @property
    def area_mm2(self) -> float:
        """Area within the curve [mm2]."""
        return _area(self.curve)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Extent of the curve along x and y [mm]."""
        x, y = np.ptp(self.curve, axis=0)
        return float(x), float(y)

    @property
    def point_u_mm(self) -> float:
        """How well a point was placed [mm]: as stated, or as the points tell if that is more."""
        return max(self.u_mm, self.residual_u_mm)


def trace_from(
    points: Sequence[Sequence[float]] | Array,
    *,
    u_mm: float | None = None,
    scale_u_pct: float | None = None,
    turn_deg: float | None = None,
    name: str = "points",
) -> Trace:
    """Lay a smooth curve through points along an edge.

    Parameters
    ----------
    points : (n, 2)
        Points in order round the edge [mm], either way, open or closed, any first one.
    u_mm : float, optional
        How well each was placed, one standard deviation [mm]; `POINT_U_MM` if not said.
    scale_u_pct : float, optional
        Doubt of the scale, one standard deviation [per cent]; `SCALE_U_PCT` if not said.
    turn_deg : float, optional
        By how much to turn them, counter-clockwise, so that the length lies along x.
    name : str
        What faults call the list.

    Raises
    ------
    InputFaults
        If the points are no trace: see `problems`.

    """
    given = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    found = [
        Fault(file=name, line=None, key="points", value=None, rule=rule,
              remedy=remedy[:1].upper() + remedy[1:])
        for rule, remedy in problems(given, u_mm)
    ]  # fmt: skip
    if found:
        raise InputFaults(found)
    if turn_deg is not None:
        given = given @ _rotation(turn_deg).T
    laid = _laid(given.tobytes())
    return Trace(
        points=tuple((float(x), float(y)) for x, y in given),
        u_mm=POINT_U_MM if u_mm is None else u_mm,
        u_assumed=u_mm is None,
        scale_u_pct=SCALE_U_PCT if scale_u_pct is None else scale_u_pct,
        scale_assumed=scale_u_pct is None,
        turn_deg=turn_deg,
        places=laid.places,
        counts=laid.counts,
        along_mm=laid.along_mm,
        curve=laid.curve,
        residual_u_mm=laid.residual_u_mm,
        waves=laid.waves,
        furthest=laid.furthest,
    )


class _Laid(NamedTuple):
    """What follows from the points alone; see `Trace`."""

    places: Array
    counts: Array
    along_mm: Array
    curve: Array
    residual_u_mm: float
    waves: float
    furthest: tuple[int, float]


# A form that is typed in is read anew at every key; its points are mostly the same.
@lru_cache(maxsize=8)
def _laid(points: bytes) -> _Laid:
    """Lay a smooth curve through points (n, 2), given as the bytes of their array."""
    given = np.frombuffer(points).reshape(-1, 2)
    places, counts = _places(given)
    smooth, freedom = _smooth(places, counts)
    along = _along(smooth, places)
    away = _distances(smooth, given)
    spread = np.sum(counts * _distances(smooth, places) ** 2)
    residual = (spread / max(len(places) - freedom, 1.0)) ** 0.5
    for each in (places, counts, along, smooth):
        each.flags.writeable = False
    return _Laid(
        places=places,
        counts=counts,
        along_mm=along,
        curve=smooth,
        residual_u_mm=float(residual),
        waves=(freedom - 1) / 2,
        furthest=(int(away.argmax()), float(away.max())),
    )


def problems(
    points: Array,
    u_mm: float | None = None,
    length_mm: float | None = None,
    width_mm: float | None = None,
) -> tuple[tuple[str, str], ...]:
    """Return why points are no trace of an opening, as rules and remedies.

    `points` (n, 2); `length_mm` and `width_mm` as read with a caliper, to tell a wrong unit by.
    """
    return _problems(points.tobytes(), u_mm, length_mm, width_mm)


@lru_cache(maxsize=8)
def _problems(
    content: bytes, u_mm: float | None, length_mm: float | None, width_mm: float | None
) -> tuple[tuple[str, str], ...]:
    points = np.frombuffer(content).reshape(-1, 2)
    return tuple(_found(points, u_mm, length_mm, width_mm))


def _found(
    points: Array, u_mm: float | None, length_mm: float | None, width_mm: float | None
) -> Iterator[tuple[str, str]]:
    if not np.isfinite(points).all():
        yield "holds what is not a finite number", "correct these points"
        return
    if len(points) > MOST_POINTS:
        yield (
            f"holds {len(points):,} points, at most {MOST_POINTS:,} are taken",
            "keep every tenth point or so: closer ones say nothing more",
        )
        return
    ring = given = _without_repeats(points)
    if len(ring) < FEWEST_POINTS:
        yield (
            f"holds {len(ring)} different points, at least {FEWEST_POINTS} are needed",
            "go round the edge with 20 to 60 points, along straight sides too",
        )
        return
    sides = _sides(ring)
    if wrong := _unit(sides, length_mm, width_mm):
        yield wrong
        return
    noise = NOISE_U * (POINT_U_MM if u_mm is None else u_mm)
    # Points closer than their doubt zigzag; neighbours are drawn together.
    several = -(-len(ring) // MOST_PLACES)
    ring = np.add.reduceat(ring, np.arange(0, len(ring), several))
    ring = ring / np.diff(np.append(np.arange(0, len(given), several), len(given)))[:, None]
    crossing = _crossing(ring, noise)
    if crossing is not None:
        first, second, (x, y) = crossing
        yield (
            f"crosses itself near ({x:.2f}, {y:.2f}): the piece after point "
            f"{first * several + 1} and the piece after point {second * several + 1}",
            f"put the points in order; {ASK_AGAIN}",
        )
        return
    yield from _all_round(ring, noise)


def _all_round(ring: Array, noise: float) -> Iterator[tuple[str, str]]:
    """Yield what the middle of the opening does not see, and gaps."""
    if _signed_area(ring) < 0:
        ring = ring[::-1]
    from_middle = ring - outline.centroid(ring)
    reach = np.hypot(*from_middle.T)
    angle = np.unwrap(np.arctan2(from_middle[:, 1], from_middle[:, 0]))
    last = np.mod(angle[0] - angle[-1] + np.pi, 2 * np.pi) - np.pi
    angle = np.append(angle, angle[-1] + last)
    rounds = round((angle[-1] - angle[0]) / (2 * np.pi))
    if rounds != 1:
        yield (
            f"goes round its middle {abs(rounds)} times, and must go round once",
            f"the middle must lie inside the opening; {ASK_AGAIN}",
        )
        return
    back = (np.maximum.accumulate(angle) - angle)[:-1] * reach
    if back.max() > noise:
        x, y = ring[back.argmax()]
        yield (
            f"turns back near ({x:.2f}, {y:.2f}): the middle of the opening does not see the "
            "whole edge, and only edges that it sees can be worked with",
            "leave out the notch or the hook there, or trace the part that holds the stone",
        )
        return
    turned = np.sort(np.mod(angle[:-1], 2 * np.pi))
    gap = np.diff(np.append(turned, turned[0] + 2 * np.pi))
    if np.rad2deg(gap.max()) > WIDEST_GAP_DEG:
        start = turned[gap.argmax()]
        yield (
            f"leaves a gap of {np.rad2deg(gap.max()):.0f} degrees, from "
            f"{np.rad2deg(start):.0f} to {np.rad2deg(start + gap.max()) % 360:.0f} as seen from "
            f"the middle; at most {WIDEST_GAP_DEG:g} can be bridged",
            "trace the edge there as well",
        )


def _unit(
    sides: tuple[float, float], length_mm: float | None, width_mm: float | None
) -> tuple[str, str] | None:
    """Tell a wrong unit from the size of the opening, or from a reading that differs by a factor.

    One factor alone fits within the allowed range only with a reading beside it; without, every
    unit that would do is named.
    """
    long, short = sides
    low, high = KEYS["opening_length_mm"].low, KEYS["opening_length_mm"].high
    spans = sorted(each for each in (length_mm, width_mm) if each)
    factor = {"inches": MM_PER_INCH, "centimetres": 10.0, "micrometres": 1e-3}
    shown = f"is {long:.3g} by {short:.3g} across"
    if spans:
        # One reading alone may be either side.
        ratios = [spans[-1] / long] if len(spans) == 2 else [spans[0] / long, spans[0] / short]
        for unit, each in factor.items():
            if any(abs(ratio / each - 1) < SAME_FACTOR for ratio in ratios):
                return (
                    f"{shown}, and a reading says {spans[-1]:g} mm: it looks like {unit}",
                    f"give the points in mm: multiply them by {each:g}",
                )
    if low <= short and long <= high:
        return None
    rule = f"{shown}, and an opening is {low:g} to {high:g} mm"
    if long > high:
        return (
            f"{rule}: it looks like pixels of a photograph, or micrometres",
            "divide the points by how many pixels a millimetre has in the plane of the edge",
        )
    may_be = [
        f"{unit} ({long * each:.1f} by {short * each:.1f} mm)"
        for unit, each in factor.items()
        if each > 1 and low <= short * each and long * each <= high
    ]
    looks = f": it looks like {' or '.join(may_be)}" if may_be else ""
    return f"{rule}{looks}", "give the points in mm"


def turned_by_deg(
    curve: Array, family: outline.Family, *, lengthwise: bool
) -> tuple[float, float, float]:
    """By how much a curve is turned against its family's figure, from -180 to 180 [deg].

    `lengthwise`: the family's length is its longer side. Returns the turn and the root mean
    square misfit [mm] as it lies and turned back.
    """
    return _turned(curve.tobytes(), family.name, lengthwise)


@lru_cache(maxsize=8)
def _turned(content: bytes, name: str, lengthwise: bool) -> tuple[float, float, float]:
    curve = np.frombuffer(content).reshape(-1, 2)
    family = outline.family(name)
    directions = np.arange(72) * np.pi / 36

    def misfit(turn: float) -> float:
        points = curve @ _rotation(-turn).T
        long, wide = np.ptp(points, axis=0)
        if lengthwise and long < 0.98 * wide:
            return np.inf
        if not outline.LENGTH_RATIOS[0] < long / wide < outline.LENGTH_RATIOS[1]:
            return np.inf
        figure = outline.draw(family.name, long / wide) * wide
        points = points - outline.centroid(points)
        figure = figure - outline.centroid(figure)
        off = radius_at(points, directions) - radius_at(figure, directions)
        return float(np.sqrt(np.mean(off**2)))

    around = range(-90, 90, 10) if family.half_turn else range(-180, 180, 10)
    rough = min(around, key=misfit)
    best = min(np.arange(rough - 8, rough + 9, 2.0), key=misfit)
    return float((best + 180) % 360 - 180), misfit(0.0), misfit(float(best))


def radius_at(points: Array, directions: Array) -> Array:
    """Distance from the origin to a closed line round it, along each direction (n,) [mm].

    `points` (m, 2) in order of their direction; straight between them.
    """
    turn = np.mod(np.arctan2(points[:, 1], points[:, 0]), 2 * np.pi)
    order = np.argsort(turn)
    start = points[order]
    edge = np.searchsorted(turn[order], np.mod(directions, 2 * np.pi), "right") - 1
    a, b = start[edge], np.roll(start, -1, axis=0)[edge]
    way = b - a
    ray = np.column_stack([np.cos(directions), np.sin(directions)])
    across = ray[:, 0] * way[:, 1] - ray[:, 1] * way[:, 0]
    reach: Array = (a[:, 0] * way[:, 1] - a[:, 1] * way[:, 0]) / across
    return reach


def _rotation(turn_deg: float) -> Array:
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    return np.array([[c, -s], [s, c]])


def _without_repeats(points: Array) -> Array:
    """Drop points that stand where the one before stands, the last one also if it closes."""
    if not len(points):
        return points
    close = 1e-6 * max(float(np.ptp(points, axis=0).max()), 1e-9)
    keep = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > close
    kept: Array = points[keep]
    return kept


def _signed_area(ring: Array) -> float:
    x, y = ring.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def _area(ring: Array) -> float:
    return abs(_signed_area(ring))


def _lengths(ring: Array) -> Array:
    lengths: Array = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    return lengths


def _box(ring: Array) -> tuple[Array, tuple[float, float]]:
    """Return the direction of the longer side of the smallest box round points, and its sides."""
    import shapely

    around = shapely.minimum_rotated_rectangle(shapely.MultiPoint(ring))
    corners = shapely.get_coordinates(around)
    if len(corners) < 4:  # all on one line
        return np.array([1.0, 0.0]), (float(np.ptp(ring)), 0.0)
    sides = corners[1:3] - corners[:2]
    lengths = np.linalg.norm(sides, axis=1)
    longer = int(lengths.argmax())
    return sides[longer] / lengths[longer], (float(lengths.max()), float(lengths.min()))


def _sides(ring: Array) -> tuple[float, float]:
    return _box(ring)[1]


def _crossing(ring: Array, noise: float) -> tuple[int, int, tuple[float, float]] | None:
    """Find two pieces of a closed line that cross, other than in the noise of close points."""
    import shapely

    count = len(ring)
    ends = np.stack([ring, np.roll(ring, -1, axis=0)], axis=1)
    pieces = shapely.linestrings(ends)
    first, second = shapely.STRtree(pieces).query(pieces, predicate="intersects")
    apart = second - first
    real = (apart > 1) & (apart < count - 1)
    first, second = first[real], second[real]
    passed = np.append(0.0, np.cumsum(_lengths(ring)))
    loop = passed[second] - passed[first + 1]
    loop = np.minimum(loop, passed[-1] - loop)
    wide = np.flatnonzero(loop > noise)
    if not len(wide):
        return None
    k = int(wide[np.lexsort((second[wide], first[wide]))[0]])
    where = shapely.intersection(pieces[first[k]], pieces[second[k]]).centroid
    return int(first[k]), int(second[k]), (where.x, where.y)


def _places(points: Array) -> tuple[Array, Array]:
    """Order points by direction from the middle; many are drawn together within 1.5 degrees."""
    ring = _without_repeats(points)
    middle = outline.centroid(ring)
    seen = ring - middle
    angle = np.mod(np.arctan2(seen[:, 1], seen[:, 0]), 2 * np.pi)
    order = np.argsort(angle, kind="stable")
    ring, angle = ring[order], angle[order]
    if len(ring) <= MOST_PLACES:
        return ring, np.ones(len(ring))
    sector = np.minimum((angle / (2 * np.pi) * MOST_PLACES).astype(np.int64), MOST_PLACES - 1)
    counts = np.bincount(sector, minlength=MOST_PLACES).astype(np.float64)
    kept = counts > 0
    x, y = (np.bincount(sector, ring[:, axis], MOST_PLACES)[kept] for axis in (0, 1))
    return np.column_stack([x, y]) / counts[kept, None], counts[kept]


def _smooth(places: Array, counts: Array) -> tuple[Array, float]:
    """Smooth curve through the places (360, 2) [mm] and its degrees of freedom."""
    middle = outline.centroid(places)
    axis, sides = _box(places)
    frame = np.column_stack([axis * sides[0], np.array([-axis[1], axis[0]]) * sides[1]]) / 2
    seen = np.linalg.solve(frame, (places - middle).T).T
    angle, reach = np.arctan2(seen[:, 1], seen[:, 0]), np.hypot(*seen.T)
    most = min(MOST_WAVES, (len(places) - 1) // 2)
    number = np.repeat(np.arange(1, most + 1), 2)

    def waves(at: Array) -> Array:
        turns = at[:, None] * np.arange(1, most + 1)
        both = np.stack([np.cos(turns), np.sin(turns)], axis=2).reshape(len(at), -1)
        return np.column_stack([np.ones(len(at)), both])

    design = waves(angle)
    normal = design.T @ (counts[:, None] * design)
    right = design.T @ (counts * reach)
    price = np.append(0.0, number.astype(np.float64) ** 4)
    best: tuple[float, Array, float] | None = None
    for weight in np.geomspace(1e-7, 10.0, 41) * len(places):
        inverse = np.linalg.inv(normal + weight * np.diag(price))
        found = inverse @ right
        freedom = float(np.trace(inverse @ normal))
        left = len(places) - DEARER * freedom
        spread = float(np.sum(counts * (reach - design @ found) ** 2))
        score = spread / left**2 if left > 0 else np.inf
        if best is None or score < best[0]:
            best = score, found, freedom
    assert best is not None
    # Counted in the opening's own frame, so that turned points give the same curve, turned.
    around: Array = np.arange(CURVE_POINTS, dtype=np.float64) * (2 * np.pi / CURVE_POINTS)
    radius = np.maximum(waves(around) @ best[1], 0.05)
    curve = radius[:, None] * np.column_stack([np.cos(around), np.sin(around)])
    drawn: Array = curve @ frame.T + middle
    return drawn, best[2]


def _distances(curve: Array, points: Array) -> Array:
    import shapely

    distances: Array = shapely.distance(shapely.LinearRing(curve), shapely.points(points))
    return distances


def _along(curve: Array, points: Array) -> Array:
    import shapely

    line = shapely.LinearRing(curve)
    along: Array = shapely.line_locate_point(line, shapely.points(points))
    return along
