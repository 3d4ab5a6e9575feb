"""Recutting: the largest stone of another cut inside a stone, and what it costs in weight.

The given stone is taken as drawn, facet by facet; what is taken off a facet to polish it again is
`grind_mm`. The new stone lies inside the old one, so weight is never gained: that is checked when
a result is made. Not seen by any of this: inclusions, chips, colour zones and the best direction
of colour, which often decide how a stone should lie.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.errors import OutOfRange
from fitsolver.recutting.inscribed import (
    FACINGS,
    FINE,
    TURN_CLOSE,
    Facing,
    Laid,
    LinearBody,
    Programme,
    Room,
    climb,
    refine,
    scan,
    turned,
)
from fitsolver.recutting.target import cut_of, fixed_body, free_body, height_limits, sizes_of
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.stone import Stone
from fitsolver.units import carats_from

Array = NDArray[np.float64]

UP_OR_DOWN: tuple[Facing, ...] = ("up", "down")
ANY_WAY: tuple[Facing, ...] = tuple(FACINGS)

EIGHTH = math.pi / 8
"""Turns [rad] at which a stone that is too small is tried."""

NOTHING = -1e3
"""Less than any log volume."""

RATIO_CLOSE = 5e-4
"""Ratios of length to width are refined to this."""

RATIO_STEP = 0.2
"""Ratios of length to width are first tried this far apart."""

TOUCHES = 1e-6
"""A facet nearer than this to the new stone, in widths, holds it."""

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
        """Make sure that no balance can show a gain."""
        beyond = -float(_left(self.before, self.corners_mm()).min())
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


class NoRecut(Struct, frozen=True, kw_only=True):
    """No stone of the sizes asked for can be cut from this one.

    All its facets would have to lie further out by `short_by_mm`, at the best ratio of length to
    width tried, `length_ratio`.
    """

    before: Stone
    short_by_mm: float
    length_ratio: float


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
    For a given turn the largest stone is found exactly (`inscribed`). Turns are tried
    every 5 degrees and the three best refined to 0.001 degree.

    Examples
    --------
    >>> from fitsolver.stones.cut import cut
    >>> old = cut_of(cut("old-european"))
    >>> round(recut(old, old, 3.52).loss_pct, 6)
    0.0

    """
    _refuse(density_g_cm3, grind_mm, given)
    halves = given.form.mirrored and wanted.form.mirrored
    # In proportion even where heights are free: see `free_body` on thin girdles.
    bodies = (fixed_body(wanted), *([free_body(wanted)] if free_heights else []))
    results = []
    for body in bodies:
        programme = _programme(given, body, grind_mm, halves)
        found = refine(programme, _tops(programme, facings, halves))
        if found is not None:
            results.append(_recut(given, grind_mm, density_g_cm3, wanted, found))
    if not results:
        raise OutOfRange("grind_mm", grind_mm, 0.0, given.depth_mm / 4, remedy="nothing is left")
    return max(results, key=lambda result: result.after.volume_mm3)


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
    Ratios of length to width that ranges and style allow are tried in steps of at most 0.2 over
    all turns; the best is refined, first the ratio, then the turn. Where nothing fits the same is
    done for the distance by which the stone is too small.

    """
    _refuse(density_g_cm3, grind_mm, given)
    for name, size in (("length_mm", length_mm), ("width_mm", width_mm), ("depth_mm", depth_mm)):
        if not 0 < size[0] <= size[1]:
            raise OutOfRange(name, size[0], 0, size[1], remedy="give the lower limit first")
    low, high = _ratios(style, length_mm, width_mm)
    widths = max(width_mm[0], length_mm[0] / high), min(width_mm[1], length_mm[1] / low)
    wanted = cut_of(style, low, proportions)
    _refuse_depth(wanted, widths, depth_mm)
    halves = given.form.mirrored and wanted.form.mirrored

    @cache
    def programme(ratio: float) -> Programme:
        body = free_body(cut_of(style, ratio, proportions), length_mm, width_mm, depth_mm)
        return _programme(given, body, grind_mm, halves)

    def score(ratio: float, facing: Facing, turn: float) -> float:
        """Log volume; where nothing fits, less than any: the shorter the worse."""
        rotation = turned(facing, turn)
        found = programme(ratio).largest(rotation, close=FINE)
        short = programme(ratio).short_by(rotation) if found is None else 0.0
        return found.log_volume if found is not None else NOTHING - short

    steps = math.ceil((high - low) / RATIO_STEP)
    ratios = [low + (high - low) * k / max(steps, 1) for k in range(steps + 1)]
    starts: list[tuple[float, float, Facing, float, float]] = []
    for ratio in ratios:
        best = max(starts)[0] if starts else -math.inf
        starts += [
            (top.body.log_volume, ratio, top.facing, top.turn_rad, top.step_rad)
            for top in _tops(programme(ratio), facings, halves, best)[:1]
        ]
    turns, apart = ((0.0,), 0.0) if halves else (tuple(np.arange(16) * EIGHTH), EIGHTH)
    starts = starts or [
        (score(ratio, facing, turn), ratio, facing, turn, apart)
        for ratio in ratios
        for facing in facings
        for turn in turns
    ]
    _, ratio, facing, turn, apart = max(starts)
    if steps:
        step = (high - low) / steps
        ends = max(low, ratio - step), min(high, ratio + step)
        near = climb(lambda some: score(some, facing, turn), *ends, RATIO_CLOSE)
        ratio = max(ratio, near, key=lambda some: score(some, facing, turn))
    near = climb(lambda some: score(ratio, facing, some), turn - apart, turn + apart, TURN_CLOSE)
    turn = max(turn, near, key=lambda some: round(score(ratio, facing, some), 6))
    found = programme(ratio).largest(turned(facing, turn))
    if found is None:
        short = NOTHING - score(ratio, facing, turn)
        return NoRecut(before=given, short_by_mm=short, length_ratio=ratio)
    laid = Laid(body=found, facing=facing, turn_rad=turn, step_rad=0.0)
    return _recut(given, grind_mm, density_g_cm3, cut_of(style, ratio, proportions), laid)


def _ratios(
    style: CutStyle, length_mm: tuple[float, float], width_mm: tuple[float, float]
) -> tuple[float, float]:
    limits = style.length_ratio
    least, most = length_mm[0] / width_mm[1], length_mm[1] / width_mm[0]
    if least > limits.high or most < limits.low:
        raise OutOfRange(
            "length over width",
            least if least > limits.high else most,
            limits.low,
            limits.high,
            unit="",
            remedy=f"{style.name}, length: {style.measuring['length']}",
        )
    return max(limits.low, least), min(limits.high, most)


def _refuse_depth(
    wanted: Stone, width_mm: tuple[float, float], depth_mm: tuple[float, float]
) -> None:
    low, high = (float(limit.sum()) for limit in height_limits(wanted))
    least, most = depth_mm[0] / width_mm[1], depth_mm[1] / width_mm[0]
    if least > high or most < low:
        wrong = least if least > high else most
        remedy = f"crown, girdle and pavilion of {wanted.form.style.name} add up to that"
        raise OutOfRange("depth over width", wrong, low, high, unit="", remedy=remedy)


def _programme(given: Stone, body: LinearBody, grind_mm: float, halves: bool) -> Programme:
    """The room inside a stone and what is to go into it.

    No convex stone crosses the cleft of a heart: there it gets the room before the cleft. A facet
    of the half at y >= 0 that faces the cleft is turned about where it meets y = 0 until it stands
    square to that plane; stones that would lie beside the cleft are not looked for. A heart in a
    heart is half in half (`halves`), and the plane of symmetry stays where it is.
    """
    normals, offsets, names = given.half_spaces
    mirror = np.array([name == "mirror" for name in names])
    offsets = np.where(mirror, offsets, offsets - grind_mm)
    corners = given.polyhedron.vertices
    if halves:
        corners = corners * (1, 0, 1)  # a box without thickness: no shift out of the plane
        body = replace(body, corners=body.corners[:, body.corners[0, :, 1] >= 0])
    elif given.form.mirrored:
        faces_cleft = normals[:, 1:2] < 0
        across = np.where(faces_cleft, normals * (1, 0, 1), normals)[~mirror]
        size = np.linalg.norm(across, axis=1)
        normals = np.vstack([across, across * (1, -1, 1)]) / np.tile(size, 2)[:, None]
        offsets = np.tile(offsets[~mirror] / size, 2)
    room = Room(normals=normals, offsets=offsets, corners=corners, unit=given.width_mm)
    return Programme(room, body)


def _refuse(density_g_cm3: float, grind_mm: float, given: Stone) -> None:
    if not 1 <= density_g_cm3 <= 8:
        raise OutOfRange("density_g_cm3", density_g_cm3, 1, 8, unit="g/cm3")
    if not 0 <= grind_mm <= given.depth_mm / 4:
        raise OutOfRange("grind_mm", grind_mm, 0, given.depth_mm / 4)


def _left(given: Stone, points: Array) -> Array:
    """Room left from points (v, 3) to the facets (k,) of a stone, (v, k) [mm]; negative outside."""
    normals, offsets, _ = given.half_spaces
    plan = given.form.fold(points[:, :2])
    left: Array = offsets - np.column_stack([plan, points[:, 2]]) @ normals.T
    return left


def _tops(
    programme: Programme, facings: tuple[Facing, ...], halves: bool, at_least: float = -math.inf
) -> list[Laid]:
    """Scan the turns; a heart in a heart lies as the old one does, plane on plane."""
    if not halves:
        return scan(programme, facings, at_least)
    found = programme.largest(FACINGS["up"])
    return [] if found is None else [Laid(body=found, facing="up", turn_rad=0.0, step_rad=0.0)]


def _recut(given: Stone, grind_mm: float, density_g_cm3: float, wanted: Stone, laid: Laid) -> Recut:
    found = laid.body
    if len(found.sizes) == 1:
        sizes = found.sizes[0] * sizes_of(wanted) / wanted.width_mm
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
    left = _left(given, placed).min(axis=0) - grind_mm
    names = given.half_spaces[2]
    touched = np.flatnonzero(left < TOUCHES * given.width_mm)
    return Recut(
        before=given,
        after=after,
        density_g_cm3=density_g_cm3,
        scale=width / wanted.width_mm,
        table_faces=laid.facing,
        turn_deg=float(np.rad2deg(laid.turn_rad)),
        shift_mm=(float(found.shift[0]), float(found.shift[1]), float(found.shift[2])),
        rotation=found.rotation,
        touches=tuple(dict.fromkeys(names[k] for k in touched if names[k] != "mirror")),
    )
