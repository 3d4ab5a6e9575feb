"""Recutting: the largest stone of another cut inside a stone, and what it costs in weight.

The given stone is taken as drawn, facet by facet; what is taken off a facet to polish it again is
`grind_mm`. The new stone lies inside the old one, so weight is never gained: that is checked when
a result is made. Not seen by any of this: inclusions, chips, colour zones and the best direction
of colour, which often decide how a stone should lie.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitsolver.cut import CutStyle
from fitsolver.errors import OutOfRange
from fitsolver.form import Form, form, heights
from fitsolver.inscribed import FACINGS, Body, Facing, Inscribed, Room, climb, search, turned
from fitsolver.stone import Stone
from fitsolver.units import carats_from

Array = NDArray[np.float64]

UP_OR_DOWN: tuple[Facing, ...] = ("up", "down")
ANY_WAY: tuple[Facing, ...] = tuple(FACINGS)

RATIOS = 3
"""Ratios of length to width first tried for a range of sizes."""

STICKS_OUT = 1e-8
"""A new stone may stick out of the old one by this much of its width: rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recut:
    """A stone cut from another one.

    `after` lies in `before` with its table facing as `table_faces` says ("down": where the culet
    was; "+length": to the end of the old stone's length), after a turn of `turn_deg` about its own
    axis; its origin is at `shift_mm` in the frame of `before`. `scale` is the new width over that
    of the cut asked for; `touches` names the old facets that hold the new stone's size.

    Raises `ValueError` if `after` does not lie inside `before`.
    """

    before: Stone
    after: Stone
    density_g_cm3: float
    scale: float
    table_faces: Facing
    turn_deg: float
    shift_mm: tuple[float, float, float]
    rotation: Array = field(repr=False, compare=False)
    touches: tuple[str, ...]

    def __post_init__(self) -> None:
        """Make sure that no metal of the balance can show a gain."""
        normals, offsets, _ = self.before.half_spaces
        beyond = float((self.corners_mm() @ normals.T - offsets).max())
        if beyond > STICKS_OUT * self.before.width_mm:
            raise ValueError(f"the new stone sticks out of the old one by {beyond:g} mm")

    def corners_mm(self) -> Array:
        """Corners of the new stone where it lies in the old one, shape (v, 3) [mm]."""
        placed: Array = self.after.polyhedron.vertices @ self.rotation.T + np.array(self.shift_mm)
        return placed

    @property
    def weight_before_ct(self) -> float:
        """Weight of the old stone [ct]."""
        return carats_from(self.before.volume_mm3, self.density_g_cm3)

    @property
    def weight_after_ct(self) -> float:
        """Weight of the new stone [ct]: never more than before."""
        after = carats_from(self.after.volume_mm3, self.density_g_cm3)
        return min(after, self.weight_before_ct)

    @property
    def loss_pct(self) -> float:
        """Part of the weight that is cut away, per cent, 0 or more."""
        return 100 * (1 - self.weight_after_ct / self.weight_before_ct)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoRecut:
    """No stone of the sizes asked for can be cut from this one.

    All its facets would have to lie further out by `short_by_mm`, at the best ratio of length to
    width tried, `length_ratio`.
    """

    before: Stone
    short_by_mm: float
    length_ratio: float


