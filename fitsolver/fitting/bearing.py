"""What a pavilion bears on: the places of a ledge that may stop a stone, for hundreds of seats.

The depth of the stone stays free: a place is its height and how deep the pavilion is over it, as a
share of its whole depth. Plan lengths are in the stone's frame and widths, heights in mm. Which
facets and corners can matter is settled on one seat, the nominal one.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.fitting.clearance import Metal, following, greatest
from fitsolver.seats.seat import Seats
from fitsolver.stones.form import Form, heights, longer_form

Array = NDArray[np.float64]

# Parts of the way from the ledge's inner edge to its outer end under the outline.
ALONG = np.array([0.0, 0.5, 1.0])
# Pavilion facets that are tried over each station, of a dome more, and corners of the girdle that
# are tried over each run.
_FACETS, _DOME_FACETS = 6, 12
_CORNERS = 3
# How far beside a run they may lie in the nominal seat, as a part of it.
_BESIDE = 0.3
# Part of a run over which the pavilion's slope is taken, by the size of a number [bytes].
_SMALL = {4: 3e-3, 8: 1e-6}


class Longer(Struct, frozen=True, kw_only=True):
    """Stones longer than their form `by` a part (s, 1); their middle goes `drift` as far along."""

    by: Array
    drift: float

    def gain(self, form: Form, points: Array) -> Array:
        """What the pavilion is deeper over points (n, 2) of one seat than the form's, (n,).

        Of a stone that is longer by 1, taken as straight.
        """
        other = longer_form(form)
        part = other.length_ratio / form.length_ratio - 1
        there = points * (1 + part, 1.0) - (self.drift * part, 0.0)
        own, stretched = (
            each.pavilion.height(each.fold(at)) for each, at in ((form, points), (other, there))
        )
        return np.asarray((stretched - own) / part).astype(self.by.dtype)


class Ledge(Struct, frozen=True, kw_only=True, dict=True):
    """A ledge under a stone: from the `wall` at the datum plane to the `inner` edge.

    Where stones are longer than their form, `other` says by how much.
    """

    form: Form
    seats: Seats
    width: Array
    wall: Metal
    inner: Array
    nominal: int
    other: Longer | None = None

    @cached_property
    def heights(self) -> tuple[Array, Array]:
        """Heights of the ledge's inner and outer edge, (s, n)."""
        inner, outer = self.seats.ledge_inner_z, self.seats.ledge_outer_z
        assert inner is not None
        assert outer is not None
        every = np.empty((2, *self.wall.length.T.shape), self.width.dtype)
        every[0], every[1] = inner.T, outer.T
        return every[0].T, every[1].T

    def touched(self, cover: Array, beyond: Array) -> tuple[Array, Array]:
        """Places that may stop the stone: heights z (s, c), -inf for none, and shares of depth.

        `cover` (s, n) of the ledge under the outline, inf where there is no ledge, and what is
        `beyond` the outline to the wall (s, n), in mm. First places on each station's line down the
        ledge, `ALONG` it, then ridges that cross its inner edge, then corners of the girdle.
        """
        # Where no ledge is left there is nothing to touch.
        cover = np.where(np.isinf(cover), -np.inf, cover)
        places = *self._inside(cover, beyond), self._under_girdle()
        return np.hstack([z for z, _ in places]), np.hstack([zeta for _, zeta in places])

    def _inside(self, cover: Array, beyond: Array) -> Sequence[tuple[Array, Array]]:
        """Places on each station's line down the ledge, as far out as the outline reaches, and
        where ridges of the pavilion cross the runs of the inner edge.
        """
        inner_z, _ = self.heights
        edge = Pavilion.over(self.form, self.inner, self.nominal, self.other)
        down = [(np.where(cover > 0, inner_z, -np.inf), edge.share())]
        for part in ALONG[1:].tolist():
            places, z = self._down(part, cover, beyond)
            down.append((z, Pavilion.over(self.form, places, self.nominal, self.other).share()))
        part, share = edge.ridge(down[0][1], following(down[0][1]))
        between = (cover > 0) & (following(cover) > 0) & self.wall.joined
        crossing = inner_z + part * (following(inner_z) - inner_z)
        return *down, (np.where(between, crossing, -np.inf), share)

    def _down(self, part: float, cover: Array, beyond: Array) -> tuple[Array, Array]:
        """Places (2, s, n) a part of the way down the ledge, and their heights, (s, n)."""
        inner_z, outer_z = self.heights
        wall, inner = self.wall.points, self.inner
        end = np.clip(np.maximum(cover, -1.0) / np.maximum(cover + beyond, 1e-9), 0.0, 1.0)
        end = part * np.where(beyond <= 0, 1.0, end)
        z = np.where(cover > 0, inner_z + end * (outer_z - inner_z), -np.inf)
        return inner + end * (wall - inner), z

    def _under_girdle(self) -> tuple[Array, Array]:
        """The vertex of the girdle's lower edge that stands highest over each run of the ledge."""
        rim, share = self.form.rim
        depth = float(heights(self.form.style, self.form.proportions)[2]) * self.width
        kind = self.width.dtype
        rim, share = rim.astype(kind, copy=False), share.astype(kind, copy=False)
        # In the nominal seat every vertex is tried, also a little beside its run.
        row = slice(self.nominal, self.nominal + 1)
        x, y = rim.T[..., None]
        z = _on_the_ledge([field[0] for field in self._runs(row)], x, y, _BESIDE)
        z += depth[self.nominal] * share[:, None]
        count = min(_CORNERS, len(rim))
        highest = np.argpartition(-z, count - 1, axis=0)[:count]
        fields = self._runs(slice(None))
        best = np.full_like(fields[2], -np.inf)
        found, zeta = best.copy(order="K"), np.zeros_like(best)
        for vertex in highest:
            x, y = rim[vertex].T
            z = _on_the_ledge(fields, x, y)
            rest = z + (share[vertex][:, None] * depth).T
            better = self.wall.joined & (rest > best)
            best = np.where(better, rest, best)
            found, zeta = np.where(better, z, found), np.where(better, share[vertex], zeta)
        return found, zeta

    def _runs(self, rows: slice) -> Sequence[Array]:
        """What `_on_the_ledge` asks of some samples' runs of the ledge, (s, n) each."""
        inner_z, outer_z = (height[rows] for height in self.heights)
        points = self.wall.points[:, rows]
        out_x, out_y = self.wall.outward[:, rows]
        way_x, way_y = self.wall.way[:, rows] / self.wall.length[rows] ** 2
        in_x, in_y = points - self.inner[:, rows]
        breadth = np.maximum(in_x * out_x + in_y * out_y, 1e-4)
        broader = following(in_x) * out_x + following(in_y) * out_y - breadth
        fall = outer_z - inner_z
        return (
            *points, out_x, out_y, way_x, way_y, breadth, broader,
            outer_z, following(outer_z) - outer_z, fall, following(fall) - fall,
        )  # fmt: skip


