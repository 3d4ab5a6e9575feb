"""The box of sizes that earn a verdict, grown about one of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.bench import Bench
from fitsolver.fitting.scan import Spot, chances, depth_limits

Array = NDArray[np.float64]

# How much more than the verdict's level the corners of a quoted box must reach.
GUARD = 0.015
# Draws that look for the ends of a box, and that judge its corners; the size to ask for gets them
# all.
END_SAMPLES, CORNER_SAMPLES = 40, 128
# How far its corners are drawn in, until they hold, as parts of the first guess.
PARTS = 1.0, 0.7, 0.4, 0.15


class Range(Struct, frozen=True, kw_only=True):
    """An interval of a length or weight, both ends included."""

    low: float
    high: float


Box = tuple[Range, Range, Range]
Size = tuple[float, float, float]


def shown(size: Sequence[float]) -> Size:
    """A size [mm] as a caliper shows it."""
    length, width, depth = (round(float(side), 2) for side in size)
    return length, width, depth


def point(size: Size) -> Box:
    """The box of one size."""
    length, width, depth = (Range(low=side, high=side) for side in size)
    return length, width, depth


def grown(
    ready: Bench, spot: Spot, size: Size, reach: tuple[float, float], *, altered: bool,
    middling: bool = False,
) -> Box:  # fmt: skip
    """Grow the box of sizes about one of them; its corners are judged like single stones.

    A larger outline holds a smaller one, so gap, closing, cover and notches are tightest at the
    smallest and the largest corner. How far these lie is found along the ratio; then all four
    corners in the plane are judged at several depths, and drawn in until they hold: to the size
    itself, or `middling` to the middle between those two, so that the box may leave it outside.

    `spot` says how the cut stands in the seat, `reach` between what widths some draws have it seat
    [mm]; with `altered` sizes need only seat after alteration.
    """
    level, ratio = level_of(ready), size[0] / size[1]
    _, centre, depth = size
    low, high = reach
    # The first look's widths stand apart: try some way beyond them. The farthest come first.
    parts = np.array([1.0, 0.67, 0.33, 0.1])
    below = centre - parts * (centre - min(low, centre) + 0.04)
    above = centre + parts * (max(high, centre) - centre + 0.04)
    widths = np.concatenate([below, above])
    sizes, depths = np.outer(widths, [ratio, 1.0]), np.full((len(widths), 1), depth)
    found = chances(ready, spot, sizes, depths, END_SAMPLES)
    # So few draws flatter a third of the ends: ask a little more of them.
    good = np.asarray(found[int(altered)][:, 0] >= level + GUARD)
    ends = [
        float(side[holds.argmax()]) if holds.any() else centre
        for side, holds in ((below, good[: len(parts)]), (above, good[len(parts) :]))
    ]
    if middling:
        centre = sum(ends) / 2
    for part in PARTS:
        (l0, w0), (l1, w1) = (
            (_inward(end * ratio, centre * ratio), _inward(end, centre))
            for end in (centre + part * (end - centre) for end in ends)
        )
        corners = np.array([(l0, w0), (l1, w1), (l0, w1), (l1, w0)])
        deep = _depths(ready, spot, size, corners, level, altered=altered)
        if deep is not None:
            return (
                Range(low=l0, high=l1),
                Range(low=w0, high=w1),
                Range(low=_inward(deep[0], depth), high=_inward(deep[1], depth)),
            )
    return point(shown((centre * ratio, centre, depth)))


def _inward(value: float, centre: float) -> float:
    """Round to 0.01 mm toward the centre."""
    steps = value * 100
    return float((np.ceil(steps - 1e-9) if value < centre else np.floor(steps + 1e-9)) / 100)


def level_of(ready: Bench) -> float:
    """The probability that a corner must reach."""
    return ready.allowances["seats_from_probability"] + GUARD


def _depths(
    ready: Bench,
    spot: Spot,
    size: Size,
    corners: Array,
    level: float,
    *,
    altered: bool,
) -> tuple[float, float] | None:
    """Depths [mm] at which every corner holds, about that of the size; None if none."""
    least, _, most = depth_limits(spot.figure.style)
    width, share = size[1], size[2] / size[1]
    below = share + np.array([0.3, 1.0]) * (min(least, share) - share)
    above = share + np.array([0.2, 0.5, 1.0]) * (max(most, share) - share)
    trials = np.concatenate([[share], below, above]) * width
    joint = np.ones(len(trials), dtype=bool)
    # The smallest and the largest, which fail more often, come first.
    for pair in (corners[:2], corners[2:]):
        found = chances(ready, spot, pair, np.tile(trials, (len(pair), 1)), CORNER_SAMPLES)
        joint &= np.asarray((found[int(altered)] >= level).all(axis=0))
        if not joint[0]:
            return None
    # As far down, and as far up, as every trial on the way holds.
    down = int(np.argmin([*joint[: len(below) + 1], False])) - 1
    up = int(np.argmin([joint[0], *joint[len(below) + 1 :], False])) - 1
    return float(trials[down]), float(trials[up + len(below)] if up else trials[0])