def cut_of(
    style: CutStyle,
    length_ratio: float | None = None,
    proportions: Mapping[str, float] | None = None,
) -> Stone:
    """Return a stone of given proportions, 1 mm wide, to say which cut is wanted.

    What is not named takes the style's usual value.

    >>> from fitsolver.cut import cut
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


def recut(
    given: Stone,
    wanted: Stone,
    density_g_cm3: float,
    *,
    free_heights: bool = False,
    grind_mm: float = 0.0,
    facings: tuple[Facing, ...] = UP_OR_DOWN,
) -> Recut:
    """Find the largest stone of a wanted cut inside a given stone.

    Parameters
    ----------
    given : Stone
        The stone to be recut.
    wanted : Stone
        A stone of the proportions wanted, of any size (`cut_of`).
    density_g_cm3 : float
        Density [g/cm3]; of a stone that was weighed, mass over volume.
    free_heights : bool
        Let crown, girdle and pavilion heights go anywhere within the limits of the style, for
        the heaviest stone; otherwise they stay in proportion.
    grind_mm : float
        What every old facet loses before a new surface is clean [mm].
    facings : tuple of str
        Ways in which the new table may face: `UP_OR_DOWN`, or `ANY_WAY`.

    Returns
    -------
    Recut

    Raises
    ------
    OutOfRange
        If the density is outside 1 to 8, or so much is ground off that nothing is left.

    Notes
    -----
    For a given turn the largest stone is found exactly (`fitsolver.inscribed`). Turns are tried
    every 5 degrees and the three best refined to 0.001 degree.

    Examples
    --------
    >>> from fitsolver.cut import cut
    >>> old = cut_of(cut("old-european"))
    >>> round(recut(old, old, 3.52).loss_pct, 6)
    0.0

    """
    room = _room(given, density_g_cm3, grind_mm)
    body = _free(wanted.form) if free_heights else _fixed(wanted)
    found = search(room, body, facings, _sizes(wanted) if free_heights else np.ones(1))
    if found is None:
        raise OutOfRange("grind_mm", grind_mm, 0.0, given.depth_mm / 4, remedy="nothing is left")
    return _recut(given, room, density_g_cm3, wanted, *found)


def smallest_loss_into(
    given: Stone,
    style: CutStyle,
    density_g_cm3: float,
    *,
    length_mm: tuple[float, float],
    width_mm: tuple[float, float],
    depth_mm: tuple[float, float],
    proportions: Mapping[str, float] | None = None,
    grind_mm: float = 0.0,
    facings: tuple[Facing, ...] = UP_OR_DOWN,
) -> Recut | NoRecut:
    """Find the heaviest stone of a style inside a given stone whose sizes lie in given ranges.

    Parameters
    ----------
    given, density_g_cm3, grind_mm, facings
        As for `recut`.
    style : CutStyle
        The cut wanted; its heights go anywhere within the style's limits.
    length_mm, width_mm, depth_mm : tuple of float
        Lowest and highest size [mm], such as the range that seats in a mounting.
    proportions : mapping of str to float, optional
        Proportions other than the style's usual ones (table, corner size, ...).

    Returns
    -------
    Recut or NoRecut
        `NoRecut` if the stone is too small in some direction.

    Raises
    ------
    OutOfRange
        If no length and width of the ranges have a ratio that the style allows.

    Notes
    -----
    The ratio of length to width is tried at both ends and the middle of what ranges and style
    allow, over all turns, then refined at the best turn, and the turn at the best ratio.

    """
    room = _room(given, density_g_cm3, grind_mm)
    limits = style.length_ratio
    low = max(limits.low, length_mm[0] / width_mm[1])
    high = min(limits.high, length_mm[1] / width_mm[0])
    if low > high:
        raise OutOfRange(
            "length over width",
            length_mm[0] / width_mm[1] if low > limits.high else length_mm[1] / width_mm[0],
            limits.low,
            limits.high,
            unit="",
            remedy=f"for {style.name} length is the {style.measuring['length']}",
        )

    def body(ratio: float) -> Body:
        return _free(form(style, ratio, proportions), length_mm, width_mm, depth_mm)

    ratios = np.linspace(low, high, RATIOS if high > low else 1)
    found = [(ratio, search(room, body(ratio), facings, _usual(style, ratio))) for ratio in ratios]
    fitting = [(ratio, item) for ratio, item in found if item is not None]
    if not fitting:
        short, ratio = _shortfall(room, body, ratios, facings)
        return NoRecut(before=given, short_by_mm=short, length_ratio=ratio)
    ratio, (best, facing, turn) = max(fitting, key=lambda item: item[1][0].log_volume)
    if high > low:
        step = (high - low) / (RATIOS - 1)

        def at(some: float) -> tuple[float, Inscribed | None]:
            return room.largest(body(some), turned(facing, turn))

        better, near = climb(at, max(low, ratio - step), min(high, ratio + step), 1e-3)
        if better is not None and better.log_volume > best.log_volume:
            best, ratio = better, near
    wanted = cut_of(style, float(ratio), proportions)
    return _recut(given, room, density_g_cm3, wanted, best, facing, turn)


def _shortfall(
    room: Room, body: Any, ratios: Array, facings: tuple[Facing, ...]
) -> tuple[float, float]:
    """Least distance by which facets are short, over quarters of a quarter turn: (mm, ratio)."""
    return min(
        (room.short_by(body(ratio), turned(facing, turn)), float(ratio))
        for ratio in ratios
        for facing in facings
        for turn in np.linspace(0, 2 * np.pi, 16, endpoint=False)
    )


def _room(given: Stone, density_g_cm3: float, grind_mm: float) -> Room:
    if not 1 <= density_g_cm3 <= 8:
        raise OutOfRange("density_g_cm3", density_g_cm3, 1, 8, unit="g/cm3")
    if not 0 <= grind_mm <= given.depth_mm / 4:
        raise OutOfRange("grind_mm", grind_mm, 0, given.depth_mm / 4)
    normals, offsets, _ = given.half_spaces
    return Room(
        normals=normals,
        offsets=offsets - grind_mm,
        corners=given.polyhedron.vertices,
        unit=given.width_mm,
    )


def _fixed(wanted: Stone) -> Body:
    """Only the width is free; corners and volume per millimetre of it."""
    width = wanted.width_mm
    return Body(
        corners=wanted.polyhedron.vertices[None] / width,
        fill=np.array([wanted.volume_mm3 / width**3]),
        rules=np.zeros((0, 1)),
        limits=np.zeros(0),
    )


def _free(
    figure: Form,
    length_mm: tuple[float, float] | None = None,
    width_mm: tuple[float, float] | None = None,
    depth_mm: tuple[float, float] | None = None,
) -> Body:
    """Width, crown, girdle and pavilion are free, within the style's limits and some ranges.

    Corners above the girdle move with the crown, those below with the pavilion. Where the dips
    that facets cut into the girdle meet, the body is a little larger than the stone, which is then
    found a little too small.
    """
    low, high = height_limits(figure)
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
    return Body(
        corners=part,
        fill=np.array([0.0, figure.crown_volume, figure.area, figure.pavilion_volume]),
        rules=np.array(rules),
        limits=np.array(limits),
    )


def height_limits(figure: Form) -> tuple[Array, Array]:
    """Lowest and highest crown, girdle and pavilion of a form's style in widths, (3,) each."""
    style = figure.style
    names = {"crown_height_pct", "crown_angle_deg", "girdle_pct", "pavilion_depth_pct"}
    names |= {"pavilion_angle_deg"}

    def at(which: str) -> Array:
        ends = {name: getattr(p, which) for name, p in style.proportions.items() if name in names}
        return np.array(heights(style, {**figure.proportions, **ends}), dtype=np.float64)

    return at("low"), at("high")


