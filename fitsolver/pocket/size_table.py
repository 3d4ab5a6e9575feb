"""The numbers behind the carry card: what `check` and `weigh` say, over tables of sizes.

A cut's sizes are laid out on knots of width, of length (or, where a cut is nearly as wide as it is
long, of the excess of its length over its usual ratio) and of depth. First all knots are judged in
few draws of the seat; where a verdict changes, knots are added and judged in all draws, so that
the card and `check` part only next to a change of verdict.

Probabilities are kept as normal scores z, p = Phi(z), which run nearly straight between knots:
kept as they are they would bend within the uncertainty of a reading. Where all draws agree, z goes
on as the least margin over its uncertainty, so that the slope beside it is right. In depth, where
one placement serves all, margins are straight lines in every draw between the depths judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import product
from statistics import NormalDist

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from fitsolver.fitting.bench import SAMPLES, Bench
from fitsolver.fitting.judge import Judged, Stand, judge, stands
from fitsolver.fitting.placement import Kept
from fitsolver.fitting.scan import depth_limits
from fitsolver.stones import outline
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.material import Material
from fitsolver.weighing.weight import every_make, weigh_list

Array = NDArray[np.float64]
Box = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]

# How far the table reaches past the seating range [mm], and how far its first knots stand apart.
REACH_MM = 0.6
STEP_MM = 0.2
FEW_DRAWS = 16
# Draws where the verdict after alteration changes, which is the bench's own estimate anyway, and
# where the one with ordinary setting does; at the size to ask for it is all of them.
ALTERED_DRAWS, ORDINARY_DRAWS = 96, 160
# Ratios that differ by less share a figure, where few and where many draws are asked.
ALIKE_FEW, ALIKE = 0.05, 0.04
# How stones stand is found for so many knots to a side, and lies between them elsewhere.
STANDS = 3
# A cut whose ratios span less than this is laid out by its usual ratio.
NARROW = 1.15
# Depths judged, of which every other one's margins are kept, and depths whose scores are kept; they
# reach this many of the style's spreads to either side.
JUDGED_DEPTHS, DEPTHS, DEPTH_SPREADS = 7, 25, 2.5
MARGIN_DEPTHS = slice(None, None, 2)
# Neighbouring knots are parted where z changes by more than this across a change of verdict: from
# seating with ordinary setting, from seating after alteration, from not seating at all.
STEEP = 3.0, 5.0, 5.0
MOST_KNOTS = 13
# How near to a verdict's level a knot still counts as beside it, in z.
BESIDE = 0.3
# z is kept within this: a probability of some millionths.
Z_MOST = 5.0
LEAST_U_MM = 0.004


class WeightTable(Struct, frozen=True, kw_only=True):
    """Weights of a cut over `ratio` length : width (a,), `share` depth : width (b,), `width` (c,).

    `coefficient` (a, b, c) is ct over length x width x depth [ct/mm3], `relative_u` (a, b, c) the
    weight's standard uncertainty over the weight.
    """

    ratio: Array
    share: Array
    width: Array
    coefficient: Array
    relative_u: Array


class SizeTable(Struct, frozen=True, kw_only=True):
    """A cut in a mounting over knots of `excess` (y,), `width` (w,) and `depth` (d,) [mm].

    A stone's excess is its length less `usual_ratio` times its width; with `usual_ratio` 0 it is
    the length. `z` (2, y, w, d) are normal scores of the probability, with ordinary setting and
    after alteration. Margins stand on fewer knots, `margin_excess`, `margin_width` and
    `margin_depth`: their medians `margin_mm` (y, w, d, r), standard uncertainties `u_mm` (y, w, r)
    and directions `direction_deg` (y, w, r), NaN where there is none, of requirements `names`.
    """

    style: CutStyle
    usual_ratio: float
    excess: Array
    width: Array
    depth: Array
    z: Array
    names: tuple[str, ...]
    margin_excess: Array
    margin_width: Array
    margin_depth: Array
    margin_mm: Array
    u_mm: Array
    direction_deg: Array
    weight: WeightTable


class _Judged(Struct, frozen=True, kw_only=True):
    """Nodes that were judged: z (n, d, 2), medians (n, k, r), u (n, r), directions (n, r)."""

    names: tuple[str, ...]
    z: Array
    margin: Array
    u: Array
    direction: Array


class CardCut(Struct, frozen=True, kw_only=True):
    """A cut to lay out, with what the seat said of it.

    `box` are the ranges of length, width and depth that earn the verdict (a point if none is
    decided), `size` (3,) the size to ask for, which becomes a knot [mm]; if it was `asked` of the
    seat already, it is judged in as many draws again.
    """

    style: CutStyle
    box: Box
    size: Array
    asked: bool = True


def size_tables(ready: Bench, cuts: Sequence[CardCut], material: Material) -> list[SizeTable]:
    """Judge cuts of one outline and the same limits over the sizes about their seating ranges.

    They are laid out on the same knots, so that one placement serves them all.
    """
    limits = cuts[0].style.length_ratio
    ratio = limits.typical if limits.high / limits.low < NARROW else 0.0
    at = [float(cut.size[0] - ratio * cut.size[1]) for cut in cuts]
    wide = [float(cut.size[1]) for cut in cuts]
    width = _knots([cut.box[1] for cut in cuts], wide)
    if ratio:
        low, high = (limits.low - ratio) * wide[0], (limits.high - ratio) * wide[0]
        excess = _with(np.linspace(low, high, 5), at)
    else:
        excess = _knots([cut.box[0] for cut in cuts], at)
    shape = len(excess), len(width)
    levels = _levels(ready)
    kept: Kept = {}
    grids: list[_Grid] = []
    fews: list[_Judged] = []
    roughs: list[Array] = []
    for cut in cuts:
        judged, depth = _depths(cut.style, cut.box[2], cut.size)
        grid = _Grid(
            ready=ready, style=cut.style, ratio=ratio, judged=judged, depth=depth, kept=kept
        )
        few = grid.few(excess, width, grids[0] if grids else None)
        grids.append(grid)
        fews.append(few)
        roughs.append(few.z.reshape(*shape, *few.z.shape[1:]))
    kept.clear()
    fine_excess = excess if ratio else _parted(excess, roughs, levels, 0)
    fine_width = _parted(width, roughs, levels, 1)
    scores = [
        _between(_between(rough, excess, fine_excess, 0), width, fine_width, 1) for rough in roughs
    ]
    ordinary = np.any([_matters(z, levels[:1]) for z in scores], axis=0)
    altered = np.any([_matters(z, levels) for z in scores], axis=0) & ~ordinary
    here = np.zeros(ordinary.shape, dtype=bool)
    for cut, length, across in zip(cuts, at, wide, strict=True):
        if cut.asked:
            here |= np.outer(_nearest(fine_excess, length), _nearest(fine_width, across))
    found = []
    for cut, grid, few, z in zip(cuts, grids, fews, scores, strict=True):
        tables = {
            name: getattr(few, name).reshape(*shape, *getattr(few, name).shape[1:]).copy()
            for name in ("margin", "u", "direction")
        }
        # Knots of the first look that were judged in more draws are known better now.
        row = {float(value): k for k, value in enumerate(excess)}
        column = {float(value): k for k, value in enumerate(width)}
        for which, draws in (
            (altered & ~here, ALTERED_DRAWS), (ordinary & ~here, ORDINARY_DRAWS), (here, SAMPLES)
        ):  # fmt: skip
            rows, columns = np.nonzero(which)
            if not len(rows):
                continue
            more = grid.more(fine_excess[rows], fine_width[columns], draws)
            z[rows, columns] = more.z
            for k, (a, b) in enumerate(zip(fine_excess[rows], fine_width[columns], strict=True)):
                if float(a) in row and float(b) in column:
                    for name, values in tables.items():
                        values[row[float(a)], column[float(b)]] = getattr(more, name)[k]
        found.append(
            SizeTable(
                style=cut.style,
                usual_ratio=ratio,
                excess=fine_excess,
                width=fine_width,
                depth=grid.depth,
                z=np.moveaxis(z, -1, 0),
                names=few.names,
                margin_excess=excess,
                margin_width=width,
                margin_depth=grid.judged[MARGIN_DEPTHS],
                margin_mm=tables["margin"],
                u_mm=tables["u"],
                direction_deg=tables["direction"],
                weight=_weights(cut.style, material, fine_excess, fine_width, grid.depth, ratio),
            )
        )
    return found


def outline_of(style: CutStyle) -> tuple[object, ...]:
    """What a style's usual outline is told by: the same for styles that look alike in plan."""
    usual = style.typical()
    shape = outline.family(style.family).shape
    return style.family, *((name, usual[name]) for name in shape if name in usual)


