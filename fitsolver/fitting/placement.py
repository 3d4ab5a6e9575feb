"""A stone set level into possible seats: where it centres, what it touches, how far all is clear.

One kernel for one seat or hundreds: every array leads with the seats' sample axis. The stone is
its form (outline and pavilion facets) with a size for each sample; depth stays free, so that one
placement serves every depth. Seats in single precision are answered in it, but for the nominal
one's own centring.

Pose rule: level, at a fixed turn, shifted in the plane to where the least of all plan margins
(gap, closing gap, cover; notch floor and ceiling) is widest: a stone seats if it seats in some
place, and that is where a setter centres it. The nominal seat is centred several times over, the
others once, from where the nominal one came to lie; where that would swing from side to side, all
are centred several times.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property, reduce
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.fitting import loops
from fitsolver.fitting.bearing import ALONG, Ledge, Longer, deepest
from fitsolver.fitting.centring import SOFTNESS, widest_least
from fitsolver.fitting.clearance import (
    Indices,
    Metal,
    distance,
    distance_of,
    facing,
    fan,
    nearest_normals,
    nearest_of_run,
    turns,
    with_neighbours,
)
from fitsolver.seats.seat import FACE_POINTS, Seats
from fitsolver.stones.form import Form, longer_form

Array = NDArray[np.float64]

# Sectors of the round whose tightest station enters the centring. (The tightest of all would
# lie on one side and let the stone drift to the other.)
_SECTORS = 18
# How often the nominal seat is centred, unless it has settled before (in widths).
_ROUNDS = 6
# How often all are, where the nominal one does not settle.
_ROUNDS_OF_ALL = 3
_SETTLED = 0.001
# A girdle's thickness, in widths, where cuts of one outline are centred together.
USUAL_GIRDLE = 0.04
# Cover where none is asked for (in widths).
_AMPLE = 9.0


class Bounds(Struct, frozen=True, kw_only=True):
    """What the pose strives for: gap from `gap_low` to `gap_high`, cover from `cover_low`.

    Each (s,); gaps (s, c) where every claw has its own.
    """

    gap_low: Array
    gap_high: Array
    cover_low: Array


class Tightest(Struct, frozen=True):
    """What is tightest round a girdle at some height; all lengths in mm, all lead with its axes.

    `entry` and `near` the least way in and gap, `reach` how far metal closes at most: to the
    farthest station of a wall, or claws as a whole by their nearest; `mean` (.., c) the mean gap of
    each claw, (.., n) the gap of each station of a wall.
    """

    entry: Array
    near: Array
    reach: Array
    mean: Array


class Placement(Struct, frozen=True, kw_only=True, dict=True):
    """A form of one plan size in `seats`, s samples, n stations; all lengths in mm.

    `gap` (s, n) from outline to metal at the girdle, negative where the outline passes the
    metal; `near` (s, n) the least gap from each station to the next; leaning metal was judged at
    `height` (s, n) or (s, 1) and closes in by `inward` (s, n) with every millimetre up. `cover`
    (s, n) of ledge under the outline, inf where no ledge is left; `contact_z`, `contact_zeta`
    (s, c) heights of ledge points under the stone and how deep the pavilion is over them, as a
    share of its whole depth, first those `ALONG` each station's line; `gallery_zeta` (s,) how
    deep it is over the rail, where it is deepest; `shift` (s, 2) in the turned stone's frame.
    `drift` says how far a stone's middle goes along its length as it gets longer; None where
    stones are squeezed to their form instead.
    """

    form: Form
    seats: Seats
    turn_rad: float
    length: Array
    width: Array
    drift: float | None
    shift: Array
    gap: Array
    near: Array
    height: Array
    inward: Array
    cover: Array | None
    contact_z: Array | None
    contact_zeta: Array | None
    gallery_zeta: Array | None

    def clearances(
        self, bottom: Array, girdle: Array, rows: slice | Indices = slice(None)
    ) -> tuple[Array, Array, Array]:
        """Return `gap`, `near` and the way in, with the girdle's lower plane at `bottom` (s,) [mm].

        Of some rows, (s, n) each. Leaning metal was judged at another height, the same for all
        depths: what it closes in between the two is taken off. The girdle's edge that counts is the
        upper one under metal that leans inward, else the lower one.
        """
        seats = self.seats

        def of(values: Array) -> Array:
            return values if len(values) == 1 else values[rows]

        height, inward, near = of(self.height), of(self.inward), of(self.near)
        edge = np.where(of(seats.lean) > 0, (bottom + girdle)[:, None], bottom[:, None])
        closer = (edge - height) * inward
        entry = near - np.maximum(closer, (of(seats.top) - height) * inward)
        if seats.notch is not None:
            # Above its notch a claw stands further in, by the depth of the notch.
            entry = entry - of(seats.notch)
        return of(self.gap) - closer, near - closer, entry

    @cached_property
    def least_cover(self) -> Array:
        """The least of `cover`, (s,)."""
        if self.cover is None:
            raise ValueError("an uncut seat has no ledge to cover")
        least: Array = self.cover.min(axis=1)
        return least

    @cached_property
    def lowest_top(self) -> Array:
        """The least height of the metal's top, (s,)."""
        lowest: Array = self.seats.top.min(axis=1)
        return lowest

    def tightest(self, bottom: Array, girdle: Array) -> Tightest:
        """What is tightest of `clearances`, for bottoms and girdles (..., s)."""
        step = FACE_POINTS if self.seats.holds == "claws" else 1
        if loops.found():
            seats = self.seats
            return Tightest(
                *loops.tightest(
                    step, self.gap, self.near, self.height, self.inward, seats.lean, seats.top,
                    seats.notch, bottom, girdle,
                )
            )  # fmt: skip
        if bottom.ndim > 1:
            each = [self.tightest(*at) for at in zip(bottom, girdle, strict=True)]
            names = ("entry", "near", "reach", "mean")
            return Tightest(*(np.stack([getattr(at, name) for at in each]) for name in names))
        gap, near, entry = self.clearances(bottom, girdle)
        reach = per_claw(near, np.minimum) if step > 1 else gap
        return Tightest(
            entry=entry.min(axis=1), near=near.min(axis=1), reach=reach.max(axis=1),
            mean=per_claw(gap, np.add) / step if step > 1 else gap,
        )  # fmt: skip

    def girdle_bottom(self, pavilion: Array) -> Array:
        """Height of the girdle's lower plane at rest, for pavilion depths [mm]; see `rest`."""
        return self.rest(pavilion)[0]

    def rest(self, pavilion: Array) -> tuple[Array, Array]:
        """Height of the girdle's lower plane at rest, and how far ledge and pavilion part there.

        For pavilion depths (..., s) [mm]. The stone is lowered until the first ledge point touches,
        at the greatest of z + pavilion x zeta; -inf where nothing is under it. Along each station's
        line down the ledge the highest of these less the lowest is how far the two surfaces differ:
        the mean of all stations. (..., s) each.
        """
        if self.contact_z is None or self.contact_zeta is None:
            raise ValueError("an uncut seat has no ledge to rest on")
        stations = len(self.seats.claw)
        # Where no ledge is left nothing parts.
        whole = float(self.seats.has_ledge.mean())
        if loops.found():
            rest, off = loops.rest(
                self.contact_z, self.contact_zeta, pavilion, stations, len(ALONG)
            )
            return rest, off / whole
        if pavilion.ndim > 1:
            bottom, parted = zip(*(self.rest(depth) for depth in pavilion), strict=True)
            return np.stack(bottom), np.stack(parted)
        rests: Array = pavilion[:, None] * self.contact_zeta
        rests += self.contact_z
        parts = [rests[:, k * stations : (k + 1) * stations] for k in range(len(ALONG))]
        highest, lowest = reduce(np.maximum, parts), reduce(np.minimum, parts)
        under = np.isfinite(parts[0])
        apart = np.subtract(highest, lowest, out=np.zeros_like(highest), where=under)
        return rests.max(axis=1), apart.mean(axis=1) / whole