def _sizes(stone: Stone) -> Array:
    found = stone.width_mm, stone.crown_height_mm, stone.girdle_mm, stone.pavilion_depth_mm
    return np.array(found)


def _usual(style: CutStyle, ratio: float) -> Array:
    return _sizes(cut_of(style, ratio))


def _recut(
    given: Stone,
    room: Room,
    density_g_cm3: float,
    wanted: Stone,
    found: Inscribed,
    facing: Facing,
    turn_rad: float,
) -> Recut:
    if len(found.sizes) == 1:
        sizes = found.sizes[0] * _sizes(wanted) / wanted.width_mm
    else:
        sizes = np.maximum(found.sizes, 0.0)
    width, crown, girdle, pavilion = (float(size) for size in sizes)
    after = Stone(
        form=wanted.form,
        width_mm=width,
        crown_height_mm=crown,
        girdle_mm=girdle,
        pavilion_depth_mm=pavilion,
    )
    placed = after.polyhedron.vertices @ found.rotation.T + found.shift
    left = room.offsets - (placed @ room.normals.T).max(axis=0)
    names = given.half_spaces[2]
    close = 1e-6 * given.width_mm
    return Recut(
        before=given,
        after=after,
        density_g_cm3=density_g_cm3,
        scale=width / wanted.width_mm,
        table_faces=facing,
        turn_deg=float(np.rad2deg(turn_rad)),
        shift_mm=(float(found.shift[0]), float(found.shift[1]), float(found.shift[2])),
        rotation=found.rotation,
        touches=tuple(dict.fromkeys(names[k] for k in np.flatnonzero(left < close))),
    )
