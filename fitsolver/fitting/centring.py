"""Where a stone centres: shifted to where the least of its plan clearances is widest.

A stone seats if it seats in some place, and that is where a setter centres it. The clearances are
gap, closing gap and cover, or notch floor and ceiling. The nominal seat is centred several times
over, the others once, from where the nominal one came to lie; where that would swing from side to
side, all are centred several times.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.fitting.clearance import (
    Indices,
    Metal,
    distance,
    distance_of,
    nearest_normals,
    nearest_of_run,
    with_neighbours,
)
from fitsolver.seats.seat import FACE_POINTS, FACE_SHARES
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
# Cover where none is asked for (in widths).
_AMPLE = 9.0
# Softness of the minimum, from first guess to a micrometre on a stone 6 mm wide [its widths].
_SOFTNESS = (0.016, 0.0065, 0.0025, 0.001, 0.0004, 0.00016)


class Bounds(Struct, frozen=True, kw_only=True):
    """What the pose strives for: gap from `gap_low` to `gap_high`, cover from `cover_low`.

    Each (s,); gaps (s, c) where every claw has its own.
    """

    gap_low: Array
    gap_high: Array
    cover_low: Array


class Plan(Struct, frozen=True, kw_only=True):
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

    def alone(self) -> Plan:
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


class Strain(Struct, frozen=True, kw_only=True):
    """What a stone's gaps gain where it is `longer` (s, 1) by a part than its form is.

    Squeezed to its form, gaps shrink as far as they lie along the length. An outline is not its
    family's next one stretched either; what parts them is found with the nominal seat's points and
    taken as straight, less what a `drift` along the length makes good.
    """

    plan: Plan
    longer: Array
    drift: float

    @classmethod
    def of(cls, plan: Plan, longer: Array, points: Array, nearest: Indices) -> Strain:
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


def centre(plan: Plan, longer: Array | None) -> tuple[Array, Strain | None]:
    """Where the stone centres in every seat, (2, s), and its strain where it is `longer` (s, 1)."""
    alone = plan.alone()
    low, high = plan.form.outline.min(axis=0), plan.form.outline.max(axis=0)
    points = alone.metal.points
    here: Array = (points.min(axis=2) + points.max(axis=2) - (low + high)[:, None]) / 2
    here, settled = _centred(alone, here, _ROUNDS)
    strain = None
    if longer is not None:
        there = alone.metal.points - here[..., None]
        strain = Strain.of(plan, longer, there[:, 0], alone.nearest(there)[0])
    if plan.metal.points.shape[1] == 1:
        return here, strain
    # In the others the metal's middle is as far from the stone's, to begin with.
    mean = plan.metal.points.mean(axis=2)
    start: Array = here.astype(mean.dtype) + mean - mean[:, plan.nominal : plan.nominal + 1]
    if not settled:  # they swing as well
        return _centred(plan, start, _ROUNDS_OF_ALL, strain)[0], strain
    return start + widest_least(*_slacks(plan, start, strain)), strain


def clear(
    plan: Plan, shift: Array, width: Array, strain: Strain | None
) -> tuple[Array, Array, Array | None, Array]:
    """Gap, near and cover (s, n) at shifts (2, s), in mm, and the nominal seat's normals (2, n)."""
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


def _centred(
    plan: Plan, start: Array, rounds: int, strain: Strain | None = None
) -> tuple[Array, bool]:
    """Step by step from `start` (2, s) to where the least slack is widest; whether all settled."""
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


def _slacks(plan: Plan, shift: Array, strain: Strain | None = None) -> tuple[Array, Array]:
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
        mean = gap.reshape(by_claw) @ FACE_SHARES.astype(gap.dtype)
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


def widest_least(slack: Array, normal: Array) -> Array:
    """Shift (2, s) that makes the least of the slacks widest, where each is slack - normal . shift.

    `slack` (s, k) in widths of the stone, `normal` (2, s, k). Newton steps on the soft minimum
    -tau log sum exp(-slack / tau), tau falling through `_SOFTNESS`; the minimum found is below the
    true one by at most tau log k.
    """
    shift = np.zeros((2, len(slack), 1), dtype=slack.dtype)
    x, y = normal
    for tau in _SOFTNESS:
        now = slack - shift[0] * x - shift[1] * y
        weight = np.exp((now.min(axis=1, keepdims=True) - now) / tau)
        weight /= weight.sum(axis=1, keepdims=True)
        wx, wy = weight * x, weight * y
        mx, my = wx.sum(axis=1), wy.sum(axis=1)
        # A little stiffness keeps the step finite where all active normals agree.
        xx = np.einsum("sk,sk->s", wx, x) - mx**2 + 0.02
        yy = np.einsum("sk,sk->s", wy, y) - my**2 + 0.02
        xy = np.einsum("sk,sk->s", wx, y) - mx * my
        det = xx * yy - xy**2
        step = -tau / det * np.stack([yy * mx - xy * my, xx * my - xy * mx])
        size = np.hypot(*step)
        shift += (step * np.minimum(1.0, 4 * tau / np.maximum(size, 1e-12)))[..., None]
    found: Array = shift[..., 0]
    return found
