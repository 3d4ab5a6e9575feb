"""Many sizes of one cut judged at once: their chances, or every margin in every draw.

The answers are those of `solver.check`, but for what stones of like ratio share: one figure (what
their own ratios change is taken as straight) and the stations tried.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.placement import USUAL_GIRDLE, Kept, Placement, kept_or_made, place
from fitsolver.fitting.requirement import bounds, requirements
from fitsolver.fitting.sizes import Sizes, stone_sizes
from fitsolver.fitting.solver import Bench, directions_deg, fitted, turns_in
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form, form

Array = NDArray[np.float64]

# Samples placed at a time: their arrays fit in a processor's cache.
ROWS = 4104
# Figures are made for ratios so far apart: gaps are off by a quarter of a per cent of themselves.
RATIOS_TO_ONE = 200
# Ratios that differ by no more than this are the figure's own; by less than that, they are judged
# with a given figure.
SAME, ALIKE = 0.004, 0.03
# A wall that leans less is judged once, not at the height that the first round finds.
UPRIGHT = 0.005


class Poses(Struct, frozen=True, kw_only=True):
    """How n stones stand: `turn` [rad] and `height` of the girdle's lower plane [mm], each (n,)."""

    turn: Array
    height: Array


class Tile(Struct, frozen=True, kw_only=True):
    """Margins of n stones at k depths each, for r requirements and s draws.

    `margins` (n, k, r, s) [mm] with ordinary setting, `altered` the same with every alteration;
    `direction` (n, r) [deg] where each is tightest in the best estimate at the middle depth, NaN
    where it is at no single place.
    """

    names: tuple[str, ...]
    margins: Array
    altered: Array
    direction: Array


def chances(
    ready: Bench,
    figure: Form,
    turn_rad: float,
    sizes_mm: Array,
    depths_mm: Array,
    draws: int,
    girdle_z_mm: float,
    kept: Kept | None = None,
) -> tuple[Array, Array]:
    """Probabilities of several sizes and depths of a style over the first draws of the seat.

    `sizes_mm` (n, 2) lengths and widths, `depths_mm` (n, k); returns (n, k) with ordinary setting
    and after alteration. `figure` is the style at a ratio about which most sizes lie; those far off
    get figures of their own. Leaning metal is centred in at one height of the girdle,
    `girdle_z_mm`; each draw's gaps are judged at its own. `kept` keeps placements for other styles
    of the outline, which are asked about the same sizes; they are centred with a usual girdle.
    """
    draws = min(draws, ready.seats.count - 1)
    ratios = sizes_mm[:, 0] / sizes_mm[:, 1]
    near = np.abs(ratios / figure.length_ratio - 1) < ALIKE
    far = np.flatnonzero(~near)
    groups = [(np.flatnonzero(near), figure)] if near.any() else []
    for some in _alike(ratios[far], np.zeros(len(far)), ALIKE, ROWS):
        groups.append((far[some], _figure(figure.style, ratios[far[some]])))
    found = np.empty((2, *depths_mm.shape))
    for group, shared in groups:
        found[:, group] = _chances(
            ready, shared, turn_rad, sizes_mm[group], depths_mm[group], draws, girdle_z_mm, kept
        )
    return found[0], np.maximum(found[0], found[1])


def _chances(
    ready: Bench, figure: Form, turn_rad: float, sizes_mm: Array, depths_mm: Array, draws: int,
    girdle_z_mm: float, kept: Kept | None,
) -> Array:  # fmt: skip
    u = ready.allowances["stone_reading_u_mm"]
    sizes = stone_sizes(figure.style, sizes_mm[:, 0], sizes_mm[:, 1], depths_mm.T, u, draws)
    nominal = len(sizes_mm) // 2 * (draws + 1)
    girdle = _middle(sizes.girdle) if kept is None else USUAL_GIRDLE * sizes.width

    def made() -> Placement:
        spots = ready.seats.rows(np.tile(np.arange(draws + 1), len(sizes_mm)))
        return place(
            figure, spots, sizes.length, sizes.width, girdle, bounds(spots, ready.allowances),
            turn_rad=turn_rad, girdle_z=girdle_z_mm, nominal=nominal,
            strained=_parted(figure, sizes_mm[:, 0] / sizes_mm[:, 1]),
        )  # fmt: skip

    asked = draws, turn_rad, girdle_z_mm, sizes_mm.tobytes()
    placed = kept_or_made(kept, asked, figure, nominal, made)
    needs = requirements(placed, sizes.crown, sizes.girdle, sizes.pavilion, ready.allowances)
    found = [
        needs.holds(altered=altered).reshape(*depths_mm.T.shape, draws + 1)[..., 1:].mean(axis=-1)
        for altered in (False, True)
    ]
    return np.array(found).swapaxes(1, 2)


