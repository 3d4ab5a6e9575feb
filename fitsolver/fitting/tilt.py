"""How far a stone can lie out of level in its seat, by direction.

A stone in a conical seat tilts and slides at once, and rises hardly at all: gravity does not level
it, the setter does. So what is told is a band: in every direction the tilt at which, slid sideways
as suits it best, the stone would have to rise by more than an allowance, or meets metal beside it.

For one tilt the question is whether a sideways shift exists at which all clearances are at least
0 with the centre of mass the allowance above its level rest. Every place that may touch gives one
straight condition: a metal point keeps outside the facet that parts it from the stone; a vertex
of the girdle keeps above the ledge, and within the wall, before it. `centring.widest_least` finds
the shift that serves all best, for all directions at once. What is neglected: stone and metal
edges that cross between stations (0.005 mm on 180 of them). The rise that is told is exact, by a
drop of the tilted stone.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.body import Body, placed, rotation
from fitsolver.fitting.centring import widest_least
from fitsolver.fitting.contact import highest
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.support import centre_of_mass
from fitsolver.seats.seat import FACE_POINTS

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

DIRECTIONS = 12
# No tilt beyond this is looked for: nobody overlooks it.
MOST_DEG = 10.0
# Facets that may part a metal point from the stone as it tilts.
_FACETS = 6
# Tilts that bracket the limit [deg], and halvings that follow: to a sixteenth of a bracket.
_TRIED_DEG = (1.0, 2.0, 4.0, MOST_DEG)
_HALVINGS = 4
# Tilts at which the tightest conditions of each direction are picked out, and how many.
_LOOKED_AT_DEG = (0.5, 3.0)
_TIGHTEST = 16
# Slack that is none, and metal that is met [mm].
_ROUNDING_MM, _MEETS_MM = 1e-4, 0.002
# Sectors of the round of whose girdle vertices the lowest is tried.
_SECTORS = 90


class Tilt(Struct, frozen=True, kw_only=True, eq=False):
    """The tilt band: `direction_deg` (n,) of the side that goes down, `tilt_deg` (n,) how far.

    `stopped_by` (n,): "rise" where more tilt would lift the stone by more than `rise_mm`, "wall"
    or "claw" where metal beside it keeps it from sliding farther, too; "" where `MOST_DEG` is
    reached. `shift_mm` (n, 2) how the centre of mass slides meanwhile.
    """

    rise_mm: float
    direction_deg: Array
    tilt_deg: Array
    stopped_by: tuple[str, ...]
    shift_mm: Array

    @property
    def least(self) -> tuple[float, float]:
        """Smallest tilt that stops it, and its direction [deg]."""
        k = int(np.round(self.tilt_deg, 3).argmin())
        return float(self.tilt_deg[k]), float(self.direction_deg[k])

    @property
    def most(self) -> tuple[float, float]:
        """Largest tilt it can take, and its direction [deg]."""
        k = int(np.round(self.tilt_deg, 3).argmax())
        return float(self.tilt_deg[k]), float(self.direction_deg[k])


class _Conditions(Struct, frozen=True, kw_only=True, eq=False):
    """Straight conditions about the centre of mass, level: what a tilt turns and what it leaves.

    Runs of metal from `points` (p, 3) along `ways` (p, 3), each with facets `facets` (p, f, 3) and
    `reach` (p, f) that may part it from the stone; `vertices` (v, 3) of the stone, each with the
    plane `planes` (v, 3), `levels` (v,) it stays above; `beside` (p + v,) tells which are of the
    metal beside the girdle.
    """

    points: Array
    ways: Array
    facets: Array
    reach: Array
    vertices: Array
    planes: Array
    levels: Array
    beside: NDArray[np.bool_]

    def of(self, chosen: NDArray[np.bool_]) -> _Conditions:
        """The chosen ones (p + v,)."""
        runs, vertices = chosen[: len(self.points)], chosen[len(self.points) :]
        return _Conditions(
            points=self.points[runs],
            ways=self.ways[runs],
            facets=self.facets[runs],
            reach=self.reach[runs],
            vertices=self.vertices[vertices],
            planes=self.planes[vertices],
            levels=self.levels[vertices],
            beside=self.beside[chosen],
        )

    def at(self, turns: Array, shift: Array) -> tuple[Array, Array]:
        """Slacks (s, p + v) and their falls (2, s, p + v) with a sideways shift.

        For turns (s, 3, 3) and shifts (s, 3) of the centre of mass. Along a run the distance off
        the stone is a greatest of straight lines: it is least at an end, or where one that falls
        crosses one that rises; there an edge of the stone faces the run, squarely to both.
        """
        own = (self.points - shift[:, None]) @ turns
        across = self.facets.transpose(0, 2, 1)
        begin = _dot(own, across) - self.reach
        rate = _dot(self.ways @ turns, across)
        first, last = begin.argmax(axis=2)[..., None], (begin + rate).argmax(axis=2)[..., None]
        falls, rises = (np.take_along_axis(rate, k, axis=2)[..., 0] for k in (first, last))
        own_begin, other = (np.take_along_axis(begin, k, axis=2)[..., 0] for k in (first, last))
        between = (falls < 0) & (rises > 0)
        apart = np.where(between, rises - falls, 1.0)
        part = np.where(between, (own_begin - other) / apart, own_begin > other + rises)
        part = np.clip(part, 0.0, 1.0)
        slack = (begin + part[..., None] * rate).max(axis=2)
        share = np.where(between, rises / apart, 1.0 - part)[..., None]
        row = np.arange(len(self.points))
        normal = share * self.facets[row, first[..., 0]]
        normal += (1 - share) * self.facets[row, last[..., 0]]
        plan = np.einsum("spj,sij->isp", normal, turns[:, :2])
        tilted = np.einsum("vj,sij->svi", self.vertices, turns) + shift[:, None]
        above = np.einsum("svi,vi->sv", tilted, self.planes) - self.levels
        fall = np.broadcast_to(-self.planes.T[:2, None], (2, *above.shape))
        return np.hstack([slack, above]), np.concatenate([plan, fall], axis=2)


def _dot(vectors: Array, facets: Array) -> Array:
    """Products of vectors (s, p, 3) and every one's facets (p, 3, f): (s, p, f)."""
    x, y, z = (vectors[..., i, None] for i in range(3))
    product: Array = x * facets[:, 0]
    product += y * facets[:, 1]
    product += z * facets[:, 2]
    return product


