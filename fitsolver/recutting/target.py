"""The cut wanted from a recut, as a body whose corners are linear in its sizes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fitsolver.recutting.inscribed import LinearBody
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import form, heights
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]


def cut_of(
    style: CutStyle,
    length_ratio: float | None = None,
    proportions: Mapping[str, float] | None = None,
) -> Stone:
    """Return a stone of given proportions, 1 mm wide, to say which cut is wanted.

    What is not named takes the style's usual value.

    >>> from fitsolver.stones.cut import cut
    >>> cut_of(cut("round-brilliant")).width_mm
    1.0
    """
    figure = form(style, length_ratio or style.length_ratio.typical, proportions)
    crown, girdle, pavilion = heights(style, figure.proportions)
    return Stone(
        form=figure,
        width_mm=1.0,
        crown_height_mm=float(crown),
        girdle_mm=float(girdle),
        pavilion_depth_mm=float(pavilion),
    )


def fixed_body(wanted: Stone) -> LinearBody:
    """Only the width is free; corners and volume per millimetre of it."""
    width = wanted.width_mm
    return LinearBody(
        corners=wanted.polyhedron.vertices[None] / width,
        fill=np.array([wanted.volume_mm3 / width**3]),
        rules=np.zeros((0, 1)),
        limits=np.zeros(0),
        usual=np.ones(1),
    )


def free_body(
    wanted: Stone,
    length_mm: tuple[float, float] | None = None,
    width_mm: tuple[float, float] | None = None,
    depth_mm: tuple[float, float] | None = None,
) -> LinearBody:
    """Width, crown, girdle and pavilion are free, within the style's limits and some ranges.

    Corners above the girdle move with the crown, those below with the pavilion. Where the dips
    that facets cut into the girdle meet, the body is a little larger than the stone, which is then
    found a little too small.
    """
    figure = wanted.form
    low, high = height_limits(wanted)
    # A girdle so thick that the dips from above and below stay apart, parts one width high.
    tall = Stone(
        form=figure,
        width_mm=1.0,
        crown_height_mm=float(high[0] > 0),
        girdle_mm=4.0,
        pavilion_depth_mm=float(high[2] > 0),
    )
    corners = tall.polyhedron.vertices
    above = corners[:, 2] > 0
    part = np.zeros((4, len(corners), 3))
    part[0, :, :2] = corners[:, :2]
    part[1, above, 2] = corners[above, 2] - 2
    part[2, :, 2] = np.where(above, 0.5, -0.5)
    part[3, ~above, 2] = corners[~above, 2] + 2
    depth = np.array([0.0, 1.0, 1.0, 1.0])
    width = np.array([1.0, 0.0, 0.0, 0.0])
    each = np.eye(4)[1:]
    rules = [*(each - high[:, None] * width), *(low[:, None] * width - each)]
    limits = [0.0] * len(rules)
    ranges = ((width * figure.length_ratio, length_mm), (width, width_mm), (depth, depth_mm))
    for size, allowed in ranges:
        if allowed is not None:
            rules += [-size, size]
            limits += [-allowed[0], allowed[1]]
    return LinearBody(
        corners=part,
        fill=np.array([0.0, figure.crown_volume, figure.area, figure.pavilion_volume]),
        rules=np.array(rules),
        limits=np.array(limits),
        usual=sizes_of(wanted) / wanted.width_mm,
    )


def height_limits(wanted: Stone) -> tuple[Array, Array]:
    """Lowest and highest crown, girdle and pavilion of a stone's style in widths, (3,) each."""
    style = wanted.form.style
    names = {"crown_height_pct", "crown_angle_deg", "girdle_pct", "pavilion_depth_pct"}
    names |= {"pavilion_angle_deg"}

    def at(which: str) -> Array:
        ends = {name: getattr(p, which) for name, p in style.proportions.items() if name in names}
        return np.array(heights(style, {**wanted.form.proportions, **ends}), dtype=np.float64)

    return at("low"), at("high")


def sizes_of(stone: Stone) -> Array:
    """Width, crown, girdle and pavilion of a stone [mm], shape (4,)."""
    found = stone.width_mm, stone.crown_height_mm, stone.girdle_mm, stone.pavilion_depth_mm
    return np.array(found)