class _Grid(Struct, kw_only=True):
    """Judges nodes of one cut; keeps how the stones of the first look stood.

    `kept` are placements that cuts of one outline share.
    """

    ready: Bench
    style: CutStyle
    ratio: float
    judged: Array
    depth: Array
    kept: Kept
    excess: Array = field(default_factory=lambda: np.zeros(0))
    width: Array = field(default_factory=lambda: np.zeros(0))
    turn: Array = field(default_factory=lambda: np.zeros((0, 0)))
    height: Array = field(default_factory=lambda: np.zeros((0, 0)))

    def few(self, excess: Array, width: Array, first: _Grid | None) -> _Judged:
        """Judge all knots in few draws; stones stand as those of a `first` cut, if one is given."""
        if first is not None:
            self.excess, self.width = first.excess, first.width
            self.turn, self.height = first.turn, first.height
            return self._ask(*_pairs(excess, width), FEW_DRAWS, ALIKE_FEW)
        self.excess, self.width = (side[_spaced(len(side), STANDS)] for side in (excess, width))
        across = _pairs(self.excess, self.width)
        middle = float(self.judged[len(self.judged) // 2])
        stand = stands(
            self.ready, self.style, self._lengths(*across), across[1],
            np.full(len(across[1]), middle), alike=ALIKE_FEW,
        )  # fmt: skip
        shape = len(self.excess), len(self.width)
        self.turn, self.height = stand.turn.reshape(shape), stand.height.reshape(shape)
        return self._ask(*_pairs(excess, width), FEW_DRAWS, ALIKE_FEW)

    def more(self, excess: Array, width: Array, draws: int) -> _Judged:
        """Judge some nodes (n,) in more draws, standing as the knots of the first look do."""
        return self._ask(excess, width, draws, ALIKE)

    def _stand(self, excess: Array, width: Array) -> Stand:
        near = tuple(
            np.abs(knots[:, None] - side).argmin(axis=0)
            for knots, side in ((self.excess, excess), (self.width, width))
        )
        heights = _between(self.height, self.excess, excess, 0)
        return Stand(
            turn=self.turn[near],
            height=np.array(
                [np.interp(w, self.width, row) for w, row in zip(width, heights, strict=True)]
            ),
        )

    def _lengths(self, excess: Array, width: Array) -> Array:
        """Lengths of nodes; where the style ends, those of its last ratio stand in."""
        limits = self.style.length_ratio
        length: Array = excess + self.ratio * width
        length = np.clip(length, limits.low * width, limits.high * width)
        return length

    def _ask(self, excess: Array, width: Array, draws: int, alike: float) -> _Judged:
        found = judge(
            self.ready, self.style, self._lengths(excess, width), width,
            np.tile(self.judged, (len(width), 1)), self._stand(excess, width), draws=draws,
            alike=alike, places=True, kept=self.kept,
        )  # fmt: skip
        assert found.direction is not None
        return _Judged(
            names=found.names,
            z=_scores(found, self.judged, self.depth),
            margin=np.median(found.margins[:, MARGIN_DEPTHS], axis=-1),
            u=found.margins.std(axis=-1)[:, len(self.judged) // 2],
            direction=found.direction,
        )


def _pairs(excess: Array, width: Array) -> tuple[Array, Array]:
    first, second = np.meshgrid(excess, width, indexing="ij")
    return first.ravel(), second.ravel()


def _spaced(count: int, most: int) -> NDArray[np.int64]:
    """At most so many of `count` things, evenly spread, the ends among them."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))


def _nearest(knots: Array, value: float) -> NDArray[np.bool_]:
    """The knot at a value."""
    return np.asarray(np.arange(len(knots)) == np.abs(knots - value).argmin())


def _knots(sides: Sequence[tuple[float, float]], asked: Sequence[float]) -> Array:
    """Knots from before the first to beyond the last of some ranges, those asked for among them."""
    low, high = min(side[0] for side in sides) - REACH_MM, max(side[1] for side in sides) + REACH_MM
    return _with(np.linspace(low, high, round((high - low) / STEP_MM) + 1), asked)


def _with(knots: Array, values: Sequence[float]) -> Array:
    """Move the knot nearest to each value there; where that was moved already, add one."""
    free = np.round(knots, 3).tolist()
    taken: set[float] = set()
    for value in sorted({round(value, 6) for value in values}):
        nearest = min(free, key=lambda knot: abs(knot - value), default=np.inf)
        if abs(nearest - value) < min((abs(knot - value) for knot in taken), default=np.inf):
            free.remove(nearest)
        taken.add(value)
    return np.unique([*free, *taken])


def _depths(style: CutStyle, box: tuple[float, float], ask: Array) -> tuple[Array, Array]:
    """Depths to judge and depths to keep, the one to ask for among both."""
    least, usual, _ = depth_limits(style)
    reach = (usual - least) / 1.5 * DEPTH_SPREADS
    low = min((usual - reach) * ask[1], box[0] - 0.2)
    high = max((usual + reach) * ask[1], box[1] + 0.2)
    low, high = max(low, 0.17 * ask[1]), min(high, 1.28 * ask[1])
    judged = _with(np.linspace(low, high, JUDGED_DEPTHS), [float(ask[2])])
    kept = _with(np.linspace(low, high, DEPTHS), [float(ask[2])])
    return judged, kept


def _levels(ready: Bench) -> tuple[tuple[int, float], ...]:
    """What changes a verdict: (0 ordinary or 1 altered, z)."""
    score = NormalDist().inv_cdf
    seats = score(ready.allowances["seats_from_probability"])
    fails = score(ready.allowances["fails_to_probability"])
    return (0, seats), (1, seats), (1, fails)


def _between(values: Array, knots: Array, wanted: Array, axis: int) -> Array:
    """Values on other knots of one axis, by straight lines."""
    if len(knots) == 1:
        return values.take(np.zeros(len(wanted), dtype=np.int64), axis)
    k = np.clip(np.searchsorted(knots, wanted), 1, len(knots) - 1)
    part = (wanted - knots[k - 1]) / (knots[k] - knots[k - 1])
    shape = [1] * values.ndim
    shape[axis] = -1
    part = part.reshape(shape).astype(values.dtype, copy=False)
    mixed: Array = values.take(k - 1, axis) * (1 - part) + values.take(k, axis) * part
    return mixed


@cache
def _scores_of(count: int) -> Array:
    """Normal scores (count + 1,) of so many draws that hold; of none and all, of half a draw."""
    score = NormalDist().inv_cdf
    parts = np.clip(np.arange(count + 1) / count, 0.5 / count, 1 - 0.5 / count)
    return np.array([score(float(part)) for part in parts])


def _scores(found: Judged, judged: Array, kept: Array) -> Array:
    """Normal scores (n, d, 2) at the depths kept; margins run straight between those judged."""
    after = np.clip(np.searchsorted(judged, kept), 1, len(judged) - 1)
    part = (kept - judged[after - 1]) / (judged[after] - judged[after - 1])
    scores = []
    for margins in (found.margins, found.altered):
        count, middle = margins.shape[-1], margins.mean(axis=-1)
        u = np.maximum(margins.std(axis=-1), LEAST_U_MM)
        here, spread = (
            values[:, after - 1] * (1 - part[:, None]) + values[:, after] * part[:, None]
            for values in (middle, u)
        )
        far = (here / spread).min(axis=2)
        held, usual = _held(margins, after, part), _scores_of(count)
        z = np.where(held == 0, np.minimum(far, usual[0]), usual[held])
        scores.append(np.where(held == count, np.maximum(far, usual[-1]), z))
    # Alteration is never worse than leaving it.
    both = np.stack([scores[0], np.maximum(*scores)], axis=-1)
    clipped: Array = np.clip(both, -Z_MOST, Z_MOST)
    return clipped


def _held(margins: Array, after: NDArray[np.int_], part: Array) -> NDArray[np.int_]:
    """How many draws hold all margins (n, k, r, s) at depths a part of the way to the judged ones.

    From judged depth `after` - 1 to `after` (d,); shape (n, d).
    """
    held = np.empty((len(margins), len(after)), np.int_)
    for d, (k, p) in enumerate(zip(after.tolist(), part.tolist(), strict=True)):
        dense = margins[:, k - 1] * (1 - p)
        dense += margins[:, k] * p
        held[:, d] = (dense >= 0).all(axis=1).sum(axis=1)
    return held


def _cells(z: Array, levels: tuple[tuple[int, float], ...]) -> NDArray[np.bool_]:
    """Cells (y - 1, w - 1) of the knots in which a verdict changes at some depth."""
    corners = np.stack([z[a : len(z) - 1 + a, b : z.shape[1] - 1 + b] for a in (0, 1)
                        for b in (0, 1)])  # fmt: skip
    low, high = corners.min(axis=0), corners.max(axis=0)
    changes = np.zeros(low.shape[:3], dtype=bool)
    for which, level in levels:
        changes |= (low[..., which] < level + BESIDE) & (high[..., which] > level - BESIDE)
    return np.asarray(changes.any(axis=2))


def _matters(z: Array, levels: tuple[tuple[int, float], ...]) -> NDArray[np.bool_]:
    """Knots (y, w) at a corner of a cell in which a verdict changes."""
    found = np.zeros(z.shape[:2], dtype=bool)
    cells = _cells(z, levels)
    for a in (0, 1):
        for b in (0, 1):
            found[a : len(cells) + a, b : cells.shape[1] + b] |= cells
    return found


def _parted(
    knots: Array, scores: Sequence[Array], levels: tuple[tuple[int, float], ...], axis: int
) -> Array:
    """Add knots half-way where a z is steep across a change of verdict, the steepest first."""
    steep = np.zeros(len(knots) - 1)
    for z, (level, limit) in product(scores, zip(levels, STEEP, strict=True)):
        cells = _cells(z, (level,))
        rise = np.abs(np.diff(z[..., level[0]], axis=axis)).max(axis=2)
        rise = (
            np.maximum(rise[:, :-1], rise[:, 1:]) if axis == 0 else np.maximum(rise[:-1], rise[1:])
        )
        steep = np.maximum(steep, np.where(cells, rise, 0.0).max(axis=1 - axis) / limit)
    order = [k for k in np.argsort(-steep, kind="stable") if steep[k] > 1]
    order = order[: max(0, MOST_KNOTS - len(knots))]
    return np.sort(np.concatenate([knots, *((knots[k : k + 1] + knots[k + 1]) / 2 for k in order)]))


def _weights(
    style: CutStyle, material: Material, excess: Array, width: Array, depth: Array, usual: float
) -> WeightTable:
    """Weights by `weigh`, make unknown, over the sizes of the table."""
    ends = np.array([excess[0], excess[-1]])[:, None] + usual * np.array([width[0], width[-1]])
    ratios = ends / np.array([width[0], width[-1]])
    limits = style.length_ratio
    low, high = max(ratios.min(), limits.low), min(ratios.max(), limits.high)
    ratio = np.linspace(low, high, 4)
    share = np.linspace(depth[0] / width[-1], depth[-1] / width[0], 15)
    wide = np.linspace(width[0], width[-1], 3)
    r, s, w = (side.ravel() for side in np.meshgrid(ratio, share, wide, indexing="ij"))
    found = weigh_list(
        every_make(style, material),
        material,
        {"length_mm": r * w, "width_mm": w, "depth_mm": s * w},
    )
    shape = len(ratio), len(share), len(wide)
    return WeightTable(
        ratio=ratio,
        share=share,
        width=wide,
        coefficient=(found.weight_ct / (r * s * w**3)).reshape(shape),
        relative_u=(found.u_ct / found.weight_ct).reshape(shape),
    )
