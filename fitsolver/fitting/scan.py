"""The first look at a cut style: its best size in the best estimate of a seat."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.bench import Bench
from fitsolver.fitting.judge import Stand, fitted, judge
from fitsolver.fitting.placement import USUAL_GIRDLE, Kept
from fitsolver.fitting.requirement import Requirements
from fitsolver.fitting.sizes import usual_sizes
from fitsolver.fitting.turn import ALIKE_SIDES, about_as_wide, turns, turns_in
from fitsolver.stones import outline
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form, form
from fitsolver.stones.prior import height_prior

Array = NDArray[np.float64]

# A second ratio or turn is scanned only if it follows the metal almost as evenly [mm].
ALIKE_MM = 0.05
# Margins closer than this count as equal between two shapes [mm].
TRIFLE_MM = 0.03
# Ratios of length to width that are tried, as parts of the opening's own.
_RATIOS = np.array([0.9, 0.95, 1.0, 1.05, 1.1])
# Widths that are tried, from the largest outline that passes inside the metal [mm].
_CUT_WIDTHS = np.linspace(-0.7, 0.3, 15)
_UNCUT_WIDTHS = np.linspace(-0.4, 1.6, 21)


class Spot(Struct, frozen=True, kw_only=True, dict=True):
    """A style's best size in the best estimate.

    `score` is its least margin [mm] with ordinary setting, `score_altered` the least after
    alteration (of the size best for that), `binding` the requirement with the least margin,
    `depth_share` total depth over width, `girdle_z` the height of its girdle's lower plane [mm],
    `room_mm` how far alteration may go against what binds.
    """

    figure: Form
    turn: float
    width: float
    depth_share: float
    score: float
    score_altered: float
    binding: str
    girdle_z: float
    room_mm: float = 0.0


def scan(ready: Bench, style: CutStyle, kept: Kept | None = None) -> Spot:
    """Find a style's best size over ratio, turn, width and depth: the widest least margin.

    Of the ratios and turns, the two whose outline follows the metal most evenly are scanned.
    `kept` keeps placements for other styles of the outline.
    """
    opening = float(ready.belief.mean[0] / ready.belief.mean[1])
    # What one would ask for: within two spreads of the usual ratio.
    limits = style.length_ratio
    low = max(limits.low, limits.typical - 2 * limits.spread)
    high = min(limits.high, limits.typical + 2 * limits.spread)
    ratios = sorted(set(np.round(np.clip(opening * _RATIOS, low, high), 4).tolist()))
    odd: tuple[float, ...] = ()
    if about_as_wide(ready) and ratios[0] < ALIKE_SIDES:
        odd = turns_in(ready, form(style, ratios[0]))
    trials = [
        (_unevenness(ready, style, ratio, turn), ratio, turn)
        for ratio in ratios
        for turn in sorted({*turns(style, ratio), *odd})
    ]
    trials.sort()
    found = [
        _over_widths(ready, form(style, ratio), turn, kept)
        for uneven, ratio, turn in trials[:2]
        if uneven < trials[0][0] + ALIKE_MM
    ]
    # The more even one, unless the other is better by more than a trifle.
    best = found[0]
    for other in found[1:]:
        if other.score > best.score + TRIFLE_MM:
            best = other
    return best


def chances(
    ready: Bench, spot: Spot, sizes_mm: Array, depths_mm: Array, draws: int,
    kept: Kept | None = None,
) -> tuple[Array, Array]:  # fmt: skip
    """Probabilities of sizes (n, 2), lengths and widths, at depths (n, k), about a spot [mm].

    Over the first draws of the seat, with ordinary setting and after alteration, (n, k) each. All
    stand as the spot does; see `judge`.
    """
    stand = Stand.all(len(sizes_mm), spot.turn, spot.girdle_z)
    found = judge(
        ready, spot.figure.style, sizes_mm[:, 0], sizes_mm[:, 1], depths_mm, stand, draws=draws,
        figure=spot.figure, girdle_share=None if kept is None else USUAL_GIRDLE, kept=kept,
    )  # fmt: skip
    return found.probability, found.after


def _unevenness(ready: Bench, style: CutStyle, ratio: float, turn: float) -> float:
    """How unevenly an outline follows the metal: spread of the widths at which it touches [mm].

    The outline's middle is laid on the opening's. Of like ratios, as among claws, the one nearer
    to the style's usual ratio is preferred.
    """
    shape = outline.family(style.family).shape
    usual = style.typical()
    items = tuple((name, usual[name]) for name in shape if name in usual)
    normals, reach, own = _sides(style.family, ratio, items)
    c, s = np.cos(turn), np.sin(turn)
    points = ready.best.opening[0] @ np.array([[c, -s], [s, c]])
    middle = (points.max(axis=0) + points.min(axis=0)) / 2
    points = points - middle + own * float(np.ptp(points[:, 1]))
    touch = (points @ (normals / reach[:, None]).T).max(axis=1)
    strange = abs(ratio - style.length_ratio.typical) / max(style.length_ratio.spread, 1e-3)
    # Rounded, so that turns that are equal but for rounding keep their order on every machine.
    return round(float(np.ptp(touch)) + 0.01 * strange, 6)


@lru_cache(maxsize=512)
def _sides(
    family: str, ratio: float, shape: tuple[tuple[str, float], ...]
) -> tuple[Array, Array, Array]:
    """Normals (k, 2) and reach (k,) of an outline's sides, and its middle (2,), in widths."""
    points = outline.draw(family, ratio, dict(shape))
    normals = outline.normals_of(points, fan_deg=30.0)
    middle = (points.max(axis=0) + points.min(axis=0)) / 2
    return normals, outline.support(points, normals), middle


