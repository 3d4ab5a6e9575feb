"""Seats as geometry: the metal round one stone, in millimetres, for one or many possible truths.

The origin is the centre of the opening. The datum plane z = 0 is that of the corner between wall
(or notch root) and ledge in a cut seat, and that of the rim or claw tips in an uncut one; +z is
up, out of the mounting. Arrays lead with a sample axis s: the first sample is the best estimate,
the others are drawn from what the readings allow.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.readings.uncertainty import standard_normal_points
from fitsolver.seats import claw_face, wave
from fitsolver.seats.belief import CORNER_RAD, Belief, turns_of
from fitsolver.seats.equation import of_claws

Array = NDArray[np.float64]
Holds = Literal["wall", "claws"]
State = Literal["cut", "uncut"]
Role = Literal["support", "movable"]

# How many points carry a claw's face across its width.
FACE_POINTS = claw_face.FACE_POINTS
# How much each counts in a mean over the face: Simpson's rule, as gaps along it are parabolas.
FACE_SHARES = np.array([1.0, 4.0, 2.0, 4.0, 1.0]) / 12
# For how many ledge widths the inner edge is worked out exactly.
INSET_WIDTHS = 9
# How far in leaning sides are followed and at how many levels, and what counts as a fold [mm].
FOLDS_TO_MM, FOLD_LEVELS, FOLD_MM = 1.6, 33, 2e-3
# Where a wall turns by more at one station it is no smooth curve.
SHARP_RAD = np.deg2rad(20)
# Widths that differ by less are one.
ALIKE_MM = 1e-6
SEED = 8653
# Even columns of normal points that are the stone's: a seat and a stone that shared a column would
# be drawn large and small together.
STONE_COLUMNS = 6


class Folds(Struct, frozen=True, kw_only=True):
    """What stations beside tips and corners move besides their own way, as a wall leans in.

    `levels` (k,) of going in, evenly from 0; `stations` (m,); `off` (k, m, 2) [mm].
    """

    levels: Array
    stations: NDArray[np.int64]
    off: Array

    def move(self, shifted: Array, inward: Array) -> None:
        """Move stations (s, n, 2) that go in by so much (s, n)."""
        step, last = self.levels[1], len(self.levels) - 1
        most = int(np.clip(np.ceil(inward.max() / step), 0, last))
        moved = np.flatnonzero(np.abs(self.off[: most + 1]).max(axis=(0, 2)) > FOLD_MM)
        if not len(moved):
            return
        here = self.stations[moved]
        part = np.clip(inward[:, here] / step, 0.0, last)
        low = np.minimum(part.astype(np.int64), last - 1)
        share = (part - low)[..., None]
        shifted[:, here] -= self.off[low, moved] * (1 - share) + self.off[low + 1, moved] * share


class Seats(Struct, frozen=True, kw_only=True):
    """Possible seats of one mounting; n stations round the opening, s samples.

    `opening` (s, n, 2) wall or claw face at the datum plane; `lean` (s, n) tangent of the inward
    lean, (s, 1) if it is the same all round; `top` (s, n) height of the metal's top; `ledge_inner`
    (s, n, 2), `ledge_inner_z` and `ledge_outer_z` (s, n), `ledge_angle` (s,) [rad], cut seats only;
    `ledge_after` (n,) whether there is a ledge from a station to the next; `gallery` (s, n, 2) and
    `gallery_z` (s,), or None; `floor_z` (s,) finger or back; `thickness` (s, n) of wall or claws,
    (s, 1) if they are alike; `notch` (s, n) depth of cut notches and `mouth` (s,) their height, or
    None; `claw` (n,) which claw a station is on, -1 for a wall; `outward` (n, 2) unit normals of
    the opening, at a corner as long as it moves where its sides move out by one; `parameters`
    (s, d) they were built from.
    """

    belief: Belief
    holds: Holds
    state: State
    back: str
    opening: Array
    outward: Array
    lean: Array
    top: Array
    ledge_inner: Array | None
    ledge_inner_z: Array | None
    ledge_outer_z: Array | None
    ledge_angle: Array | None
    ledge_after: NDArray[np.bool_]
    gallery: Array | None
    gallery_z: Array | None
    floor_z: Array
    thickness: Array
    notch: Array | None
    mouth: Array | None
    claw: NDArray[np.int64]
    parameters: Array
    folds: Folds | None = None

    @property
    def count(self) -> int:
        """How many samples there are."""
        return len(self.floor_z)

    @property
    def has_ledge(self) -> NDArray[np.bool_]:
        """Whether a station (n,) has a ledge on either side."""
        before: NDArray[np.bool_] = np.roll(self.ledge_after, 1)
        return self.ledge_after | before

    @property
    def ledge_shares(self) -> Array:
        """How much of the ledge, or of notches, lies beside each station (n,), adding up to 1."""
        if self.holds == "claws":
            return (
                np.tile(FACE_SHARES, len(self.claw) // FACE_POINTS) * FACE_POINTS / len(self.claw)
            )
        points = self.opening[0].astype(np.float64)
        after = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        after = np.where(self.ledge_after, after, 0.0)
        beside = after + np.roll(after, 1)
        shares: Array = beside / beside.sum()
        return shares

    def opening_at(self, z: Array) -> Array:
        """The wall's or claws' inner faces at heights z (s,) or (s, n), shape (s, n, 2) [mm]."""
        inward = (z if z.ndim == 2 else z[:, None]) * self.lean
        outward = self.outward.astype(self.opening.dtype, copy=False)
        # Samples lie next to each other in memory, as in `rows`.
        across, stations = np.broadcast_shapes(inward.shape, self.opening.shape[:2])
        shifted = np.empty((2, stations, across), self.opening.dtype).transpose(2, 1, 0)
        for axis in (0, 1):
            np.multiply(inward, outward[:, axis], out=shifted[..., axis])
            np.subtract(self.opening[..., axis], shifted[..., axis], out=shifted[..., axis])
        if self.folds is not None:
            self.folds.move(shifted, np.broadcast_to(inward, (across, stations)))
        return shifted

    def single(self) -> Seats:
        """The same in single precision, for draws without number: exact to 0.000001 mm."""
        return replace(self, **{name: at.astype(np.float32) for name, at in self._drawn()})

    def rows(self, chosen: NDArray[np.int64]) -> Seats:
        """Return the samples of the given numbers, in that order, repeats allowed.

        Without `parameters`: tables of sizes repeat draws by the thousand. Samples lie next to each
        other in memory, as it is quickest for many of them.
        """
        by_sample = {name: at.T.take(chosen, axis=-1).T for name, at in self._drawn()}
        return replace(self, parameters=self.parameters[:0], **by_sample)

    def _drawn(self) -> Iterator[tuple[str, Array]]:
        """What differs from sample to sample, by name, but for the parameters."""
        for name in self.__struct_fields__:
            at = getattr(self, name)
            alike = name in ("outward", "claw", "ledge_after", "parameters")
            if not alike and isinstance(at, np.ndarray):
                yield name, at


def seats(belief: Belief, samples: int) -> Seats:
    """Draw possible seats: the best estimate first, then `samples` seeded draws."""
    dimension = len(belief.mean)
    points = np.zeros((samples + 1, dimension))
    if samples:
        points[1:] = _points(STONE_COLUMNS + dimension, samples)[:, STONE_COLUMNS:]
    return seats_of(belief, belief.draw(points))


@lru_cache(maxsize=8)
def _points(columns: int, samples: int) -> Array:
    return standard_normal_points(columns, samples, SEED)


def seats_of(belief: Belief, parameters: Array) -> Seats:
    """Build seats from parameter vectors (s, d) in the order of `belief.columns`."""
    mounting = belief.mounting
    at = belief.columns
    cut, claws = mounting.state == "cut", mounting.holds == "claws"

    def column(name: str, low: float = -np.inf) -> Array:
        return np.maximum(parameters[:, at[name]], low)

    radius = belief.radii(parameters)
    angle = belief.directions
    centre = np.maximum(radius, 0.1)[..., None] * np.column_stack([np.cos(angle), np.sin(angle)])
    outward = _normals(belief)
    alike = not mounting.claws

    def by_claw(name: str, low: float = -np.inf) -> Array:
        """A scalar of every claw (s, c), or (s, 1) where they are alike or there is a wall."""
        if not claws or alike:
            return column(name, low)[:, None]
        return np.maximum(parameters @ of_claws(mounting, at, name).T, low)

    def by_station(values: Array) -> Array:
        return values if values.shape[1] == 1 else np.repeat(values, FACE_POINTS, axis=1)

    def waves(field: str) -> Array:
        summed: Array = parameters @ wave.rows(at, field, angle).T
        return summed

    notch = width = inner = None
    folds = None
    if claws:
        depth = np.maximum(by_claw("ledge_width_mm"), 0.01) if cut else None
        faces = claw_face.claw_faces(
            belief, centre, outward, by_claw("claw_width_mm", 0.1), depth, parameters
        )
        opening, inner, outward, claw = faces.points, faces.inner, faces.outward, faces.claw
        if depth is not None:
            notch = width = np.broadcast_to(by_station(depth), opening.shape[:2])
    else:
        opening, claw = _chords_centred(centre), np.full(len(angle), -1)
        folds = _folds(belief, outward)
        if cut:
            width = np.maximum(column("ledge_width_mm")[:, None] + waves("ledge_width"), 0.01)
            inner = opening - _inset(belief, width)

    lean_deg = by_station(by_claw("claw_lean_deg" if claws else "wall_lean_deg"))
    if mounting.wall_leans_deg and not claws:
        lean_deg = lean_deg + waves("wall_lean")
    lean = np.tan(np.deg2rad(np.clip(lean_deg, -60, 60)))
    stations = np.zeros(opening.shape[:2])
    ledge_z = stations if claws else waves("ledge_height")
    if levels := at.claws("ledge_height"):
        ledge_z = by_station(parameters[:, levels])
    top = ledge_z if claws else waves("wall_height")
    inner_z = outer_z = ledge_angle = mouth = None
    if cut:
        assert width is not None
        height = "claw_length_mm" if claws else "wall_height_mm"
        top = top + by_station(by_claw(height, 0.0))
        if mounting.wall_heights_mm:  # cut down as far as the ledge at most
            top = np.maximum(top, ledge_z)
        ledge_angle = np.deg2rad(np.clip(column("ledge_angle_deg"), 0, 85))
        outer_z = ledge_z
        inner_z = outer_z - width * np.tan(ledge_angle)[:, None]
        floor = inner_z.mean(axis=1) - column("depth_below_ledge_mm", 0.0)
        mouth = column("notch_height_mm", 0.05) if claws else None
    else:
        floor = -column("depth_below_rim_mm", 0.1)
    gallery = gallery_z = None
    if "gallery_depth_mm" in at:
        gallery_z = -column("gallery_depth_mm", 0.0)
        size = column("opening_length_mm", 0.1), column("opening_width_mm", 0.1)
        gallery = (
            opening
            * np.stack(
                [
                    column("gallery_length_mm", 0.1) / size[0],
                    column("gallery_width_mm", 0.1) / size[1],
                ],
                axis=-1,
            )[:, None, :]
        )
        if claws:
            gallery = _closed_figure(belief, gallery, column)
    return Seats(
        belief=belief,
        holds="claws" if claws else "wall",
        state="cut" if cut else "uncut",
        back=mounting.back,
        opening=opening,
        outward=outward,
        lean=lean,
        top=top,
        ledge_inner=inner,
        ledge_inner_z=inner_z,
        ledge_outer_z=outer_z,
        ledge_angle=ledge_angle,
        ledge_after=_ledge_after(belief, opening.shape[1]),
        gallery=gallery,
        gallery_z=gallery_z,
        floor_z=floor,
        thickness=by_station(by_claw("claw_thickness_mm" if claws else "wall_thickness_mm", 0.1)),
        notch=notch,
        mouth=mouth,
        claw=claw,
        parameters=parameters,
        folds=folds,
    )


def _chords_centred(points: Array) -> Array:
    """Stations (s, n, 2) moved out until chords are as far inside the wall as they are outside.

    Between stations on a curve chords lie inside it by up to c^2 / 8r, stations stand off the chord
    of their neighbours by c^2 / 2r: an eighth of that halves the error. Corners and tips stay.
    """
    before, after = np.roll(points, 1, axis=1), np.roll(points, -1, axis=1)
    chord = after - before
    out = np.stack([chord[..., 1], -chord[..., 0]], axis=-1)
    off = ((points - before) * out).sum(axis=-1) / (chord**2).sum(axis=-1)
    sharp = turns_of(points[0]) > SHARP_RAD
    return points + np.where(sharp, 0.0, off / 8)[..., None] * out


def _folds(belief: Belief, outward: Array) -> Folds | None:
    """What a wall's stations move besides where sides of its figure get shorter as they go in.

    The inset figures are shapely's; a station's place on one is the nearest. None of a smooth one.
    """
    mounting = belief.mounting
    if mounting.opening_points is not None or mounting.opening_family in ("round", "oval"):
        return None
    figure, normals = _figure_normals(belief)
    reach = np.einsum("ij,ij->i", normals, figure)
    ray = np.column_stack([np.cos(belief.directions), np.sin(belief.directions)])
    stations = ray / (ray @ normals.T / reach).max(axis=1, keepdims=True)
    levels = np.linspace(0.0, min(FOLDS_TO_MM, reach.min() / 2), FOLD_LEVELS)
    inward = np.array([_inward(figure, stations, level) for level in levels])
    off = inward - levels[:, None, None] * outward
    moved = np.flatnonzero(np.abs(off).max(axis=(0, 2)) > FOLD_MM)
    return Folds(levels=levels, stations=moved, off=off[:, moved])


def _inward(figure: Array, stations: Array, level: float) -> Array:
    """From the nearest places on a figure moved in by a level out to its stations (n, 2)."""
    import shapely

    edge = shapely.Polygon(figure).buffer(-level, join_style="mitre", mitre_limit=20).exterior
    places = shapely.line_locate_point(edge, shapely.points(stations))
    way: Array = stations - shapely.get_coordinates(shapely.line_interpolate_point(edge, places))
    return way


def _ledge_after(belief: Belief, count: int) -> NDArray[np.bool_]:
    """Whether there is a ledge from each of the stations to the next."""
    found = np.ones(count, dtype=np.bool_)
    if belief.mounting.holds == "wall":
        here = belief.directions
        middle = np.rad2deg(here + np.mod(np.roll(here, -1) - here, 2 * np.pi) / 2)
        for start, stop in belief.mounting.ledge_missing_deg:
            found &= np.mod(middle - start, 360.0) >= stop - start
    return found


def _figure_normals(belief: Belief) -> tuple[Array, Array]:
    """Points of the opening's own figure [mm] and the outward normals of its edges."""
    points = belief.figure_mm()
    edge = np.roll(points, -1, axis=0) - points
    edge = edge / np.linalg.norm(edge, axis=1)[:, None]
    return points, np.column_stack([edge[:, 1], -edge[:, 0]])


