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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitsolver.fitting.body import Body, placed, rotation
from fitsolver.fitting.centring import widest_least
from fitsolver.fitting.contact import highest
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.support import centre_of_mass
from fitsolver.seats.seat import FACE_POINTS

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

DIRECTIONS = 16
# No tilt beyond this is looked for: nobody overlooks it.
MOST_DEG = 10.0
# Facets that may part a metal point from the stone as it tilts.
_FACETS = 6
# Tilts that bracket the limit [deg], and halvings that follow: to 1 part in 16 of a bracket.
_TRIED_DEG = (0.25, 0.5, 1.0, 2.0, 4.0, MOST_DEG)
_HALVINGS = 4
_VERTICES = 72
_EVERY = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tilt:
    """The tilt band: `direction_deg` (n,) of the side that goes down, `tilt_deg` (n,) how far.

    `stopped_by` (n,): "rise" where more tilt would lift the stone by more than `rise_mm` (if the
    wall or claws kept it from sliding or not), "wall" or "claw" where metal beside it is met as
    well, "" where `MOST_DEG` is reached. `shift_mm` (n, 2) how it slides meanwhile, and
    `rises_mm` (n,) by how much its centre of mass rises there, by exact drops.
    """

    rise_mm: float
    direction_deg: Array
    tilt_deg: Array
    stopped_by: tuple[str, ...]
    shift_mm: Array
    rises_mm: Array

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Conditions:
    """Straight conditions about the centre of mass, level: what a tilt turns and what it leaves.

    `points` (p, 3) of metal, each with facets `facets` (p, f, 3) and `reach` (p, f); `vertices`
    (v, 3) of the stone, each with the plane `planes` (v, 3), `levels` (v,) it stays above;
    `beside` tells conditions of the metal beside the girdle.
    """

    points: Array
    facets: Array
    reach: Array
    vertices: Array
    planes: Array
    levels: Array
    beside: NDArray[np.bool_]

    def at(self, turns: Array, shift: Array) -> tuple[Array, Array]:
        """Slacks (s, k) and their falls (2, s, k) with a sideways shift, for turns (s, 3, 3).

        `shift` (s, 3) of the centre of mass. A point's facet is the one that parts it best there.
        """
        seen = self.points - shift[:, None]
        # Metal in the tilted stone's frame.
        own = np.einsum("spi,sij->spj", seen, turns)
        away = np.einsum("spj,pfj->spf", own, self.facets)
        away -= self.reach
        best = away.argmax(axis=2)[..., None]
        slack = np.take_along_axis(away, best, axis=2)[..., 0]
        normal = self.facets[np.arange(len(self.points)), best[..., 0]]
        plan = np.einsum("spj,sij->isp", normal, turns[:, :2])
        tilted = np.einsum("vj,sij->svi", self.vertices, turns) + shift[:, None]
        above = np.einsum("svi,vi->sv", tilted, self.planes) - self.levels
        fall = np.broadcast_to(-self.planes.T[:2, None], (2, *above.shape))
        return np.hstack([slack, above]), np.concatenate([plan, fall], axis=2)


def tilt_band(at: Seated, rise_mm: float) -> Tilt | None:
    """The tilt band of a resting stone; None in an uncut seat, where the bearing is yet to be cut.

    `rise_mm` is the allowed rise of the centre of mass.
    """
    if at.ledge is None:
        return None
    mass = centre_of_mass(at)
    toward = np.arange(DIRECTIONS) * 2 * np.pi / DIRECTIONS
    conditions = _conditions(at, mass)
    width = at.stone.width_mm

    def fits(tilt: Array, start: Array) -> tuple[NDArray[np.bool_], Array, Array]:
        """Whether tilts (s,) fit, the shifts (s, 2), and how close the metal beside is (s,)."""
        turns = np.array([rotation(0.0, a, t) for a, t in zip(toward, tilt, strict=True)])
        shift = np.column_stack([start, np.full(len(start), rise_mm)])
        for _ in range(2):
            slack, fall = conditions.at(turns, shift)
            shift[:, :2] += width * widest_least(slack / width, fall).T
        slack, _ = conditions.at(turns, shift)
        beside = slack[:, conditions.beside].min(axis=1, initial=np.inf)
        return slack.min(axis=1) >= -1e-4, shift[:, :2], beside

    low, high = np.zeros(DIRECTIONS), np.full(DIRECTIONS, np.deg2rad(MOST_DEG))
    slid, met = np.zeros((DIRECTIONS, 2)), np.full(DIRECTIONS, np.inf)
    open_ = np.ones(DIRECTIONS, dtype=bool)

    def tried(tilt: Array) -> NDArray[np.bool_]:
        held, shift, beside = fits(tilt, slid)
        held &= open_ | (tilt < high)
        low[held], slid[held], met[held] = tilt[held], shift[held], beside[held]
        return held

    for step in np.deg2rad(_TRIED_DEG):
        held = tried(np.where(open_, step, low))
        ends = open_ & ~held
        high[ends] = step
        open_ &= held
        if not open_.any():
            break
    reached = open_.copy()
    open_[:] = False
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        held = tried(middle)
        high = np.where(held | reached, high, middle)
    name = "claw" if at.claws else "wall"
    stopped = tuple(
        "" if all_ else name if close < 0.002 else "rise"
        for all_, close in zip(reached.tolist(), met.tolist(), strict=True)
    )
    rises = [
        _rise(at, mass, a, t, s) for a, t, s in zip(toward.tolist(), low.tolist(), slid, strict=True)
    ]
    return Tilt(
        rise_mm=rise_mm,
        direction_deg=np.rad2deg(toward),
        tilt_deg=np.rad2deg(low),
        stopped_by=stopped,
        shift_mm=slid,
        rises_mm=np.array(rises),
    )


