"""What a resting stone touches, whether that carries its weight, and what pressing on it does.

A seat as drawn is a pure figure, and a pure figure is touched in arcs. A real ledge is uneven, and
a level stone touches an uneven ledge at three places. Which three nobody can tell from readings:
so everything is told twice, for the seat as drawn and for all places that come as near as the
ledge's height is uncertain.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.body import Body
from fitsolver.fitting.contact import Approach, approach, vertices_over, within
from fitsolver.fitting.seated import Seated, direction_deg

Array = NDArray[np.float64]
Presses = Literal["stays", "may tip", "tips"]

# So near is touching [mm]: what rounding and a station's chord leave, ten times over.
TOUCHING_MM = 0.005
# Arcs that leave less between them are one [deg]; that is a station's step.
_JOINED_DEG = 2.5
# Contact that goes so far out from the inner edge, as a part of the breadth, lies on the face.
_FACE = 0.1
_PRESSED = 72


class Arc(Struct, frozen=True, kw_only=True):
    """A stretch of contact: from `from_deg` counter-clockwise to `to_deg`, `on` what."""

    from_deg: float
    to_deg: float
    on: str

    @property
    def size_deg(self) -> float:
        """How many degrees of the girdle it takes."""
        return (
            (self.to_deg - self.from_deg) % 360.0 if self.to_deg != self.from_deg + 360 else 360.0
        )


class Touch(Struct, frozen=True, kw_only=True, eq=False):
    """Where the stone comes within `tolerance_mm` of its support.

    `arcs` by direction; `points` (n, 3) their ends and middles [mm]; `open_arc_deg` the widest
    arc without support, from `open_from_deg` on; `mass_inside_mm` how far inside the contact
    polygon, seen from above, the centre of mass lies: negative outside it, or where the contacts
    span no area.
    """

    tolerance_mm: float
    arcs: tuple[Arc, ...]
    points: Array
    open_arc_deg: float
    open_from_deg: float
    mass_inside_mm: float


class Press(Struct, frozen=True, kw_only=True, eq=False):
    """What straight pressing does, by direction (n,).

    `outside_mm` how far the pressed place lies outside the contact polygon as drawn (negative
    inside), `outside_at_best_mm` outside all that may touch; the answer is the worst place's.
    """

    on: str
    direction_deg: Array
    outside_mm: Array
    outside_at_best_mm: Array

    @property
    def answer(self) -> Presses:
        """Whether the stone tips when pressed at the worst direction."""
        if self.outside_mm.max() <= 0:
            return "stays"
        return "may tip" if self.outside_at_best_mm.max() <= 0 else "tips"

    @property
    def worst_deg(self) -> float:
        """Direction in which the pressed place is farthest outside what carries the stone."""
        return float(self.direction_deg[np.round(self.outside_mm, 6).argmax()])


class Support(Struct, frozen=True, kw_only=True, eq=False):
    """What carries a resting stone.

    `touches` in the seat as drawn, `may_touch` within the uncertainty of the ledge's height;
    `centre_of_mass_mm` (3,) in the seat's frame; `presses` at the table's edge (if there is a
    table) and at the girdle.
    """

    touches: Touch
    may_touch: Touch
    centre_of_mass_mm: tuple[float, float, float]
    presses: tuple[Press, ...]


def centre_of_mass(at: Seated) -> Array:
    """Centre of mass of the stone, of even density, in the seat's frame, (3,) [mm].

    Exact: the sum over the surface's triangles of the tetrahedra they make with the origin.
    """
    solid = at.stone.polyhedron
    a, b, c = (solid.vertices[solid.triangles[:, i]] for i in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c))
    x, y, z = (volume[:, None] * (a + b + c)).sum(axis=0) / (4 * volume.sum())
    cos, sin = np.cos(at.turn_rad), np.sin(at.turn_rad)
    dx, dy = at.shift_mm
    return np.array([cos * x - sin * y + dx, sin * x + cos * y + dy, z + at.z_mm])


def support(at: Seated, ledge_u_mm: float) -> Support | None:
    """What carries the stone where it rests; None where it touches nothing.

    `ledge_u_mm` is the standard uncertainty of the ledge's height from place to place.
    """
    mass = centre_of_mass(at)
    tolerances = TOUCHING_MM, max(ledge_u_mm, TOUCHING_MM)
    every = list(_contacts(at, tolerances))
    found = [
        _touch(tolerance, [(on, each[k]) for on, each in every], mass)
        for k, tolerance in enumerate(tolerances)
    ]
    if not found[0].arcs:
        return None
    polygons = [_polygon(each.points) for each in found]
    girdle = _at_directions(at, at.outline)
    table = _table(at)
    presses = []
    for name, ring in (("table", table), ("girdle", girdle)):
        if ring is None:
            continue
        outside = [-_inside(polygon, ring) for polygon in polygons]
        presses.append(
            Press(
                on=name,
                direction_deg=direction_deg(ring - at.shift_mm),
                outside_mm=outside[0],
                outside_at_best_mm=outside[1],
            )
        )
    x, y, z = mass
    return Support(
        touches=found[0],
        may_touch=found[1],
        centre_of_mass_mm=(float(x), float(y), float(z)),
        presses=tuple(presses),
    )


def _touch(tolerance: float, contacts: Sequence[tuple[str, Array]], mass: Array) -> Touch:
    arcs: list[tuple[float, float, str]] = []
    points: list[Array] = []
    for on, ends in contacts:
        points.append(ends.reshape(-1, 3))
        points.append(ends.mean(axis=1))
        direction = direction_deg(ends)
        way = (direction[:, 1] - direction[:, 0] + 180) % 360 - 180
        first = np.where(way >= 0, direction[:, 0], direction[:, 1])
        arcs += [(a, w, on) for a, w in zip(first.tolist(), np.abs(way).tolist(), strict=True)]
    joined = _joined(arcs)
    every = np.concatenate([*points, np.zeros((0, 3))])
    start, size = _widest_open(joined)
    return Touch(
        tolerance_mm=tolerance,
        arcs=joined,
        points=every,
        open_arc_deg=size,
        open_from_deg=start,
        mass_inside_mm=float(_inside(_polygon(every), mass[None, :2])[0]) if joined else -np.inf,
    )


def _contacts(
    at: Seated, tolerances: tuple[float, float]
) -> Iterator[tuple[str, tuple[Array, Array]]]:
    """Stretches (n, 2, 3) of metal within each tolerance of the stone, by what they lie on."""
    rows = []
    if at.ledge is not None:
        inner, outer = at.ledge
        first, last = at.ledge_runs
        name = "notch" if at.claws else "ledge"
        rows.append((f"{name} edge", inner[first], inner[last], 0.0))
        # Lines down the ledge, and the diagonals of its quads.
        left = at.seats.has_ledge
        rows.append((name, inner[left], outer[left], _FACE))
        rows.append((name, inner[first], outer[last], _FACE))
    if at.rail is not None:
        rows.append(("gallery", at.rail, np.roll(at.rail, -1, axis=0), 0.0))
    widest = max(tolerances)
    for body in at.bodies:
        for on, start, stop, least in rows:
            # Under a plane an edge is highest at one of its ends.
            hopeful = _hopeful(body, start, stop) >= -widest
            if hopeful.any():
                ends = start[hopeful], stop[hopeful]
                near = approach(body, *ends)
                first_, second = (
                    _stretches(body, *ends, near, tolerance, least) for tolerance in tolerances
                )
                yield on, (first_, second)
        for surface in at.surfaces:
            if surface.role != "support":
                continue
            k, z = vertices_over(body, surface.triangles, -widest)
            place = np.column_stack([body.underside[k, :2], z])
            high = z - body.underside[k, 2]
            first_, second = (
                np.stack([place[high >= -tolerance]] * 2, axis=1) for tolerance in tolerances
            )
            yield surface.name, (first_, second)


def _stretches(
    body: Body, start: Array, stop: Array, near: Approach, tolerance: float, least: float
) -> Array:
    """Parts of edges within a tolerance of a body, (n, 2, 3).

    Of lines down a ledge only what lies beyond `least` of their way counts as its face.
    """
    parts = within(body, start, stop, near, -tolerance)
    kept = (near.rise >= -tolerance) & (parts[:, 1] > least)
    part = np.maximum(parts[kept], least)[..., None]
    stretch: Array = start[kept][:, None] + part * (stop - start)[kept][:, None]
    return stretch


def _hopeful(body: Body, start: Array, stop: Array) -> Array:
    """An upper bound of z_metal - lower side along edges, (e,)."""
    slopes, heights = body.lower
    begin, end = (each[:, 2, None] - each[:, :2] @ slopes.T - heights for each in (start, stop))
    bound: Array = np.maximum(begin, end).min(axis=1)
    return bound


def _joined(arcs: list[tuple[float, float, str]]) -> tuple[Arc, ...]:
    """Join arcs (start, size, on) that meet, round the turn.

    Contact on both edge and face of a ledge is contact on the ledge.
    """
    if not arcs:
        return ()
    arcs = sorted(arcs)
    groups: list[list[Any]] = []
    for start, size, on in arcs:
        if groups and start <= groups[-1][1] + _JOINED_DEG:
            groups[-1][1] = max(groups[-1][1], start + size)
            groups[-1][2].add(on)
        else:
            groups.append([start, start + size, {on}])
    if len(groups) > 1 and groups[0][0] + 360 <= groups[-1][1] + _JOINED_DEG:
        start, stop, names = groups.pop(0)
        groups[-1][1] = max(groups[-1][1], stop + 360)
        groups[-1][2] |= names
    found = []
    for start, stop, names in groups:
        whole = stop - start >= 360 - _JOINED_DEG
        found.append(
            Arc(
                from_deg=0.0 if whole else start % 360,
                to_deg=360.0 if whole else stop % 360,
                on=" and ".join(sorted(names)),
            )
        )
    return tuple(found)


def _widest_open(arcs: tuple[Arc, ...]) -> tuple[float, float]:
    """Beginning and size of the widest stretch between arcs [deg]."""
    if not arcs:
        return 0.0, 360.0
    if arcs[0].size_deg == 360:
        return 0.0, 0.0
    open_ = [
        (
            (after.from_deg - arc.to_deg) % 360 if len(arcs) > 1 else 360 - arc.size_deg,
            arc.to_deg,
        )
        for arc, after in zip(arcs, (*arcs[1:], arcs[0]), strict=True)
    ]
    size, start = max(open_)
    return start, size


def _polygon(points: Array) -> Array:
    """Hull of contact points seen from above, counter-clockwise, (k, 2); k < 3 if it has no area.

    Hulls narrower than a touch carry nothing sideways.
    """
    import shapely

    if len(points) == 0:
        return np.zeros((0, 2))
    hull = shapely.MultiPoint(points[:, :2]).convex_hull
    if hull.geom_type != "Polygon":
        return np.asarray(shapely.get_coordinates(hull))
    ring = shapely.get_coordinates(hull.exterior)[:-1]
    return np.asarray(ring if hull.exterior.is_ccw else ring[::-1])


def _inside(polygon: Array, points: Array) -> Array:
    """How far plan points (n, 2) are inside a convex polygon, negative outside [mm]."""
    import shapely

    if len(polygon) < 3:
        shape = shapely.Point(polygon[0]) if len(polygon) == 1 else shapely.LineString(polygon)
        away: Array = -shapely.distance(shapely.points(points), shape)
        return away
    ring = shapely.Polygon(polygon)
    away = shapely.distance(shapely.points(points), ring.exterior)
    return np.where(shapely.contains_xy(ring, points), away, -away)


def _at_directions(at: Seated, ring: Array) -> Array:
    """Where rays from the stone's middle leave a ring round it, (n, 2)."""
    import shapely

    angle = np.arange(_PRESSED) * 2 * np.pi / _PRESSED
    centre = np.asarray(at.shift_mm)
    reach = 1.1 * np.linalg.norm(ring - centre, axis=1).max()
    far = centre + reach * np.column_stack([np.cos(angle), np.sin(angle)])
    rays = shapely.linestrings(np.stack([np.broadcast_to(centre, far.shape), far], axis=1))
    met = shapely.intersection(rays, shapely.Polygon(ring).exterior)
    found = [shapely.get_coordinates(each)[-1] for each in met]
    return np.array(found)


def _table(at: Seated) -> Array | None:
    """The table's edge at every direction, (n, 2); None for a dome or a point."""
    import shapely

    solid = at.stone.polyhedron.vertices
    top = solid[solid[:, 2] >= solid[:, 2].max() - 1e-9, :2]
    hull = shapely.MultiPoint(top).convex_hull
    if hull.geom_type != "Polygon" or hull.area < 0.01 * at.girdle_polygon.area:
        return None
    c, s = np.cos(at.turn_rad), np.sin(at.turn_rad)
    ring = shapely.get_coordinates(hull.exterior)[:-1] @ np.array([[c, s], [-s, c]]) + at.shift_mm
    if not shapely.Polygon(ring).contains(shapely.Point(at.shift_mm)):
        return None
    return _at_directions(at, ring)