def _normals(belief: Belief) -> Array:
    """Outward normal of the opening at every station (n, 2)."""
    unit = _normals_of_figure(belief)
    return unit if belief.mounting.opening_points is None else _turned(belief, unit)


def _normals_of_figure(belief: Belief) -> Array:
    """Outward normal of the figure at every station: of its edge, or how its corner moves."""
    points, normals = _figure_normals(belief)
    reach = np.einsum("ij,ij->i", normals, points)
    ray = np.column_stack([np.cos(belief.directions), np.sin(belief.directions)])
    rate = (ray @ normals.T) / reach
    best = rate.max(axis=1, keepdims=True)
    close = rate > best * (1 - 1e-6)
    total = close.astype(np.float64) @ normals
    size = np.linalg.norm(total, axis=1)[:, None]
    # Between two normals a corner moves by (a + b) / (1 + a.b) where its sides move by one.
    several = close.sum(axis=1)[:, None] > 1
    outward: Array = np.where(several, 2 * total / size**2, total / size)
    return outward


def _turned(belief: Belief, normals: Array) -> Array:
    """Turn the figure's normals to those of a traced opening, whose waves may be steep.

    A radius r(t) has the normal u - (r' / r) u', u along the ray; the waves add to r and r'. In
    other openings the waves turn an edge by a degree or so, which is neglected.
    """
    angle = belief.directions
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    across = np.column_stack([-ray[:, 1], ray[:, 0]])
    radius, waves = belief.radius, belief.columns.waves("opening")
    height = belief.mean[waves.columns]
    plain, steep = radius - waves.at(angle) @ height, waves.rise(angle) @ height
    bend = -np.sum(normals * across, axis=1) / np.sum(normals * ray, axis=1)
    bend = (bend * plain + steep) / radius
    turned = ray - bend[:, None] * across
    unit: Array = turned / np.linalg.norm(turned, axis=1)[:, None]
    return unit