def tilt_band(at: Seated, rise_mm: float) -> Tilt | None:
    """The tilt band of a resting stone; None in an uncut seat, where the bearing is yet to be cut.

    `rise_mm` is the allowed rise of the centre of mass.
    """
    if at.ledge is None:
        return None
    mass = centre_of_mass(at)
    toward = np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS
    width = at.stone.width_mm
    every = _conditions(at, mass)

    def slid(
        conditions: _Conditions, tilt: Array, start: Array, rounds: int = 2
    ) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Shifts (s, 2) that suit tilts (s,) best, and the slacks there."""
        turns = np.array([rotation(0.0, a, t) for a, t in zip(toward, tilt, strict=True)])
        shift = np.column_stack([start, np.full(len(start), rise_mm)])
        for _ in range(rounds):
            slack, fall = conditions.at(turns, shift)
            shift[:, :2] += width * widest_least(slack / width, fall).T
        return shift[:, :2], conditions.at(turns, shift)[0], conditions.beside

    # Only what comes near in some direction at a small or a large tilt is looked at again.
    near = np.zeros(len(every.beside), dtype=bool)
    start = np.zeros((DIRECTIONS, 2))
    for tilt_deg in _LOOKED_AT_DEG:
        start, slack, _ = slid(every, np.full(DIRECTIONS, np.deg2rad(tilt_deg)), start, 1)
        count = min(_TIGHTEST, slack.shape[1] - 1)
        near[np.unique(np.argpartition(slack, count, axis=1)[:, :count])] = True
    few = every.of(near)

    low, high = np.zeros(DIRECTIONS), np.full(DIRECTIONS, np.deg2rad(MOST_DEG))
    best, met = np.zeros((DIRECTIONS, 2)), np.full(DIRECTIONS, np.inf)
    rising = iter(np.deg2rad(_TRIED_DEG))
    reached = np.ones(DIRECTIONS, dtype=bool)
    for _ in range(len(_TRIED_DEG) + _HALVINGS):
        step = next(rising, None)
        tilt = np.where(reached, high if step is None else step, (low + high) / 2)
        shift, slack, beside = slid(few, tilt, best)
        held = slack.min(axis=1) >= -_ROUNDING_MM
        low[held], best[held] = tilt[held], shift[held]
        met[held] = slack[:, beside].min(axis=1, initial=np.inf)[held]
        high = np.where(held, high, tilt)
        reached &= held
    name = "claw" if at.claws else "wall"
    stopped = tuple(
        "" if far else name if close < _MEETS_MM else "rise"
        for far, close in zip(reached.tolist(), met.tolist(), strict=True)
    )
    return Tilt(
        rise_mm=rise_mm,
        direction_deg=np.rad2deg(toward),
        tilt_deg=np.rad2deg(low),
        stopped_by=stopped,
        shift_mm=best,
    )


def tilted_bodies(
    at: Seated, mass: Array, toward_rad: float, tilt_rad: float, shift: Array
) -> tuple[Body, ...]:
    """The stone's bodies, tilted about its centre of mass and shifted sideways (2,) [mm]."""
    about = rotation(0.0, toward_rad, tilt_rad)
    to = mass - about @ mass + np.array([shift[0], shift[1], 0.0])
    level = placed(at.stone, at.shift_mm, at.turn_rad, z_mm=at.z_mm)
    return tuple(body.moved(about, to) for body in level)


