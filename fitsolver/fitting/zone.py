"""How clear of metal a stone lies, zone by zone, round the seat: exact for the polygons.

Beside the girdle clearance is measured sideways, square to the outline; under the stone upright,
as the stone would go down. Negative = overlap. Every zone has a field by direction and a least
value with its place; the least is exact, and no value of the field is below it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.contact import approach, highest, tops
from fitsolver.fitting.seated import Seated, direction_deg

Array = NDArray[np.float64]
Way = Literal["sideways", "upright"]

# Directions and places along each that draw the clearance over a finger or a back.
_RAYS = 72
_ALONG = np.linspace(0.0, 1.0, 16)
# Nearer to the seat's centre a place has no direction [mm].
_MIDDLE_MM = 0.3


class Zone(Struct, frozen=True, kw_only=True, eq=False):
    """One zone's clearance.

    `direction_deg` and `clearance_mm` (n,) the field round the seat, nan where the stone is not
    beside or over the metal; `least_mm` its least (inf where the stone is nowhere over it) at
    `point_mm` (3,) of the metal, `at_deg` its direction or None under the middle; measured
    `sideways` or `upright`.
    """

    name: str
    way: Way
    direction_deg: Array
    clearance_mm: Array
    least_mm: float
    at_deg: float | None
    point_mm: tuple[float, float, float]


class LedgeZone(Struct, frozen=True, kw_only=True, eq=False):
    """Ledge or notches under the girdle, by direction (n,).

    `cover_mm` how far the outline overhangs the inner edge (nan where no ledge is left);
    `ledge_deg`, `pavilion_deg` the slopes of the two from the level, `gap_mm` how far they part
    over the bearing's width (nan where less than 0.02 mm of ledge is under the stone).
    """

    direction_deg: Array
    cover_mm: Array
    ledge_deg: Array
    pavilion_deg: Array
    gap_mm: Array


class Evenness(Struct, frozen=True, kw_only=True):
    """The gap that the eye sees from above, between girdle and metal [mm]."""

    widest_mm: float
    widest_deg: float
    narrowest_mm: float
    narrowest_deg: float
    spread_mm: float


def zones(at: Seated) -> tuple[Zone, ...]:
    """Every zone of the seat, from the girdle down."""
    return tuple(_zones(at))


def _zones(at: Seated) -> Iterator[Zone]:
    yield _beside(at)
    if at.ledge is not None:
        inner = at.ledge[0]
        first, last = at.ledge_runs
        yield _under(at, "notch edge" if at.claws else "ledge edge", inner[first], inner[last])
    if at.rail is not None:
        gallery = _under(at, "gallery", at.rail, np.roll(at.rail, -1, axis=0))
        # A stone far off centre may be lower over the rail's breadth than over its edge, by more
        # than rounding.
        breadth = next(item for item in at.surfaces if item.name == "gallery")
        rise, point = highest(at.bodies, breadth.triangles, 1e-6 - gallery.least_mm)
        yield gallery if rise == -np.inf else _with_least(gallery, -rise, point)
    yield _floor(at)


def _with_least(zone: Zone, least: float, point: Array) -> Zone:
    from msgspec.structs import replace

    at_deg = _place(point)
    x, y, z = point
    return replace(zone, least_mm=least, at_deg=at_deg, point_mm=(float(x), float(y), float(z)))


def _place(point: Array) -> float | None:
    return None if np.hypot(point[0], point[1]) < _MIDDLE_MM else float(direction_deg(point))


def _zone(name: str, way: Way, clearance: Array, points: Array) -> Zone:
    """A zone whose field is given at metal points (n, 3)."""
    # Of places equal but for rounding the first, on every machine.
    k = int(np.round(np.nan_to_num(clearance, nan=np.inf), 6).argmin())
    x, y, z = points[k]
    return Zone(
        name=name,
        way=way,
        direction_deg=direction_deg(points),
        clearance_mm=clearance,
        least_mm=float(np.nanmin(np.append(clearance, np.inf))),
        at_deg=_place(points[k]),
        point_mm=(float(x), float(y), float(z)),
    )


def _beside(at: Seated) -> Zone:
    face = at.face_at(at.level_mm)
    first, last = at.runs
    gap, place = gaps(at, face[first], face[last])
    points = np.column_stack([place, at.level_mm[first]])
    return _zone("claw" if at.claws else "wall", "sideways", gap, points)


def gaps(at: Seated, start: Array, stop: Array) -> tuple[Array, Array]:
    """Distance of runs of metal (m, 2) off the girdle outline, and the nearest metal, (m, 2).

    Negative where they overlap: how deep the run's deepest point is inside the outline, or, if
    that is more, how far a vertex of the outline has passed the run.
    """
    import shapely

    lines = shapely.linestrings(np.stack([start, stop], axis=1))
    nearest = shapely.get_coordinates(shapely.shortest_line(lines, at.girdle_polygon))
    nearest = nearest.reshape(-1, 2, 2)
    gap = np.linalg.norm(nearest[:, 1] - nearest[:, 0], axis=1)
    place = nearest[:, 0].copy()
    over = np.flatnonzero(gap <= 0)
    if len(over):
        depth, part = _deepest(at, start[over], stop[over])
        gap[over] = -depth
        place[over] = start[over] + part[:, None] * (stop - start)[over]
    return gap, place


def _deepest(at: Seated, start: Array, stop: Array) -> tuple[Array, Array]:
    """How deep runs of metal (m, 2) lie in the outline, at least 0, and where along them, (m,)."""
    way = stop - start
    length = np.linalg.norm(way, axis=1)
    low, high = np.zeros(len(start)), np.ones(len(start))
    depth, part = low.copy(), low.copy()
    for body in at.bodies:
        normals, reach = body.sides
        size = np.linalg.norm(normals, axis=1)
        normals, reach = normals / size[:, None], reach / size
        # Inside a convex outline the distance from its sides is a least of straight lines. (A
        # heart's halves count the cut between them: less than the depth near it.)
        inside, where = tops(reach - start @ normals.T, -way @ normals.T, low, high)
        part = np.where(inside > depth, where, part)
        depth = np.maximum(depth, inside)
    out = np.column_stack([way[:, 1], -way[:, 0]]) / length[:, None]
    to = at.outline[:, None] - start
    along = np.einsum("vri,ri->vr", to, way) / length**2
    beyond = np.einsum("vri,ri->vr", to, out)
    beyond = np.where((along > 0) & (along < 1), beyond, -np.inf)
    vertex = beyond.argmax(axis=0)
    runs = np.arange(len(start))
    passed = beyond[vertex, runs]
    part = np.where(passed > depth, along[vertex, runs], part)
    return np.maximum(depth, passed), part


def _under(at: Seated, name: str, start: Array, stop: Array) -> Zone:
    """Upright clearance over straight edges of metal (m, 3)."""
    clearance, points = np.full(len(start), np.nan), start.copy()
    for body in at.bodies:
        near = approach(body, start, stop)
        clear = np.where(np.isfinite(near.rise), -near.rise, np.nan)
        lower = np.isfinite(clear) & ~(clear >= clearance)
        clearance = np.where(lower, clear, clearance)
        place = start + near.part[:, None] * (stop - start)
        points = np.where(lower[:, None], place, points)
    return _zone(name, "upright", clearance, points)


def _floor(at: Seated) -> Zone:
    """Clearance over a closed back, a flat floor or a curved finger."""
    closed = at.seats.back == "closed"
    field = _rays(at)
    lowest, point = _least_over_floor(at)
    x, y, z = point
    return Zone(
        name="back" if closed else "finger",
        way="upright",
        direction_deg=np.arange(_RAYS) * 360.0 / _RAYS,
        clearance_mm=np.maximum(field, lowest),
        least_mm=lowest,
        at_deg=_place(point),
        point_mm=(float(x), float(y), float(z)),
    )


def floor_z(at: Seated, points: Array) -> Array:
    """Height of the finger or back under plan points (..., 2), -inf beside a finger [mm].

    The finger is a cylinder along the seat's width or length, its highest line below the middle
    of the opening at the depth that was measured.
    """
    level = float(at.seats.floor_z[0])
    if at.finger_diameter_mm is None:
        return np.full(points.shape[:-1], level)
    radius = at.finger_diameter_mm / 2
    across = points[..., 0 if at.finger_along == "width" else 1]
    dip = radius - np.sqrt(np.maximum(radius**2 - across**2, 0.0))
    return np.where(np.abs(across) <= radius, level - dip, -np.inf)


def _rays(at: Seated) -> Array:
    """Least upright clearance over the floor along each direction from the stone's middle."""
    angle = np.arange(_RAYS) * 2 * np.pi / _RAYS
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    reach = np.linalg.norm(at.outline - at.shift_mm, axis=1).max()
    points = at.shift_mm + reach * _ALONG[:, None, None] * ray
    lower = np.min([body.lower_at(points) for body in at.bodies], axis=0)
    # Beside a finger, and beside the stone, nothing is near.
    clear: Array = (lower - floor_z(at, points)).min(axis=0)
    return np.where(np.isfinite(clear), clear, np.nan)


