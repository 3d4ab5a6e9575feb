"""A stone set level into possible seats: where it centres, what it touches, how far all is clear.

One kernel for one seat or hundreds: every array leads with the seats' sample axis. The stone is
its form (outline and pavilion facets) with a size for each sample; depth stays free, so that one
placement serves every depth.

Pose rule: level, at a fixed turn, shifted in the plane to where the least of all plan margins
(gap, closing gap, cover; notch floor and ceiling) is widest: a stone seats if it seats in some
place, and that is where a setter centres it. The nominal seat is centred several times over, the
others once, from where the nominal one came to lie.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitsolver.centring import widest_least
from fitsolver.clearance import Metal, distance, facing, nearest
from fitsolver.form import Form
from fitsolver.seat import FACE_POINTS, Seats

Array = NDArray[np.float64]

# Parts of the way from the ledge's inner edge to its outer end under the outline.
ALONG = np.array([0.0, 0.5, 1.0])
# Pavilion facets that are tried over each station, and vertices of the outline over each run.
_FACETS = 7
_VERTICES = 6
# Sectors of the round whose tightest station enters the centring. (The tightest of all would
# lie on one side and let the stone drift to the other.)
_SECTORS = 24
# How often the nominal seat is centred, unless it has settled before [mm].
_ROUNDS = 6
_SETTLED_MM = 2e-4


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
    metal; `near` (s, n) the least gap from each station to the next; `entry_gap` (s, n) the same
    up to the rim; `cover` (s, n) of ledge under the outline; `contact_z`, `contact_zeta` (s, c)
    heights of ledge points under the stone and how deep the pavilion is over them, as a share of
    its whole depth; `gallery_zeta` (s, m) the same over the rail; `shift` (s, 2).
    """

    form: Form
    seats: Seats
    turn_rad: float
    length: Array
    width: Array
    shift: Array
    gap: Array
    near: Array
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """Metal in the stone's frame, before the shift: at the girdle, and the ledge's inner edge."""

    form: Form
    seats: Seats
    width: Array
    metal: Metal
    inner: Metal | None
    bounds: Bounds
    nominal: int

    def alone(self) -> _Plan:
        """The nominal seat alone."""
        row = slice(self.nominal, self.nominal + 1)

        def only(metal: Metal) -> Metal:
            return Metal(points=metal.points[:, row], joined=metal.joined)

        return _Plan(
            form=self.form,
            seats=self.seats,
            width=self.width[row],
            metal=only(self.metal),
            inner=None if self.inner is None else only(self.inner),
            bounds=Bounds(
                gap_low=self.bounds.gap_low[row],
                gap_high=self.bounds.gap_high[row],
                cover_low=self.bounds.cover_low,
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
) -> Placement:
    """Place a form of given length and width (s,) [mm] into `seats` at a turn.

    `girdle` (s,) is the girdle's thickness; `bounds` what the pose strives for; `girdle_z` the
    height of its lower plane at which leaning metal is judged (the datum, or half a millimetre
    under the rim, if not given); `nominal` the row about which neighbours are chosen.

    A stone whose ratio is off the form's by a reading's error of r is squeezed by r, and its
    gaps with it: 0.3 % of a gap.
    """
    low = girdle_z if girdle_z is not None else (0.0 if seats.state == "cut" else -0.5)
    # The edge of the girdle that leaning metal comes nearest to.
    height = np.where(seats.lean > 0, low + girdle, low)
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    squeeze = (width * form.length_ratio / length)[:, None]
    joined = np.roll(seats.claw, -1) == seats.claw

    def seen(points: Array) -> Metal:
        """Plan points (s, n, 2) in the frame of the turned stone."""
        x, y = points[..., 0], points[..., 1]
        turned = np.stack([(c * x + s * y) * squeeze, c * y - s * x])
        return Metal(points=turned, joined=joined if len(joined) == x.shape[1] else _ALL)

    metal = seen(seats.opening_at(height))
    inner = None if seats.ledge_inner is None else seen(seats.ledge_inner)
    plan = _Plan(
        form=form,
        seats=seats,
        width=width,
        metal=metal,
        inner=inner,
        bounds=bounds,
        nominal=nominal,
    )
    vertex = facing(form, metal, width, nominal)
    shift = _shift(plan, vertex)
    at = shift[..., None]
    gap, along = distance(form, metal.points - at, width, nominal)
    near, toward = nearest(metal, gap, along, vertex, at)
    lean = seats.lean[:, None]
    out_x, out_y = (seats.outward @ np.array([[c, -s], [s, c]])).T
    rise = seats.top - height[:, None]
    entry = np.minimum(near, near - rise * lean * (toward[0] * out_x + toward[1] * out_y))

    cover = contact_z = contact_zeta = gallery_zeta = None
    if inner is not None:
        cover = -distance(form, inner.points - at, width, nominal)[0]
        wall = seen(seats.opening)
        # The wall at the datum plane rather than at the girdle.
        beyond = gap + height[:, None] * lean * (along[0] * out_x + along[1] * out_y)
        contacts = [
            _down_the_ledge(plan, wall.points - at, inner.points - at, cover, beyond),
            _over_ridges(plan, inner, at, cover),
            _under_the_girdle(plan, wall, inner, at),
        ]
        contact_z = np.hstack([z for z, _ in contacts])
        contact_zeta = np.hstack([zeta for _, zeta in contacts])
    if seats.gallery is not None:
        rail = seen(seats.gallery).points - at
        gallery_zeta = _depth_share(form, rail[..., None], width, nominal)[..., 0]
    return Placement(
        form=form,
        seats=seats,
        turn_rad=turn_rad,
        length=length,
        width=width,
        shift=shift.T,
        gap=gap,
        near=near,
        entry_gap=entry,
        cover=cover,
        contact_z=contact_z,
        contact_zeta=contact_zeta,
        gallery_zeta=gallery_zeta,
    )