def per_claw(field: Array, join: np.ufunc) -> Array:
    """Join the stations of each claw: (s, claws * points) -> (s, claws)."""
    joined: Array = join.reduce(field.reshape(len(field), -1, FACE_POINTS), axis=2)
    return joined


Kept = dict[tuple[float | int | bytes, ...], Placement]
"""Placements in one mounting, kept for other forms of their outline, by what they depend on."""


class _Plan(Struct, frozen=True, kw_only=True):
    """What the pose is judged by, in the stone's frame before its shift and in its widths.

    `metal` at the girdle and the vertices `facing` its runs; `inner` edge of the ledge or None,
    and the stations `bare` of it.
    """

    form: Form
    metal: Metal
    facing: Array
    inner: Array | None
    bare: NDArray[np.bool_] | None
    bounds: Bounds
    claws: bool
    cut: bool
    nominal: int

    def nearest(self, points: Array, sides: int = 1) -> Indices:
        """Normals (sides, n) that points (2, s, n) of the nominal seat are nearest along."""
        return nearest_normals(self.form, points[:, self.nominal], sides)

    def normals(self, points: Array, chosen: Indices) -> Array:
        """The outline's normals (2, n) of the given numbers, on the side the points are on."""
        normals = self.form.normals[chosen].astype(points.dtype, copy=False)
        return self.form.unfold(normals, points[:, self.nominal].T).T

    def looped(self, strain: _Strain | None = None) -> loops.Plan:
        """The same laid out for the loops."""
        form, metal, bounds = self.form, self.metal, self.bounds
        plan = loops.Plan(
            points=metal.points, way=metal.way, outward=metal.outward, joined=metal.joined,
            facing=self.facing, inner=self.inner, bare=self.bare, low=bounds.gap_low,
            high=bounds.gap_high, cover_low=bounds.cover_low, normals=form.normals,
            reach=form.reach, mirrored=form.mirrored, claws=self.claws, cut=self.cut,
            nominal=self.nominal, sectors=_SECTORS, step=FACE_POINTS, ample=_AMPLE,
        )  # fmt: skip
        if strain is not None:
            other = longer_form(form)
            part = other.length_ratio / form.length_ratio - 1
            plan.strain(strain.longer, other.normals, other.reach, part, strain.drift)
        return plan

    def alone(self) -> _Plan:
        """The nominal seat alone, in double precision."""
        row = slice(self.nominal, self.nominal + 1)

        def fully(values: Array) -> Array:
            return values.astype(np.float64)

        metal = self.metal.row(self.nominal)
        return replace(
            self,
            metal=Metal.of(fully(metal.points), metal.joined),
            facing=fully(self.facing[:, row]),
            inner=None if self.inner is None else fully(self.inner[:, row]),
            bounds=Bounds(
                gap_low=fully(self.bounds.gap_low[row]),
                gap_high=fully(self.bounds.gap_high[row]),
                cover_low=fully(self.bounds.cover_low[row]),
            ),
            nominal=0,
        )