def _least_over_floor(at: Seated) -> tuple[float, Array]:
    """Least upright clearance over the floor and the metal's point there.

    Stone and finger are convex: along the finger the clearance is straight over every facet, so
    it is least at a vertex or along an edge of the stone. Along an edge that falls by q for every
    millimetre across a finger of radius R it is least where the finger falls as fast,
    q R / sqrt(1 + q^2) off its highest line.
    """
    turned = at.stone.polyhedron
    c, s = np.cos(at.turn_rad), np.sin(at.turn_rad)
    points = turned.vertices.copy()
    points[:, :2] = points[:, :2] @ np.array([[c, s], [-s, c]]) + at.shift_mm
    points[:, 2] += at.z_mm
    if at.finger_diameter_mm is None:
        low = points[:, 2] <= points[:, 2].min() + 1e-9
        middle = points[low].mean(axis=0)
        floor = float(at.seats.floor_z[0])
        return float(middle[2] - floor), np.array([middle[0], middle[1], floor])
    radius = at.finger_diameter_mm / 2
    k = 0 if at.finger_along == "width" else 1
    pairs = turned.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    a, b = points[pairs[:, 0]], points[pairs[:, 1]]
    run, fall = b[:, k] - a[:, k], a[:, 2] - b[:, 2]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        q = np.where(np.abs(run) > 1e-12, fall / run, 0.0)
        # Both ends of the finger too: an edge may reach beyond it.
        targets = (
            radius * q / np.sqrt(1 + q**2),
            np.full_like(q, radius),
            np.full_like(q, -radius),
        )
        parts = [np.clip((target - a[:, k]) / run, 0.0, 1.0) for target in targets]
    tried = [points]
    for part in parts:
        known = np.isfinite(part)
        tried.append(a[known] + part[known, None] * (b - a)[known])
    every = np.concatenate(tried)
    floor_under = floor_z(at, every[:, :2])
    clear = every[:, 2] - floor_under
    best = int(clear.argmin())
    return float(clear[best]), np.array([*every[best, :2], floor_under[best]])


