"""A stone set level into possible seats: where it centres, what it touches, how far all is clear.

One kernel for one seat or hundreds: every array leads with the seats' sample axis. The stone is
its form (outline and pavilion facets) with a size for each sample; depth stays free, so that one
placement serves every depth. Seats in single precision are answered in it, but for the nominal
one's own centring.

Pose rule: level, at a fixed turn, shifted to where it centres (`centring`).
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

from fitsolver.fitting.bearing import ALONG, Ledge, Longer, deepest
from fitsolver.fitting.centring import Bounds, Plan, centre, clear
from fitsolver.fitting.clearance import (
    Indices,
    Metal,
    facing,
)
from fitsolver.seats.seat import FACE_POINTS, FACE_SHARES, Seats
from fitsolver.stones.form import Form

Array = NDArray[np.float64]

# A girdle's thickness, in widths, where cuts of one outline are centred together.
USUAL_GIRDLE = 0.04


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
        closer = (_on_wall(seats, edge) - height) * inward
        above = (of(seats.top) - height) * inward
        if seats.notch is None:
            entry = near - np.maximum(closer, above)
        else:
            # Above its mouth a claw stands further in, by the depth of the notch.
            assert seats.mouth is not None
            mouth = (of(seats.mouth)[:, None] - height) * inward
            entry = near - np.maximum(mouth, above) - of(seats.notch)
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
        if bottom.ndim > 1:
            each = [self.tightest(*at) for at in zip(bottom, girdle, strict=True)]
            names = ("entry", "near", "reach", "mean")
            return Tightest(*(np.stack([getattr(at, name) for at in each]) for name in names))
        gap, near, entry = self.clearances(bottom, girdle)
        reach = per_claw(near, np.minimum) if step > 1 else gap
        return Tightest(
            entry=entry.min(axis=1), near=near.min(axis=1), reach=reach.max(axis=1),
            mean=over_claws(gap) if step > 1 else gap,
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
        # Each station counts by the ledge beside it.
        share = self.seats.ledge_shares.astype(pavilion.dtype)
        if pavilion.ndim > 1:
            bottom, parted = zip(*(self.rest(depth) for depth in pavilion), strict=True)
            return np.stack(bottom), np.stack(parted)
        rests: Array = pavilion[:, None] * self.contact_zeta
        rests += self.contact_z
        parts = [rests[:, k * stations : (k + 1) * stations] for k in range(len(ALONG))]
        highest, lowest = reduce(np.maximum, parts), reduce(np.minimum, parts)
        under = np.isfinite(parts[0])
        apart = np.subtract(highest, lowest, out=np.zeros_like(highest), where=under)
        return rests.max(axis=1), apart @ share


def _on_wall(seats: Seats, height: Array) -> Array:
    """Heights at which metal is met: in a cut seat none below the datum, where the ledge is."""
    return np.maximum(height, 0.0) if seats.state == "cut" else height


def over_claws(field: Array) -> Array:
    """Mean of a field over each claw's face: (s, claws * points) -> (s, claws)."""
    mean: Array = field.reshape(len(field), -1, FACE_POINTS) @ FACE_SHARES.astype(field.dtype)
    return mean


def per_claw(field: Array, join: np.ufunc) -> Array:
    """Join the stations of each claw: (s, claws * points) -> (s, claws)."""
    joined: Array = join.reduce(field.reshape(len(field), -1, FACE_POINTS), axis=2)
    return joined


Kept = dict[tuple[float | int | bytes, ...], Placement]
"""Placements in one mounting, kept for other forms of their outline, by what they depend on."""


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
    height = _on_wall(seats, np.where(seats.lean > 0, low + girdle[:, None], low))
    seen = _View(form=form, turn_rad=turn_rad, length=length, width=width)
    metal = Metal.of(seen.plan(seats.opening_at(height)), _one_piece(seats))
    inner = None if seats.ledge_inner is None else seen.plan(seats.ledge_inner)
    bare = None if seats.ledge_after.all() else ~seats.has_ledge
    plan = Plan(
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
    shift, strain = centre(plan, longer)
    gap, near, cover, normal = clear(plan, shift, width, strain)
    # How leaning metal closes in on the nearest girdle, as in the nominal seat.
    outward = seen.turned(seats.outward)
    if seats.holds == "wall":  # where a corner is passed a side is passed before
        outward = outward / np.hypot(*outward.T)[:, None]
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


def _column(values: Array, kind: np.dtype[Any]) -> Array:
    """Values (s,) as (s, 1), those of single claws (s, c) as they are, in a precision."""
    return (values if values.ndim == 2 else values[:, None]).astype(kind, copy=False)