def place(
    form: Form,
    seats: Seats,
    length: Array,
    width: Array,
    girdle: Array,
    bounds: Bounds,
    *,
    turn_rad: float = 0.0,
    girdle_z: float | Array | None = None,
    nominal: int = 0,
    strained: bool = False,
) -> Placement:
    """Place a form of given length and width (s,) [mm] into `seats` at a turn.

    `seats` may be one seat for all s stones. `girdle` (s,) is the girdle's thickness; `bounds`
    what the pose strives for; `girdle_z` the height of the girdle's lower plane at which leaning
    metal is judged (the datum, or half a millimetre under the rim, if not given); `nominal` the
    row about which neighbours are chosen.

    A stone whose ratio is off the form's by r is squeezed by r, and its gaps with it: of a
    reading's error 0.3 % of a gap. Where ratios differ by more, up to some per cent, gaps are
    `strained` back: what a ratio changes is taken as straight, and as it is in the nominal seat.
    """
    datum = girdle_z if girdle_z is not None else (0.0 if seats.state == "cut" else -0.5)
    kind = seats.opening.dtype
    length, width, girdle = (side.astype(kind, copy=False) for side in (length, width, girdle))
    low = np.broadcast_to(np.asarray(datum, dtype=kind), girdle.shape)[:, None]
    # The edge of the girdle that leaning metal comes nearest to.
    height = np.where(seats.lean > 0, low + girdle[:, None], low)
    seen = _View(form=form, turn_rad=turn_rad, length=length, width=width)
    metal = Metal.of(seen.plan(seats.opening_at(height)), _one_piece(seats))
    inner = None if seats.ledge_inner is None else seen.plan(seats.ledge_inner)
    bare = None if seats.ledge_after.all() else ~seats.has_ledge
    plan = _Plan(
        form=form,
        metal=metal,
        facing=facing(form, metal, nominal),
        inner=inner,
        bare=bare,
        bounds=Bounds(
            gap_low=_column(bounds.gap_low, kind) / width[:, None],
            gap_high=_column(bounds.gap_high, kind) / width[:, None],
            cover_low=_column(bounds.cover_low, kind) / width[:, None],
        ),
        claws=seats.holds == "claws",
        cut=seats.state == "cut",
        nominal=nominal,
    )
    longer = (length / width / form.length_ratio - 1)[:, None] if strained else None
    shift, strain = _shift(plan, longer)
    gap, near, cover, normal = _clear(plan, shift, width, strain)
    # How leaning metal closes in on the nearest girdle, as in the nominal seat.
    outward = seen.turned(seats.outward)
    inward = (np.einsum("kn,nk->n", normal, outward).astype(kind)[:, None] * seats.lean.T).T
    return carried(
        Placement(
            form=form,
            seats=seats,
            turn_rad=turn_rad,
            length=length,
            width=width,
            drift=None if strain is None else strain.drift,
            shift=np.column_stack([shift[0] * (length / form.length_ratio), shift[1] * width]),
            gap=gap,
            near=near,
            height=height,
            inward=inward,
            cover=cover,
            contact_z=None,
            contact_zeta=None,
            gallery_zeta=None,
        ),
        form,
        nominal,
    )


