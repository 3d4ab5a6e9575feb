"""What a cut style says about a stone before anything is measured.

Every proportion of a style is taken as normal about its usual value with its stated spread, cut
off at its limits: no girdle is thinner than nothing, no pavilion is hollow. The cut-off normal is
replaced by the normal with the same mean and standard deviation, so that everything afterwards is
linear algebra; what is neglected is its lopsidedness. Proportions are taken as independent of each
other, for lack of sources that say how they hang together.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import heights

Array = NDArray[np.float64]


class Prior(Struct, frozen=True, kw_only=True):
    """The proportions of one make of a style, the ratio of length to width first.

    `names` (p,), `means` (p,) and `spreads` (p,) in the proportion's own unit (per cent of the
    width, degrees, or a plain ratio), `lows` and `highs` the style's limits.
    """

    names: tuple[str, ...]
    means: Array
    spreads: Array
    lows: Array
    highs: Array
    sources: tuple[str, ...]


@lru_cache(maxsize=512)
def prior_of(style: CutStyle) -> Prior:
    """Return the proportions of a style as independent normals; kept for the next call."""
    items = (style.length_ratio, *style.proportions.values())
    moments = [truncated_normal(p.typical, p.spread, p.low, p.high) for p in items]
    return Prior(
        names=("length_ratio", *style.proportions),
        means=np.array([mean for mean, _ in moments]),
        spreads=np.array([spread for _, spread in moments]),
        lows=np.array([p.low for p in items]),
        highs=np.array([p.high for p in items]),
        sources=tuple(p.source for p in items),
    )


def truncated_normal(typical: float, spread: float, low: float, high: float) -> tuple[float, float]:
    """Return mean and standard deviation of a normal cut off at `low` and `high`.

    Formula: with a = (low - typical) / spread, b likewise, Z = Phi(b) - Phi(a) and phi the normal
    density: mean = typical + spread (phi(a) - phi(b)) / Z and
    variance = spread^2 (1 + (a phi(a) - b phi(b)) / Z - ((phi(a) - phi(b)) / Z)^2).
    Source: Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 1994, 10.1.

    >>> mean, spread = truncated_normal(0.0, 1.0, 0.0, 100.0)
    >>> round(mean**2 * math.pi / 2, 9), round(spread**2 + 2 / math.pi, 9)
    (1.0, 1.0)
    """
    if spread == 0:
        return typical, 0.0
    a, b = (low - typical) / spread, (high - typical) / spread
    at_a, at_b = (math.exp(-0.5 * x * x) / math.sqrt(2 * math.pi) for x in (a, b))
    inside = 0.5 * (math.erf(b / math.sqrt(2)) - math.erf(a / math.sqrt(2)))
    shift = (at_a - at_b) / inside
    variance = 1 + (a * at_a - b * at_b) / inside - shift**2
    return typical + spread * shift, spread * math.sqrt(max(variance, 0.0))


@lru_cache(maxsize=256)
def height_prior(style: CutStyle) -> tuple[Array, Array]:
    """Return crown, girdle and pavilion height of a style in widths: mean (3,), covariance (3, 3).

    Linear in the proportions (slopes by central steps of a tenth of a spread). What curvature
    would add to the mean, under 0.5 % of a crown whose angle spreads by 3 degrees, is neglected.
    """
    prior = prior_of(style)
    names, centre = prior.names[1:], prior.means[1:]
    step = np.diag(0.1 * prior.spreads[1:])
    points = np.vstack([centre, centre + step, centre - step])
    found = heights(style, dict(zip(names, points.T, strict=True)))
    stacked = np.stack(np.broadcast_arrays(*found), axis=-1)
    # Rise over a fifth of a spread, times five: the change by one spread.
    change = 5 * (stacked[1 : len(names) + 1] - stacked[len(names) + 1 :])
    mean, covariance = stacked[0].copy(), change.T @ change
    for kept in (mean, covariance):  # both are shared
        kept.setflags(write=False)
    return mean, covariance


def heights_given_depth(style: CutStyle, depth_over_width: ArrayLike) -> tuple[Array, Array]:
    """Share a known depth out among crown, girdle and pavilion as the style's spreads suggest.

    Parameters
    ----------
    style : CutStyle
        The style, in one of its makes.
    depth_over_width : array, shape (...)
        Total depth of the stone in widths.

    Returns
    -------
    mean : array, shape (..., 3)
        Crown, girdle and pavilion height in widths; they add up to the depth and none is negative.
    covariance : array, shape (3, 3)
        What the depth leaves open; its rows add up to 0. The same for every depth.

    Notes
    -----
    A stone deeper than usual is deeper where the style varies most: the normal conditioned on its
    sum, mean + C 1 (depth - 1 . mean) / (1 . C 1). Where that would ask for a negative height, that
    height is 0 and the others shrink in proportion to themselves; so they do from the start where
    a style states no spread.

    """
    mean, covariance = height_prior(style)
    depth = np.asarray(depth_over_width, dtype=np.float64)[..., None]
    total = covariance.sum()
    if total == 0:
        return mean * (depth / mean.sum()), np.zeros((3, 3))
    gain = covariance.sum(axis=1) / total
    shared: Array = np.maximum(mean + gain * (depth - mean.sum()), 0.0)
    shared = shared * (depth / shared.sum(axis=-1, keepdims=True))
    return shared, covariance - np.outer(gain, gain) * total