def risen_mm(at: Seated, toward_rad: float, tilt_rad: float, shift: Array) -> float:
    """By how much the centre of mass rises for the tilted stone to clear its support: exact."""
    mass = centre_of_mass(at)
    bodies = tilted_bodies(at, mass, toward_rad, tilt_rad, shift)
    best = -np.inf
    for surface in at.surfaces:
        if surface.role == "support":
            best = max(best, highest(bodies, surface.triangles, best)[0])
    return best


def _conditions(at: Seated, mass: Array) -> _Conditions:
    """What may stop the stone from tilting, about its centre of mass."""
    assert at.ledge is not None
    inner, outer = at.ledge
    first, last = at.runs
    rows = [(inner, *at.ledge_runs, False)]
    if at.rail is not None:
        count = np.arange(len(at.rail))
        rows.append((at.rail, count, np.roll(count, -1), False))
    # The face beside the girdle's lower and upper edge; none below the ledge or above the top.
    low, seats = at.girdle_bottom_mm, at.seats
    for z in (low, low + at.stone.girdle_mm):
        height = np.clip(z, outer[:, 2], np.maximum(seats.top[0], outer[:, 2]))
        face = np.column_stack([at.face_at(height), height])
        rows.append((face, first, last, True))
    points = np.concatenate([row[start] for row, start, _, _ in rows]) - mass
    ways = np.concatenate([row[stop] - row[start] for row, start, stop, _ in rows])
    by_run = np.repeat([beside for *_, beside in rows], [len(start) for _, start, _, _ in rows])
    facets, reach = _facets(at, mass, points, ways)

    vertices = _girdle_vertices(at) - mass
    planes, levels, walls = _planes(at, mass, vertices, inner, outer, first, last)
    chosen = np.isfinite(levels)
    return _Conditions(
        points=points,
        ways=ways,
        facets=facets,
        reach=reach,
        vertices=np.tile(vertices, (2, 1))[chosen],
        planes=planes[chosen],
        levels=levels[chosen],
        beside=np.concatenate([by_run, walls[chosen]]),
    )