def _middle(heights: Array) -> Array:
    """Those of the middle depth, of heights (k, s)."""
    middle: Array = heights[len(heights) // 2]
    return middle


def _parted(figure: Form, ratios: Array) -> bool:
    """Whether ratios part from a figure's by more than nothing."""
    return bool(np.abs(ratios / figure.length_ratio - 1).max() > SAME)


def poses(
    ready: Bench, style: CutStyle, lengths: Array, widths: Array, depth_mm: float, alike: float
) -> Poses:
    """Find the best turn of stones of lengths and widths (n,) [mm], as `check` does.

    Stones whose ratios of length to width differ by less than the part `alike` share a figure.
    """
    turn, height = np.zeros(len(widths)), np.zeros(len(widths))
    ratios = lengths / widths
    for group in _alike(ratios, ratios * 0.0, alike, ROWS):
        figure = _figure(style, ratios[group])
        sizes = stone_sizes(
            style, lengths[group], widths[group], np.full(len(group), depth_mm), 0.0, 0
        )
        tried = turns_in(ready, figure)
        scores, heights = [], []
        for each in tried:
            bottom: Array | None = None
            for _ in range(2 if np.abs(ready.best.lean).max() > UPRIGHT else 1):
                _, needs = fitted(
                    figure, ready.best, sizes, ready.allowances, each, bottom,
                    nominal=len(group) // 2, strained=_parted(figure, ratios[group]),
                )  # fmt: skip
                bottom = needs.girdle_bottom
            scores.append(np.min(list(needs.margins.values()), axis=0))
            heights.append(needs.girdle_bottom)
        best = np.argmax(scores, axis=0)
        turn[group] = np.array(tried)[best]
        height[group] = np.array(heights)[best, np.arange(len(group))]
    return Poses(turn=turn, height=height)


def tile(
    ready: Bench,
    style: CutStyle,
    lengths: Array,
    widths: Array,
    depths: Array,
    stand: Poses,
    *,
    draws: int,
    alike: float,
    places: bool = True,
    kept: Kept | None = None,
) -> Tile:
    """Judge stones of lengths and widths (n,) [mm], each at the same depths (k,) [mm].

    In the first `draws` draws of the seat, each stone as it stands by `poses`. Without `places` the
    directions are not worked out. `kept` keeps placements for other styles of the same outline,
    asked about the same sizes: what leaning metal loses between their girdles' heights is counted.
    """
    draws = min(draws, ready.seats.count - 1)
    ratios = lengths / widths
    made: list[tuple[NDArray[np.int64], Array, Array, Array]] = []
    names: tuple[str, ...] = ()
    for group in _alike(ratios, stand.turn, alike, max(1, ROWS // (draws + 1))):
        figure = _figure(style, ratios[group])
        u = ready.allowances["stone_reading_u_mm"]
        every = np.repeat(depths[:, None], len(group), axis=1)
        sizes = stone_sizes(style, lengths[group], widths[group], every, u, draws)
        first = np.arange(len(group)) * (draws + 1)
        turn, nominal = float(stand.turn[group[0]]), int(first[len(first) // 2])
        height, strained = stand.height[group], _parted(figure, ratios[group])

        def made_new(
            figure: Form = figure, sizes: Sizes = sizes, turn: float = turn,
            height: Array = height, nominal: int = nominal, strained: bool = strained,
        ) -> Placement:  # fmt: skip
            spots = ready.seats.rows(np.tile(np.arange(draws + 1), len(height)))
            return place(
                figure, spots, sizes.length, sizes.width, _middle(sizes.girdle),
                bounds(spots, ready.allowances), turn_rad=turn,
                girdle_z=np.repeat(height, draws + 1), nominal=nominal,
                strained=strained,
            )  # fmt: skip

        asked = draws, turn, lengths[group].tobytes(), widths[group].tobytes()
        placed = kept_or_made(kept, asked, figure, nominal, made_new)
        needs = requirements(placed, sizes.crown, sizes.girdle, sizes.pavilion, ready.allowances)
        names = tuple(needs.margins)
        direction = np.full((len(group), len(names)), np.nan)
        for r, name in enumerate(names if places else ()):
            stations = needs.stations(name, first, len(depths) // 2)
            direction[:, r] = directions_deg(placed.seats, stations, first)
        margins, altered = (
            _by_stone(each.values(), draws) for each in (needs.margins, needs.altered)
        )
        made.append((group, margins, altered, direction))
    order = np.argsort(np.concatenate([item[0] for item in made]))
    return Tile(
        names=names,
        margins=np.concatenate([item[1] for item in made])[order],
        altered=np.concatenate([item[2] for item in made])[order],
        direction=np.concatenate([item[3] for item in made])[order],
    )


def resampled(values: Array, knots: Array, wanted: Array, axis: int) -> Array:
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


def _figure(style: CutStyle, ratios: Array) -> Form:
    """The figure that stones of like ratio share; of few ratios, so that it is made but once."""
    return form(style, float(np.round(ratios.mean() * RATIOS_TO_ONE) / RATIOS_TO_ONE))


def _alike(ratios: Array, turn: Array, alike: float, most: int) -> Iterator[NDArray[np.int64]]:
    """Group stones of one turn and like ratio, `most` at a time."""
    order = np.lexsort((ratios, turn))
    start = 0
    for k in range(1, len(order) + 1):
        if (
            k == len(order)
            or k - start >= most
            or turn[order[k]] != turn[order[start]]
            or ratios[order[k]] > ratios[order[start]] * (1 + alike)
        ):
            yield order[start:k]
            start = k


def _by_stone(values: Iterable[Array], draws: int) -> Array:
    """Turn r tables (k, n (s + 1)) into (n, k, r, s), without the best estimates."""
    table = np.array(list(values))
    apart: Array = table.reshape(*table.shape[:2], -1, draws + 1)[..., 1:]
    return apart.transpose(2, 1, 0, 3)
