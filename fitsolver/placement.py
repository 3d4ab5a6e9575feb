"""A stone set level into possible seats: where it centres, what it touches, how far all is clear.

One kernel for one seat or hundreds: every array leads with the seats' sample axis. The stone is
its form (outline normals and pavilion facets) with a size for each sample; depth stays free, so
that one placement serves every depth.

Pose rule: level, at a fixed turn, shifted in the plane to where the least of all plan margins
(gap, closing gap, cover; notch floor and ceiling) is widest: a stone seats if it seats in some
place, and that is where a setter centres it. Gap and cover are distances to a convex outline,
max over n of (n . p - h(n)); to save time only the normals near the one that is widest in the
best estimate are tried, which is exact while the true one stays among them (turns of several
degrees).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitsolver.form import Form
from fitsolver.seat import Seats

Array = NDArray[np.float64]

# Neighbours of the widest normal that are tried for each station.
_WINDOW = np.array([-6, -3, -1, 0, 1, 3, 6])
# Parts of the way from the ledge's inner edge to its outer end under the outline.
ALONG = np.array([0.0, 0.5, 1.0])
_FACETS = 7
# Widths of the soft minimum, from first guess to two micrometres [mm].
_WIDTHS = (0.1, 0.04, 0.015, 0.006, 0.002)
# Sectors of the round whose tightest station enters the centring. (The tightest of all would
# lie on one side and let the stone drift to the other.)
_SECTORS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What the pose strives for: gaps from `gap_low` to `gap_high` (s,), cover from `cover_low`."""

    gap_low: Array
    gap_high: Array
    cover_low: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A form of one plan size in `seats`, s samples, n stations; all lengths in mm.

    `gap` (s, n) from outline to metal at the girdle, negative where the outline passes the
    metal; `entry_gap` (s, n) the same at the rim; `cover` (s, n) of ledge under the outline;
    `contact_z`, `contact_zeta` (s, c) heights of ledge points under the stone and how deep the
    pavilion is over them, as a share of its whole depth; `gallery_zeta` (s, m); `shift` (s, 2).
    """

    form: Form
    seats: Seats
    turn_rad: float
    length: Array
    width: Array
    shift: Array
    gap: Array
    entry_gap: Array
    cover: Array | None
    contact_z: Array | None
    contact_zeta: Array | None
    gallery_zeta: Array | None

    def girdle_bottom(self, pavilion: Array) -> Array:
        """Height of the girdle's lower plane at rest, for pavilion depths (s,) [mm].

        The stone is lowered until the first ledge point touches: max over points of
        z + pavilion x zeta. -inf where nothing is under it.
        """
        if self.contact_z is None or self.contact_zeta is None:
            raise ValueError("an uncut seat has no ledge to rest on")
        rest: Array = (self.contact_z + pavilion[:, None] * self.contact_zeta).max(axis=1)
        return rest


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
) -> Placement:
    """Place a form of given length and width (s,) [mm] into `seats` at a turn.

    `girdle` (s,) is the girdle's thickness; `bounds` what the pose strives for; `girdle_z` the height of its lower plane at which
    leaning metal is judged (the datum, or half a millimetre under the rim, if not given);
    `nominal` the row about which neighbouring normals and facets are chosen.
    """
    low = girdle_z if girdle_z is not None else (0.0 if seats.state == "cut" else -0.5)
    # The edge of the girdle that leaning metal comes nearest to.
    height = np.where(seats.lean > 0, low + girdle, low)
    metal = _to_stone(seats.opening_at(height), turn_rad, length, width, form)
    outward = _turned(seats.outward, turn_rad)
    chosen = _window(form, metal[nominal], width[nominal])
    normals, reach = form.normals[chosen], form.reach[chosen]

    gap, normal = _distance(metal, normals, reach, width)
    slack = [gap - bounds.gap_low[:, None], bounds.gap_high[:, None] - gap]
    along = [normal, -normal]
    inner = None
    if seats.ledge_inner is not None:
        inner = _to_stone(seats.ledge_inner, turn_rad, length, width, form)
        chosen = _window(form, inner[nominal], width[nominal])
        inner_normals, inner_reach = form.normals[chosen], form.reach[chosen]
        depth, direction = _distance(inner, inner_normals, inner_reach, width)
        slack.append(-depth - bounds.cover_low)
        along.append(-direction)
    tight = [_tightest(*field) for field in zip(slack, along, strict=True)]
    shift = _centring(np.hstack([t[0] for t in tight]), np.hstack([t[1] for t in tight]))
    at = shift[:, None, :]
    gap, normal = _distance(metal - at, normals, reach, width)
    rise = seats.top - height[:, None]
    inward = seats.lean[:, None] * np.einsum("snk,nk->sn", normal, outward)
    entry = np.minimum(gap, gap - rise * inward)

    cover = contact_z = contact_zeta = None
    if inner is not None:
        assert seats.ledge_inner_z is not None
        assert seats.ledge_outer_z is not None
        inner = inner - at
        outer = _to_stone(seats.opening, turn_rad, length, width, form) - at
        cover = -_distance(inner, inner_normals, inner_reach, width)[0]
        # The wall at the datum plane rather than at the girdle.
        lean = seats.lean[:, None] * np.einsum("snk,nk->sn", normal, outward)
        beyond = gap + height[:, None] * lean
        # Where the outline crosses the ledge, as a part of the way outward.
        end = np.clip(cover / np.maximum(cover + beyond, 1e-9), 0.0, 1.0)
        end = np.where(beyond <= 0, 1.0, end)
        part = end[..., None] * ALONG
        points = inner[..., None, :] + part[..., None] * (outer - inner)[..., None, :]
        fall = seats.ledge_outer_z - seats.ledge_inner_z
        z = seats.ledge_inner_z[..., None] + part * fall[..., None]
        zeta = _depth_share(form, points, width, nominal)
        ridge, part = _over_ridges(form, inner, width, nominal)
        z_ridge = seats.ledge_inner_z + part * (_next(seats.ledge_inner_z, 1) - seats.ledge_inner_z)
        same = (seats.claw == np.roll(seats.claw, -1)) & (len(seats.claw) > 1)
        lines = (cover > 0) & (_next(cover, 1) > 0) & same
        under = np.broadcast_to(cover[..., None] > 0, z.shape)
        contact_z = np.hstack(
            [
                np.where(under, z, -np.inf).reshape(len(width), -1),
                np.where(lines, z_ridge, -np.inf),
            ]
        )
        contact_zeta = np.hstack(
            [np.where(under, zeta, 0.0).reshape(len(width), -1), np.where(lines, ridge, 0.0)]
        )
    gallery_zeta = None
    if seats.gallery is not None:
        rail = _to_stone(seats.gallery, turn_rad, length, width, form) - at
        gallery_zeta = _depth_share(form, rail[:, :, None, :], width, nominal)[..., 0]
    return Placement(
        form=form,
        seats=seats,
        turn_rad=turn_rad,
        length=length,
        width=width,
        shift=shift,
        gap=gap,
        entry_gap=entry,
        cover=cover,
        contact_z=contact_z,
        contact_zeta=contact_zeta,
        gallery_zeta=gallery_zeta,
    )


def _turned(vectors: Array, turn_rad: float) -> Array:
    """Turn plan vectors (..., 2) into the frame of a stone that is turned by `turn_rad`."""
    if turn_rad == 0:
        return vectors
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turned: Array = vectors @ np.array([[c, -s], [s, c]])
    return turned


def _to_stone(points: Array, turn_rad: float, length: Array, width: Array, form: Form) -> Array:
    """Metal points (s, n, 2) in the stone's frame, squeezed so that every stone has its form.

    A stone whose ratio is off the form's by a reading's error of r is squeezed by r, and its
    gaps with it: 0.3 % of a gap.
    """
    squeeze = width * form.length_ratio / length
    turned = _turned(points, turn_rad)
    scale = np.stack([squeeze, np.ones_like(squeeze)], axis=-1)
    squeezed: Array = turned * scale[:, None, :]
    return squeezed


def _window(form: Form, points: Array, width: float) -> NDArray[np.int64]:
    """For every point the numbers of the outline normals to try, (n, w)."""
    best = (points @ form.normals.T - form.reach * width).argmax(axis=1)
    chosen: NDArray[np.int64] = (best[:, None] + _WINDOW) % len(form.normals)
    return chosen


def _distance(points: Array, normals: Array, reach: Array, width: Array) -> tuple[Array, Array]:
    """Distance of points (s, n, 2) outside the outline and the normal (s, n, 2) it is along."""
    away = points[:, :, 0, None] * normals[None, :, :, 0]
    away += points[:, :, 1, None] * normals[None, :, :, 1]
    away -= width[:, None, None] * reach[None]
    best = away.argmax(axis=2)
    distance = np.take_along_axis(away, best[..., None], axis=2)[..., 0]
    along = normals[np.arange(normals.shape[0])[None, :], best]
    return distance, along


def _tightest(slack: Array, normal: Array) -> tuple[Array, Array]:
    """The least slack (s, k) of every sector of the round, with its normal (s, k, 2)."""
    count = slack.shape[1]
    size = -(-count // _SECTORS)
    if size == 1:
        return slack, normal
    padded = np.pad(slack, ((0, 0), (0, -count % size)), constant_values=np.inf)
    sectors = padded.reshape(len(slack), -1, size)
    chosen = sectors.argmin(axis=2) + size * np.arange(sectors.shape[1])
    return (
        np.take_along_axis(slack, chosen, axis=1),
        np.take_along_axis(normal, chosen[..., None], axis=1),
    )


def _centring(slack: Array, normal: Array) -> Array:
    """Shift (s, 2) that makes the least of linearised slacks widest: slack - normal . shift.

    Newton steps on the soft minimum -tau log sum exp(-slack / tau), tau falling through `_WIDTHS`;
    the minimum found is below the true one by at most tau log n.
    """
    shift = np.zeros((len(slack), 2))
    x, y = normal[..., 0], normal[..., 1]
    for tau in _WIDTHS:
        now = slack - shift[:, 0, None] * x - shift[:, 1, None] * y
        weight = np.exp(-(now - now.min(axis=1, keepdims=True)) / tau)
        weight /= weight.sum(axis=1, keepdims=True)
        wx, wy = weight * x, weight * y
        mx, my = wx.sum(axis=1), wy.sum(axis=1)
        # A little stiffness keeps the step finite where all active normals agree.
        xx = (wx * x).sum(axis=1) - mx**2 + 0.02
        yy = (wy * y).sum(axis=1) - my**2 + 0.02
        xy = (wx * y).sum(axis=1) - mx * my
        det = xx * yy - xy**2
        step = -tau * np.stack([(yy * mx - xy * my) / det, (xx * my - xy * mx) / det], axis=1)
        size = np.linalg.norm(step, axis=1, keepdims=True)
        shift = shift + step * np.minimum(1.0, 4 * tau / np.maximum(size, 1e-12))
    return shift


def _near_facets(form: Form, unit: Array) -> tuple[Array, Array]:
    """Pavilion facets near the points (n, j, 2), in widths: slopes (n, f, 2), levels (n, f).

    The share of depth over a point is the least of level - slope . point; only the facets that
    come closest to being least over any of a station's points are kept.
    """
    facets = form.pavilion
    steep = facets.normals / facets.slopes[:, None]
    level = facets.offsets / facets.slopes
    count = min(_FACETS, len(level))
    nominal = level - unit @ steep.T
    score = (nominal - nominal.min(axis=2, keepdims=True)).min(axis=1)
    chosen = np.argpartition(score, count - 1, axis=1)[:, :count]
    return steep[chosen], level[chosen]


def _depth_share(form: Form, points: Array, width: Array, nominal: int) -> Array:
    """How deep the pavilion is over points (s, n, j, 2), as a share of its depth (at most 1)."""
    best = np.full(points.shape[:-1], 1.0)
    if len(form.pavilion.slopes) == 0:
        return best * 0.0
    unit = points / width[:, None, None, None]
    steep, level = _near_facets(form, unit[nominal])
    for k in range(level.shape[1]):
        share = level[None, :, k, None] - unit[..., 0] * steep[None, :, k, 0, None]
        share -= unit[..., 1] * steep[None, :, k, 1, None]
        np.minimum(best, share, out=best)
    return best


def _over_ridges(form: Form, points: Array, width: Array, nominal: int) -> tuple[Array, Array]:
    """Greatest share of depth on each chord from a point (s, n, 2) to the next: (share, part).

    Along a chord every facet's share is linear. The facets that are least at its two ends cross
    at `part` of the way, and there the true least is taken: exact where one ridge crosses.
    """
    if len(form.pavilion.slopes) == 0:
        nothing = np.zeros(points.shape[:-1])
        return nothing, nothing
    unit = points / width[:, None, None]
    follow = _next(unit, 1)
    steep, level = _near_facets(form, np.stack([unit[nominal], follow[nominal]], axis=1))
    start = level[None] - np.einsum("snx,nfx->snf", unit, steep)
    stop = level[None] - np.einsum("snx,nfx->snf", follow, steep)
    first, last = start.argmin(axis=2)[..., None], stop.argmin(axis=2)[..., None]

    def pick(values: Array, facet: NDArray[np.int64]) -> Array:
        return np.take_along_axis(values, facet, axis=2)[..., 0]

    gain = pick(stop, first) - pick(start, first)
    loss = pick(stop, last) - pick(start, last)
    apart = pick(start, last) - pick(start, first)
    crosses = (gain > 0) & (loss < 0)
    part = np.where(crosses, apart / np.where(crosses, gain - loss, 1.0), 0.0)
    part = np.clip(part, 0.0, 1.0)
    share = (start + part[..., None] * (stop - start)).min(axis=2)
    return np.minimum(share, 1.0), part


def _next(values: Array, axis: int) -> Array:
    return np.roll(values, -1, axis=axis)