def ledge(at: Seated) -> LedgeZone | None:
    """Cover and bearing of a cut seat at every station with a ledge; None for an uncut one."""
    if at.ledge is None:
        return None
    import shapely

    inner, outer = (edge[at.seats.has_ledge] for edge in at.ledge)
    points = shapely.points(inner[:, :2])
    away = shapely.distance(points, at.girdle_polygon.exterior)
    cover = np.where(at.girdle_polygon.contains_properly(points), away, -away)
    breadth = np.linalg.norm(outer[:, :2] - inner[:, :2], axis=1)
    slope = np.rad2deg(np.arctan2(outer[:, 2] - inner[:, 2], breadth))
    pavilion, gap = np.full(len(inner), np.nan), np.full(len(inner), np.nan)
    for body in at.bodies:
        near = approach(body, inner, outer)
        under = (near.low == 0) & (near.high * breadth >= 0.02) & np.isnan(pavilion)
        if not under.any():
            continue
        end = (1 - 1e-9) * near.high[under, None]
        parts = np.array([0.0, 0.5, 1.0])[:, None, None] * end
        places = inner[under] + parts * (outer - inner)[under]
        lower = body.lower_at(places[..., :2])
        width = end[:, 0] * breadth[under]
        pavilion[under] = np.rad2deg(np.arctan2(lower[2] - lower[0], width))
        gap[under] = np.ptp(places[..., 2] - lower, axis=0)
    return LedgeZone(
        direction_deg=direction_deg(inner),
        cover_mm=cover,
        ledge_deg=slope,
        pavilion_deg=pavilion,
        gap_mm=gap,
    )


def evenness(beside: Zone) -> Evenness:
    """How even the gap beside the girdle is, over the stations of the zone."""
    gap = beside.clearance_mm
    wide, narrow = int(np.round(gap, 6).argmax()), int(np.round(gap, 6).argmin())
    return Evenness(
        widest_mm=float(gap[wide]),
        widest_deg=float(beside.direction_deg[wide]),
        narrowest_mm=float(gap[narrow]),
        narrowest_deg=float(beside.direction_deg[narrow]),
        spread_mm=float(gap.std()),
    )