def _on_the_ledge(fields: Sequence[Array], x: Array, y: Array, beside: float = 0.0) -> Array:
    """Height of a ledge under plan points, -inf beside it (by more than a part of its size)."""
    at_x, at_y, out_x, out_y, way_x, way_y, breadth, broader, z, higher, fall, steeper = fields
    to_x, to_y = x - at_x, y - at_y
    part = to_x * way_x + to_y * way_y
    inward = -(to_x * out_x + to_y * out_y) / (breadth + part * broader)
    over = (np.abs(part - 0.5) <= 0.5 + beside) & (np.abs(inward - 0.5) <= 0.5 + beside)
    height = z + part * higher - inward * (fall + part * steeper)
    return np.where(over, height, -np.inf)


def deepest(form: Form, points: Array, nominal: int, other: Longer | None) -> Array:
    """The greatest share of a pavilion's depth over points (2, s, n) and between them, (s,)."""
    return Pavilion.over(form, points, nominal, other).deepest()


def _tried(form: Form) -> int:
    """How many facets of a pavilion are tried over each point."""
    most = _DOME_FACETS if form.style.domes else _FACETS
    return min(most, len(form.pavilion.level))


class Pavilion(Struct, frozen=True, kw_only=True):
    """The pavilion's facets over points (2, s, n) and along the `way` from each to the next.

    Lengths are in widths. The share of depth over a point is the least of level - slope . point,
    at most 1; of all facets only the few that come closest to being least over the nominal seat's
    points and their next ones are kept: `slopes` (f, 2, n), `levels` (f, n). A stone longer than
    its form `by` a part (s, 1) gains that part of `gain` (n,), as at the nominal seat's points, and
    of `further` (n,) more at the next ones.
    """

    form: Form
    points: Array
    way: Array
    slopes: Array
    levels: Array
    by: Array | None = None
    gain: Array | None = None
    further: Array | None = None

    @classmethod
    def over(cls, form: Form, points: Array, nominal: int, other: Longer | None = None) -> Pavilion:
        """The facets over points (2, s, n), of stones that may be longer than their form."""
        way = following(points) - points
        steep, level = form.pavilion.steep, form.pavilion.level
        count = _tried(form)
        if count == 0:
            return cls(form=form, points=points, way=way, slopes=steep, levels=level)
        here = points[:, nominal].T
        share = level - form.fold(here) @ steep.T
        over = share - share.min(axis=1, keepdims=True)
        over = np.minimum(over, np.concatenate([over[1:], over[:1]]))
        chosen = np.argpartition(over, count - 1, axis=1)[:, :count].T
        gain = further = None
        if other is not None:
            gain = other.gain(form, here.astype(np.float64))
            further = following(gain) - gain
        return cls(
            form=form, points=points, way=way, slopes=steep[chosen].transpose(0, 2, 1),
            levels=level[chosen], by=None if other is None else other.by, gain=gain,
            further=further,
        )  # fmt: skip

    def share(self, part: Array | float = 0.0) -> Array:
        """How deep the pavilion is over its points, or a part of the way from them, (s, n)."""
        if len(self.levels) == 0:
            return np.ones_like(self.points[0])
        here = self.points if isinstance(part, float) and part == 0 else (
            self.points + part * self.way
        )  # fmt: skip
        share = -greatest(self.form, here, self.slopes, self.levels)
        if self.by is not None and self.gain is not None and self.further is not None:
            share += self.by * (self.gain + part * self.further)
        return np.minimum(share, 1.0, out=share)

    def deepest(self) -> Array:
        """The greatest share of depth over its points and anywhere between them, (s,)."""
        share = self.share()
        most: Array = share.max(axis=1)
        if len(self.levels) == 0:
            return most
        # No run reaches higher than from both its ends at the slope of its steepest facet.
        least, largest = self.way.min(axis=1), self.way.max(axis=1)
        if self.form.mirrored:
            largest = np.maximum(largest, -least)
            least = -largest
        along = np.abs(np.einsum("fkn,kn->fn", self.slopes, (least + largest) / 2))
        astray = np.einsum("fkn,kn->fn", np.abs(self.slopes), (largest - least) / 2)
        reach = (along + astray).max(axis=0, initial=0.0).astype(share.dtype)
        if self.by is not None and self.further is not None:
            reach = reach + np.abs(self.by * self.further).max(axis=0)
        may = (share + following(share) + reach) / 2 > most[:, None]
        runs = np.flatnonzero(may.any(axis=0))
        if len(runs) == 0:
            return most
        few, stop = self._along(runs), following(share)[:, runs]
        highest: Array = few.ridge(share[:, runs], stop, most)[1].max(axis=1)
        return np.maximum(most, highest)

    def ridge(self, start: Array, stop: Array, over: Array | None = None) -> tuple[Array, Array]:
        """Where between its points and the next the pavilion is deepest: (part, share), (s, n).

        `start` and `stop` are its share of depth over the points and the next. Along a run the
        share is the least of straight lines. The lines that are least at its two ends cross at a
        first guess; the line that is least there takes the place of one of them for the second.
        With `over` (s,) only runs that may reach above it are looked into.
        """
        small = _SMALL[self.points.dtype.itemsize]
        gain = (self.share(small) - start) / small
        loss = (stop - self.share(1 - small)) / small
        crosses = (gain > 0) & (loss < 0)
        if over is not None:
            part = np.divide(
                stop - loss - start, gain - loss, out=np.zeros_like(gain), where=crosses
            )
            crosses &= start + part * gain > over[:, None]
        # Most runs lie under one facet and cross no ridge in any seat.
        runs = np.flatnonzero(crosses.any(axis=0))
        part, share = np.zeros_like(start), start.copy(order="K")
        if len(runs):
            part[:, runs], share[:, runs] = self._along(runs)._highest(
                start[:, runs], stop[:, runs], gain[:, runs], loss[:, runs], crosses[:, runs], small
            )
        return part, share

    def _along(self, runs: NDArray[np.int64]) -> Pavilion:
        """The same along some of the runs."""
        return replace(
            self,
            points=self.points[..., runs],
            way=self.way[..., runs],
            slopes=self.slopes[..., runs],
            levels=self.levels[..., runs],
            gain=None if self.gain is None else self.gain[runs],
            further=None if self.further is None else self.further[runs],
        )

    def _highest(
        self, start: Array, stop: Array, gain: Array, loss: Array, crosses: NDArray[np.bool_],
        small: float,
    ) -> tuple[Array, Array]:  # fmt: skip
        """Where two lines of each run cross, and again with the line that is least there."""
        gain, loss = np.where(crosses, gain, 1.0), np.where(crosses, loss, -1.0)
        # Both lines by their height at the run's beginning.
        rising, falling = start, stop - loss
        part = np.clip((falling - rising) / (gain - loss), 0.0, 1.0)
        share = self.share(part)
        slope = (self.share(part + small) - share) / small
        own = share - part * slope
        climbs = slope > 0
        gain, loss = np.where(climbs, slope, gain), np.where(climbs, loss, slope)
        rising, falling = np.where(climbs, own, rising), np.where(climbs, falling, own)
        again = np.clip((falling - rising) / np.maximum(gain - loss, small), 0.0, 1.0)
        better = self.share(again)
        part = np.where(better > share, again, part)
        share = np.maximum(better, share)
        return np.where(crosses, part, 0.0), np.where(crosses, share, start)