class _Strain(Struct, frozen=True, kw_only=True):
    """What a stone's gaps gain where it is `longer` (s, 1) by a part than its form is.

    Squeezed to its form, gaps shrink as far as they lie along the length. An outline is not its
    family's next one stretched either; what parts them is found with the nominal seat's points and
    taken as straight, less what a `drift` along the length makes good.
    """

    plan: _Plan
    longer: Array
    drift: float

    @classmethod
    def of(cls, plan: _Plan, longer: Array, points: Array, nearest: Indices) -> _Strain:
        """The strain of stones among metal at the nominal seat's points (2, n)."""
        x = plan.form.unfold(plan.form.normals[nearest], points.T)[:, 0]
        strain = cls(plan=plan, longer=longer, drift=0.0)
        drift = float(strain._shape(points) @ x) / max(float(x @ x), 1e-9)
        return replace(strain, drift=drift)

    def relieved(self, points: Array, nearest: Indices, *gaps: Array) -> list[Array]:
        """Gaps (s, n) of points (2, s, n) as they are where the stone is not squeezed."""
        x = self.plan.normals(points, nearest)[0]
        here = points[:, self.plan.nominal].astype(np.float64)
        shape = (self._shape(here) - self.drift * x).astype(points.dtype)
        return [gap + self.longer * (shape + x**2 * gap) for gap in gaps]

    def _shape(self, here: Array) -> Array:
        """What gaps at points (2, n) gain but for being stretched, over the gain in length."""
        form, other = self.plan.form, longer_form(self.plan.form)
        part = other.length_ratio / form.length_ratio - 1
        off, x = distance_of(form, here)
        true, _ = distance_of(other, here * [[1 + part], [1.0]])
        return np.asarray((true - off) / part - x**2 * off)


