"""A stone's sizes: as read, and as they may be, drawn within the doubts of its readings."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from fitsolver.readings.uncertainty import spread_factor, standard_normal_points
from fitsolver.seats.seat import SEED
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form, form
from fitsolver.stones.prior import height_prior, heights_given_depth
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]

# Least crown, girdle and pavilion that are drawn, in widths.
_LEAST = 0.02, 0.005, 0.02
# What of a stone's heights may be measured besides its depth.
HEIGHTS = ("crown_height_mm", "girdle_mm", "pavilion_depth_mm")


class Sizes(Struct, frozen=True, kw_only=True):
    """Stones' lengths, s samples, the first as read [mm]: length, width and three heights.

    Heights may lead with an axis of depths, (k, s).
    """

    length: Array
    width: Array
    crown: Array
    girdle: Array
    pavilion: Array

    def rows(self, chosen: NDArray[np.int64]) -> Sizes:
        """Return the samples of the given numbers."""
        return Sizes(**{name: getattr(self, name)[..., chosen] for name in self.__struct_fields__})


def stone_sizes(
    style: CutStyle,
    length_mm: ArrayLike,
    width_mm: ArrayLike,
    depth_mm: ArrayLike,
    u_mm: float,
    samples: int,
    heights_mm: Mapping[str, ArrayLike] | None = None,
) -> Sizes:
    """Sample stones known by length, width and depth, each with standard uncertainty `u_mm`.

    For one stone or several of a style, (n,) [mm]; their samples stand one stone after the other,
    (n (samples + 1),). With several depths of each, (k, n), heights are (k, n (samples + 1)).

    A known depth may be shared among crown, girdle and pavilion in many ways:
    by the style's spreads, narrowed by what was measured (`heights_mm`, keys of `HEIGHTS`,
    one value or one a stone, same u).
    """
    length, width, depth = (
        np.atleast_1d(np.asarray(size, dtype=np.float64))
        for size in (length_mm, width_mm, depth_mm)
    )
    points = _stone_points(samples)
    mean, covariance = heights_given_depth(style, depth / width)
    if heights_mm:
        read = [HEIGHTS.index(name) for name in heights_mm]
        variance = (max(u_mm, 1e-3) / width.mean()) ** 2
        gain = np.linalg.solve(
            covariance[np.ix_(read, read)] + variance * np.eye(len(read)), covariance[read]
        ).T
        values = np.stack(
            [np.broadcast_to(value / width, mean.shape[:-1]) for value in
             map(np.asarray, heights_mm.values())], axis=-1,
        )  # fmt: skip
        mean = mean + (values - mean[..., read]) @ gain.T
        # Joseph's form, of factors: with all heights read little is left, and that stays positive.
        rest = (np.eye(len(HEIGHTS)) - gain @ np.eye(len(HEIGHTS))[read]) @ _height_factor(style)
        covariance = rest @ rest.T + variance * gain @ gain.T
    factor = spread_factor(covariance) if heights_mm else _height_factor(style)
    scatter = points[:, :3] @ factor.T
    drawn = [
        np.where(one[..., None] <= 0, 0.0, np.maximum(one[..., None] + scatter[:, k], least))
        for k, (one, least) in enumerate(zip(np.moveaxis(mean, -1, 0), _LEAST, strict=True))
    ]
    share = (depth[..., None] + u_mm * points[:, 5]) / sum(drawn)
    crown, girdle, pavilion = ((height * share).reshape(*depth.shape[:-1], -1) for height in drawn)
    return Sizes(
        length=(length[:, None] + u_mm * points[:, 4]).ravel(),
        width=(width[:, None] + u_mm * points[:, 3]).ravel(),
        crown=crown,
        girdle=girdle,
        pavilion=pavilion,
    )


def usual_sizes(figure: Form, width_mm: Array, depth_mm: Array) -> Sizes:
    """Stones of a figure, widths (n,) and depths (k, n), whose heights are as usual for the style.

    A shallower one has a lower crown and pavilion alike, and as thick a girdle.
    """
    crown, girdle, pavilion = height_prior(figure.style)[0]
    squeeze = np.maximum(depth_mm / width_mm - girdle, _LEAST[2]) / max(crown + pavilion, 1e-9)
    return Sizes(
        length=width_mm * figure.length_ratio,
        width=width_mm,
        crown=crown * squeeze * width_mm,
        girdle=np.broadcast_to(girdle * width_mm, depth_mm.shape),
        pavilion=pavilion * squeeze * width_mm,
    )


@lru_cache(maxsize=256)
def _height_factor(style: CutStyle) -> Array:
    """How a style's heights scatter about a known depth: factor of their covariance, (3, 3)."""
    return spread_factor(heights_given_depth(style, 1.0)[1])


@lru_cache(maxsize=8)
def _stone_points(samples: int) -> Array:
    points = np.zeros((samples + 1, 6))
    if samples:
        points[1:] = standard_normal_points(6, samples, SEED + 1)
    return points


def nominal_stone(
    style: CutStyle,
    length_mm: float,
    width_mm: float,
    depth_mm: float,
    proportions: Mapping[str, float] | None = None,
) -> Stone:
    """Return a stone of given sizes [mm] as the style's usual proportions would have it."""
    figure = form(style, length_mm / width_mm, proportions)
    return as_read(figure, stone_sizes(style, length_mm, width_mm, depth_mm, 0.0, 0))


def as_read(figure: Form, sizes: Sizes) -> Stone:
    """The stone of the first of its sizes: as read."""
    return Stone(
        form=figure,
        width_mm=float(sizes.width[0]),
        crown_height_mm=float(sizes.crown[0]),
        girdle_mm=float(sizes.girdle[0]),
        pavilion_depth_mm=float(sizes.pavilion[0]),
    )