def tilted_bodies(
    at: Seated, mass: Array, toward_rad: float, tilt_rad: float, shift: Array
) -> tuple[Body, ...]:
    """The stone's bodies, tilted about its centre of mass and shifted sideways (2,) [mm]."""
    about = rotation(0.0, toward_rad, tilt_rad)
    to = mass - about @ mass + np.array([shift[0], shift[1], 0.0])
    level = placed(at.stone, at.shift_mm, at.turn_rad, z_mm=at.z_mm)
    return tuple(body.moved(about, to) for body in level)


def _rise(at: Seated, mass: Array, toward: float, tilt: float, shift: Array) -> float:
    """By how much the centre of mass rises for the tilted stone to clear its support: exact."""
    bodies = tilted_bodies(at, mass, toward, tilt, shift)
    best = -np.inf
    for surface in at.surfaces:
        if surface.role == "support":
            best = max(best, highest(bodies, surface.triangles, best)[0])
    return best


def _conditions(at: Seated, mass: Array) -> _Conditions:
    """What may stop the stone from tilting, about its centre of mass."""
    assert at.ledge is not None
    inner, outer = at.ledge
    girdle = at.stone.girdle_mm
    first, last = at.runs
    kept = np.arange(0, len(inner), 1 if at.claws else _EVERY)
    metal, beside = [inner[kept]], [False]
    if at.rail is not None:
        metal.append(at.rail)
        beside.append(False)
    # The face beside the girdle, from a little below it to above; none below the ledge.
    low = float(at.girdle_bottom_mm)
    for z in (low, low + girdle, low + girdle + 0.3):
        height = np.clip(z, outer[kept, 2], np.maximum(at.seats.top[0, kept], outer[kept, 2]))
        metal.append(np.column_stack([_face(at, kept, height), height]))
        beside.append(True)
    points = np.concatenate(metal) - mass
    by_point = np.repeat(beside, [len(each) for each in metal])
    facets, reach = _facets(at, mass, points)

    vertices = _girdle_vertices(at) - mass
    planes, levels, walls = _planes(at, mass, vertices, inner, outer, first, last)
    chosen = np.isfinite(levels).ravel()
    return _Conditions(
        points=points,
        facets=facets,
        reach=reach,
        vertices=np.tile(vertices, (2, 1))[chosen],
        planes=planes[chosen],
        levels=levels[chosen],
        beside=np.concatenate([by_point, walls[chosen]]),
    )


def _face(at: Seated, kept: Indices, height: Array) -> Array:
    """The inner face at stations `kept` and their heights, (n, 2)."""
    seats = at.seats
    face: Array = seats.opening[0, kept] - (height * seats.lean[0])[:, None] * seats.outward[kept]
    return face


def _facets(at: Seated, mass: Array, points: Array) -> tuple[Array, Array]:
    """For every metal point the facets that part it from its body best: (p, f, 3), (p, f).

    Of a heart's two halves a point is near one; it must clear that one.
    """
    found = []
    for body in at.bodies:
        reach = body.offsets - body.normals @ mass
        away = points @ body.normals.T - reach
        count = min(_FACETS, away.shape[1])
        best = np.argpartition(-away, count - 1, axis=1)[:, :count]
        found.append((away.max(axis=1), body.normals[best], reach[best]))
    if len(found) == 1:
        return found[0][1], found[0][2]
    nearer = found[0][0] <= found[1][0]
    return (
        np.where(nearer[:, None, None], found[0][1], found[1][1]),
        np.where(nearer[:, None], found[0][2], found[1][2]),
    )


def _girdle_vertices(at: Seated) -> Array:
    """Lower and upper vertices of the girdle, thinned evenly along smooth sides, (v, 3).

    Corners are kept.
    """
    ring = at.outline
    edge = np.roll(ring, -1, axis=0) - ring
    before = np.roll(edge, 1, axis=0)
    turn = np.arctan2(
        before[:, 0] * edge[:, 1] - before[:, 1] * edge[:, 0], (before * edge).sum(axis=1)
    )
    step = -(-len(ring) // _VERTICES)
    kept = (np.arange(len(ring)) % step == 0) | (turn > np.deg2rad(10))
    plan = ring[kept]
    lower = np.min([body.lower_at(_drawn_in(at, plan)) for body in at.bodies], axis=0)
    upper = np.full(len(plan), at.girdle_bottom_mm + at.stone.girdle_mm)
    good = np.isfinite(lower)
    return np.concatenate(
        [np.column_stack([plan, lower])[good], np.column_stack([plan, upper])[good]]
    )


def _drawn_in(at: Seated, plan: Array) -> Array:
    """Points of the outline moved in by a hair, so that they lie under the stone."""
    centre = np.asarray(at.shift_mm)
    moved: Array = centre + (plan - centre) * (1 - 1e-7)
    return moved


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
    lean = float(at.seats.lean[0])
    out = np.column_stack([way[run][:, 1], -way[run][:, 0]]) / length[run, None]
    face = -np.column_stack([out, np.full(len(out), lean)]) / np.hypot(1.0, lean)
    face_level = np.einsum("ri,ri->r", face, np.column_stack(
        [start[run, :2] + start[run, 2:] * lean * -out, start[run, 2]]) - mass)  # fmt: skip
    floor_level = np.where(before, floor_level, np.nan)
    face_level = np.where(before, face_level, np.nan)
    return (
        np.concatenate([up, face]),
        np.concatenate([floor_level, face_level]),
        np.repeat([False, True], len(place)),
    )