def carried(placement: Placement, form: Form, nominal: int = 0) -> Placement:
    """The placement of a form that has the placed one's outline: what it touches is found anew."""
    seats, width = placement.seats, placement.width
    seen = _View(form=form, turn_rad=placement.turn_rad, length=placement.length, width=width)
    along = placement.shift[:, 0] * (form.length_ratio / placement.length)
    at = np.stack([along, placement.shift[:, 1] / width])[..., None]
    other = None
    if placement.drift is not None:
        longer = (placement.length / width / form.length_ratio - 1)[:, None]
        other = Longer(by=longer, drift=placement.drift)
    contact_z = contact_zeta = gallery_zeta = None
    if placement.cover is not None and seats.ledge_inner is not None:
        inner = seen.plan(seats.ledge_inner) - at
        wall = Metal.of(seen.plan(seats.opening) - at, _one_piece(seats) & seats.ledge_after)
        # The wall at the datum plane rather than at the girdle.
        beyond = placement.gap + placement.height * placement.inward
        ledge = Ledge(
            form=form, seats=seats, width=width, wall=wall, inner=inner, nominal=nominal,
            other=other,
        )  # fmt: skip
        contact_z, contact_zeta = ledge.touched(placement.cover, beyond)
    if seats.gallery is not None:
        rail = seen.plan(seats.gallery) - at
        gallery_zeta = deepest(form, rail, nominal, other)
    return replace(
        placement,
        form=form,
        contact_z=contact_z,
        contact_zeta=contact_zeta,
        gallery_zeta=gallery_zeta,
    )


def kept_or_made(
    kept: Kept | None,
    asked: tuple[float | int | bytes, ...],
    form: Form,
    nominal: int,
    make: Callable[[], Placement],
) -> Placement:
    """A form's placement: made, or carried over from one of its outline that was `asked` alike."""
    if kept is None:
        return make()
    key = (form.outline.tobytes(), *asked)
    if key in kept:
        return carried(kept[key], form, nominal)
    placed = make()
    kept[key] = replace(placed, contact_z=None, contact_zeta=None, gallery_zeta=None)
    return placed


class _View(Struct, frozen=True, kw_only=True):
    """How a seat is seen from a turned stone: in widths, and its length over its form's ratio."""

    form: Form
    turn_rad: float
    length: Array
    width: Array

    def plan(self, points: Array) -> Array:
        """Plan points (s, n, 2) [mm] in the turned stone's frame and widths, (2, s, n)."""
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        across = 1 / self.width[:, None]
        along = self.form.length_ratio / self.length[:, None]
        x, y = points[..., 0], points[..., 1]
        # Samples lie next to each other in memory, here and in all that is made of it.
        turned = np.empty((2, x.shape[1], len(self.width)), self.width.dtype).transpose(0, 2, 1)
        np.multiply(x, c * along, out=turned[0])
        np.multiply(y, c * across, out=turned[1])
        if self.turn_rad != 0:
            turned[0] += y * (s * along)
            turned[1] -= x * (s * across)
        return turned

    def turned(self, vectors: Array) -> Array:
        """Vectors (n, 2) in the turned stone's frame."""
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        ahead: Array = vectors @ np.array([[c, -s], [s, c]])
        return ahead


def _one_piece(seats: Seats) -> NDArray[np.bool_]:
    """Whether metal joins a station (n,) to the next."""
    joined: NDArray[np.bool_] = np.roll(seats.claw, -1) == seats.claw
    return joined