def depth_limits(style: CutStyle) -> tuple[float, float, float]:
    """Least, usual and greatest total depth of a style in widths: one and a half spreads apart."""
    mean, covariance = height_prior(style)
    usual, spread = float(mean.sum()), float(covariance.sum()) ** 0.5
    return usual - 1.5 * spread, usual, usual + 1.5 * spread


def _over_widths(ready: Bench, figure: Form, turn: float, kept: Kept | None) -> Spot:
    steps = _CUT_WIDTHS if ready.mounting.state == "cut" else _UNCUT_WIDTHS
    widths = np.maximum(_gauge(ready, figure, turn) + steps, 0.3)
    least, usual, _ = depth_limits(figure.style)
    shares = np.array([usual, (least + usual) / 2, least])
    sizes = usual_sizes(figure, widths, np.outer(shares, widths))
    _, needs = fitted(
        figure, ready.best, sizes, ready.allowances, turn, girdle_share=USUAL_GIRDLE, kept=kept
    )
    found = [_best_of(figure, turn, widths, shares, needs, k) for k in range(len(shares))]
    # Of equals the usual depth, which comes first.
    return max(found, key=lambda spot: round(spot.score, 6))


def _best_of(
    figure: Form, turn: float, widths: Array, shares: Array, needs: Requirements, depth: int
) -> Spot:
    names = list(needs.margins)
    margins = np.array([needs.margins[name][depth] for name in names])
    altered = np.array([needs.altered[name][depth] for name in names])
    least = margins.min(axis=0)
    # Of sizes equal but for rounding the smallest, on every machine.
    k = int(np.round(least, 6).argmax())
    binding = names[int(np.round(margins[:, k], 6).argmin())]
    room = needs.room.get(binding)
    return Spot(
        figure=figure,
        turn=turn,
        width=float(widths[k]),
        depth_share=float(shares[depth]),
        score=float(least[k]),
        score_altered=float(altered.min(axis=0).max()),
        binding=binding,
        girdle_z=float(needs.girdle_bottom[depth, k]),
        room_mm=0.0 if room is None else float(room[depth, k]),
    )


def _gauge(ready: Bench, figure: Form, turn: float) -> float:
    """Largest width of the centred outline that passes inside the metal [mm]."""
    c, s = np.cos(turn), np.sin(turn)
    points = figure.fold(ready.best.opening[0] @ np.array([[c, -s], [s, c]]))
    return float((points @ figure.normals.T / figure.reach).max(axis=1).min())