def _facets(at: Seated, mass: Array, points: Array, ways: Array) -> tuple[Array, Array]:
    """For every run of metal the facets that part it from the stone best: (p, f, 3), (p, f).

    Of a heart's two halves a run is near one; it must clear that one.
    """
    found = []
    for body in at.bodies:
        reach = body.offsets - body.normals @ mass
        begin = points @ body.normals.T - reach
        end = begin + ways @ body.normals.T
        # Behind the best at either end by least.
        behind = np.minimum(
            begin.max(axis=1, keepdims=True) - begin, end.max(axis=1, keepdims=True) - end
        )
        count = min(_FACETS, behind.shape[1])
        best = np.argpartition(behind, count - 1, axis=1)[:, :count]
        found.append((begin.max(axis=1), body.normals[best], reach[best]))
    if len(found) == 1:
        return found[0][1], found[0][2]
    nearer = found[0][0] <= found[1][0]
    return (
        np.where(nearer[:, None, None], found[0][1], found[1][1]),
        np.where(nearer[:, None], found[0][2], found[1][2]),
    )


def _girdle_vertices(at: Seated) -> Array:
    """Vertices of the girdle's lower edge, in every sector the lowest, and above them, (v, 3)."""
    ring = at.outline
    centre = np.asarray(at.shift_mm)
    # Moved in by a hair, so that they lie under the stone.
    inside = centre + (ring - centre) * (1 - 1e-7)
    lower = np.min([body.lower_at(inside) for body in at.bodies], axis=0)
    edge = np.roll(ring, -1, axis=0) - ring
    before = np.roll(edge, 1, axis=0)
    turn = np.arctan2(
        before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0], (before * edge).sum(axis=1)
    )
    around = np.arctan2(*(ring - centre).T[::-1])
    sector = np.floor((around / (2 * np.pi) + 0.5) * _SECTORS)
    order = np.lexsort([lower, sector])
    lowest = order[np.append(True, np.diff(sector[order]) > 0)]
    kept = np.union1d(lowest, np.flatnonzero(turn > np.deg2rad(10)))
    kept = kept[np.isfinite(lower[kept])]
    plan, upper = ring[kept], np.full(len(kept), at.girdle_bottom_mm + at.stone.girdle_mm)
    return np.concatenate([np.column_stack([plan, lower[kept]]), np.column_stack([plan, upper])])


def _planes(
    at: Seated, mass: Array, vertices: Array, inner: Array, outer: Array,
    first: Indices, last: Indices,
) -> tuple[Array, Array, NDArray[np.bool_]]:  # fmt: skip
    """For every vertex (v,) the ledge's plane below it and the face before it.

    Returns planes (2 v, 3), levels (2 v,) (nan where there is no metal), and which are faces.
    """
    place = vertices + mass
    start, stop = outer[first], outer[last]
    way = stop[:, :2] - start[:, :2]
    length = np.linalg.norm(way, axis=1)
    to = place[:, None, :2] - start[:, :2]
    part = np.einsum("vri,ri->vr", to, way / length[:, None] ** 2)
    # The run a vertex is before: the one whose middle it is nearest to.
    off = np.abs(part - 0.5) * length + 1e-3 * np.linalg.norm(to, axis=2)
    run = off.argmin(axis=1)
    rows = np.arange(len(place))
    before = np.abs(part[rows, run] - 0.5) <= (0.6 if not at.claws else 0.5 + 0.1 / FACE_POINTS)
    low = inner[first[run]]
    up = np.cross(stop[run] - start[run], low - start[run])
    up *= np.sign(up[:, 2:])
    up /= np.linalg.norm(up, axis=1)[:, None]
    floor_level = np.einsum("ri,ri->r", up, start[run] - mass)
    lean = at.lean[first[run]]
    out = np.column_stack([way[run][:, 1], -way[run][:, 0]]) / length[run, None]
    face = -np.column_stack([out, lean]) / np.hypot(1.0, lean)[:, None]
    foot = start[run] - mass
    foot[:, :2] -= (start[run, 2] * lean)[:, None] * out
    face_level = np.einsum("ri,ri->r", face, foot)
    left = at.seats.ledge_after[first[run]]
    floor_level = np.where(before & left, floor_level, np.nan)
    face_level = np.where(before, face_level, np.nan)
    return (
        np.concatenate([up, face]),
        np.concatenate([floor_level, face_level]),
        np.repeat([False, True], len(place)),
    )