def _clear(
    plan: _Plan, shift: Array, width: Array, strain: _Strain | None
) -> tuple[Array, Array, Array | None, Array]:
    """Gap, near and cover (s, n) at shifts (2, s), in mm, and the nominal seat's normals (2, n)."""
    if loops.found():
        return plan.looped(strain).clear(shift, width, *turns(plan.form), fan())
    form, at = plan.form, shift[..., None]
    metal = plan.metal.moved(at)
    tried = plan.nearest(metal.points)
    gap = distance(form, metal.points, with_neighbours(form, tried))
    near = nearest_of_run(metal, gap, plan.facing)
    if strain is not None:
        gap, near = strain.relieved(metal.points, tried[0], gap, near)
    gap *= width[:, None]
    near *= width[:, None]
    cover = None
    if plan.inner is not None:
        inner = plan.inner - at
        nearest = plan.nearest(inner, 2)
        cover = -distance(form, inner, with_neighbours(form, nearest))
        if strain is not None:
            cover = -strain.relieved(inner, nearest[0], -cover)[0]
        cover *= width[:, None]
        if plan.bare is not None:
            cover[:, plan.bare] = np.inf
    return gap, near, cover, plan.normals(metal.points, tried[0])


def _shift(plan: _Plan, longer: Array | None) -> tuple[Array, _Strain | None]:
    """Where the stone centres in every seat, (2, s), and its strain where it is `longer` (s, 1)."""
    alone = plan.alone()
    low, high = plan.form.outline.min(axis=0), plan.form.outline.max(axis=0)
    points = alone.metal.points
    here: Array = (points.min(axis=2) + points.max(axis=2) - (low + high)[:, None]) / 2
    here, settled = _centred(alone, here, _ROUNDS)
    strain = None
    if longer is not None:
        there = alone.metal.points - here[..., None]
        strain = _Strain.of(plan, longer, there[:, 0], alone.nearest(there)[0])
    if plan.metal.points.shape[1] == 1:
        return here, strain
    # In the others the metal's middle is as far from the stone's, to begin with.
    mean = plan.metal.points.mean(axis=2)
    start: Array = here.astype(mean.dtype) + mean - mean[:, plan.nominal : plan.nominal + 1]
    if not settled:  # they swing as well
        return _centred(plan, start, _ROUNDS_OF_ALL, strain)[0], strain
    if loops.found():
        return plan.looped(strain).stepped(start, SOFTNESS), strain
    return start + widest_least(*_slacks(plan, start, strain)), strain


def _centred(
    plan: _Plan, start: Array, rounds: int, strain: _Strain | None = None
) -> tuple[Array, bool]:
    """Step by step from `start` (2, s) to where the least slack is widest; whether all settled."""
    if loops.found():
        return plan.looped(strain).centred(start, rounds, _SETTLED, SOFTNESS)
    here = best = start
    most, before = np.full(start.shape[1], -np.inf), np.zeros_like(start)
    for _ in range(rounds):
        slack, along = _slacks(plan, here, strain)
        least = slack.min(axis=1)
        best, most = np.where(least > most, here, best), np.maximum(least, most)
        step = widest_least(slack, along)
        # Where the tightest stations change from side to side it swings: half the way back then.
        step = np.where(np.sum(step * before, axis=0) < 0, step / 2, step)
        here, before = here + step, step
        if np.abs(step).max() < _SETTLED:
            return here, True
    last = _slacks(plan, here, strain)[0].min(axis=1)
    return np.where(last > most, here, best), False