def _inset(belief: Belief, width: Array) -> Array:
    """From the inner edge of a ledge of `width` (s, n) out to the wall, (s, n, 2) [mm].

    The inner edge is the opening's own figure, moved in by the width; a station's place on it is
    the nearest one, so that stations beside a corner share the inner corner. It is worked out for
    `INSET_WIDTHS` widths and taken as straight between them.
    """
    figure, normals = _figure_normals(belief)
    reach = np.einsum("ij,ij->i", normals, figure)
    ray = np.column_stack([np.cos(belief.directions), np.sin(belief.directions)])
    stations = ray / (ray @ normals.T / reach).max(axis=1, keepdims=True)
    # A ledge leaves the middle half of the narrowest way across open.
    widest = reach.min() / 2
    width = np.minimum(width, widest)
    apart = float(np.ptp(width))
    count = INSET_WIDTHS if apart > ALIKE_MM else 2
    levels = np.linspace(width.min(), width.min() + max(apart, ALIKE_MM), count)
    way = []
    for level in levels:
        way.append(_inward(figure, stations, level))
    step = (width - levels[0]) / (levels[1] - levels[0])
    below = np.minimum(step.astype(np.int64), count - 2)
    share = (step - below)[..., None]
    ways, station = np.array(way), np.arange(len(stations))
    inward: Array = ways[below, station] * (1 - share) + ways[below + 1, station] * share
    if belief.mounting.opening_points is not None:
        # As far as the edge is turned against its figure, so is the way in from it.
        of_figure, as_traced = _normals_of_figure(belief), _normals(belief)
        c = np.sum(of_figure * as_traced, axis=1)
        s = of_figure[:, 0] * as_traced[:, 1] - of_figure[:, 1] * as_traced[:, 0]
        x, y = inward[..., 0], inward[..., 1]
        inward = np.stack([c * x - s * y, s * x + c * y], axis=-1)
    return inward


def _closed_figure(belief: Belief, gallery: Array, column: object) -> Array:
    """A rail runs all round even where claws stand apart: the opening's figure, stretched."""
    points, _ = _figure_normals(belief)
    step = max(1, len(points) // 48)
    corner = turns_of(points) > CORNER_RAD
    even = np.arange(len(points)) % step == 0
    kept = points[even | corner] if len(points) > 16 else _subdivided(points)
    assert callable(column)
    size = np.ptp(points, axis=0)
    scale = np.stack(
        [column("gallery_length_mm", 0.1) / size[0], column("gallery_width_mm", 0.1) / size[1]],
        axis=-1,
    )
    return _chords_centred(kept[None] * scale[:, None, :])


def _subdivided(points: Array) -> Array:
    follow = np.roll(points, -1, axis=0)
    t = np.arange(12)[:, None, None] / 12
    cut: Array = (points + t * (follow - points)).transpose(1, 0, 2).reshape(-1, 2)
    return cut