def _slacks(plan: _Plan, shift: Array, strain: _Strain | None = None) -> tuple[Array, Array]:
    """Clearances to widen (s, k), stations' tightest, and their directions (2, s, k) at `shift`."""
    form, metal = plan.form, plan.metal.moved(shift[..., None])
    tried = plan.nearest(metal.points)
    gap = distance(form, metal.points, tried)
    near = nearest_of_run(metal, gap, plan.facing)
    if strain is not None:
        gap, near = strain.relieved(metal.points, tried[0], gap, near)
    normal, outward = plan.normals(metal.points, tried[0]), metal.outward
    low, high = plan.bounds.gap_low, plan.bounds.gap_high
    if plan.claws and not plan.cut:  # a claw is bent as a whole
        by_claw = len(gap), -1, FACE_POINTS
        mean = gap.reshape(by_claw).mean(axis=2)
        along = np.broadcast_to(normal[:, None], metal.points.shape)
        along = along.reshape(2, *by_claw).mean(axis=3)
        fields = [(mean - low, along), (high - mean, -along)]
    else:
        fields = [_of_sectors(near, low, _SECTORS, normal, gap, outward)]
        if plan.claws:  # it closes as a whole
            claws = near.shape[1] // FACE_POINTS
            fields.append(_of_sectors(near, high, claws, normal, gap, outward, above=True))
        else:
            fields.append(_of_sectors(gap, high, _SECTORS, normal, greatest=True, above=True))
    if plan.inner is not None:
        inner = plan.inner - shift[..., None]
        first, second = tried = plan.nearest(inner, 2)
        cover = -distance(form, inner, tried)
        if strain is not None:
            cover = -strain.relieved(inner, first, -cover)[0]
        if plan.bare is not None:
            cover[:, plan.bare] = _AMPLE
        other = -distance(form, inner, tried[1:])
        sides = -plan.normals(inner, second), other, -plan.normals(inner, first)
        fields.append(_of_sectors(cover, plan.bounds.cover_low, _SECTORS, *sides))
    slack = np.concatenate([field[0] for field in fields], axis=1)
    return slack, np.concatenate([field[1] for field in fields], axis=2)


def _of_sectors(
    field: Array, bound: Array, sectors: int, other: Array, beside: Array | None = None,
    one: Array | None = None, *, greatest: bool = False, above: bool = False,
) -> tuple[Array, Array]:  # fmt: skip
    """Where a field (s, n) is least, or `greatest`, in every sector of the round.

    How far it is over a `bound` (s, 1) there, or under one that is `above`, (s, k); and the
    direction in which it gains, (2, s, k). A field gains along `other` (2, n), but where `beside`
    (s, n) is more than it along `one` (2, s, n) or (2, n).
    """
    tight = _tightest(-field if greatest else field, sectors)
    value, direction = _at(field, tight), other[:, tight.T].transpose(0, 2, 1)
    if beside is not None and one is not None:
        sides = one if one.ndim == 3 else np.broadcast_to(one[:, None], (2, *field.shape))
        nearer = _at(beside, tight) > value
        direction = np.where(nearer, np.stack([_at(side, tight) for side in sides]), direction)
    return (bound - value, -direction) if above else (value - bound, direction)


def _column(values: Array, kind: np.dtype[Any]) -> Array:
    """Values (s,) as (s, 1), those of single claws (s, c) as they are, in a precision."""
    return (values if values.ndim == 2 else values[:, None]).astype(kind, copy=False)


def _tightest(slack: Array, sectors: int) -> Indices:
    """Where the least of (s, n) is in every sector of the round, (s, k)."""
    count = slack.shape[1]
    size = -(-count // sectors)
    first, *others = np.minimum(np.arange(0, count, size) + np.arange(size)[:, None], count - 1)
    least = slack.T[first]
    chosen = np.broadcast_to(first[:, None], least.shape)
    for beside in others:
        here = slack.T[beside]
        less = here < least
        least = np.where(less, here, least)
        chosen = np.where(less, beside[:, None], chosen)
    return chosen.T


def _at(values: Array, stations: Indices) -> Array:
    """Values (s, n) of some stations (s, k), samples next to each other in memory."""
    chosen: Array = values.T[stations.T, np.arange(len(values))]
    return chosen.T
