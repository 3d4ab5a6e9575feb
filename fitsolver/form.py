"""The form of a stone: a cut style at given proportions, in widths, depths left free.

Heights enter a form only by stretching: crown facets live on 0 (girdle) to 1 (table), pavilion
facets on 0 (girdle) to 1 (culet). So one form serves every size and every depth, and its three
volumes combine linearly:

    V = W^3 (area x girdle + crown_volume x crown + pavilion_volume x pavilion)

with girdle, crown and pavilion heights in widths. Exact as long as the dips that the facets cut
into the girdle from above and below do not meet (a girdle of about 1.8 % for a brilliant); below
that the true volume is larger, by under 0.1 % for a knife edge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitsolver import outline
from fitsolver.cut import CutStyle, Part, Ring, Row

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facets:
    """The facets of one part: normal . x + slope u <= offset, x in widths, u from 0 to 1.

    `normals` (k, 2) unit vectors, `slopes` (k,) >= 0, `offsets` (k,), `names` (k,) row names.
    """

    normals: Array
    slopes: Array
    offsets: Array
    names: tuple[str, ...]

    def height(self, points: Array) -> Array:
        """How far up (or down) the facets are over plan points (..., 2), in [.., 1].

        u = min over facets of (offset - n . x) / slope, cut off at the table or culet; negative
        outside the outline.
        """
        if len(self.slopes) == 0:
            return np.ones(points.shape[:-1])
        rise: Array = (self.offsets - points @ self.normals.T) / self.slopes
        return np.minimum(rise.min(axis=-1), 1.0)


@dataclass(frozen=True, kw_only=True)
class Form:
    """A cut style at given proportions: outline and facets, in widths."""

    style: CutStyle
    length_ratio: float
    proportions: Mapping[str, float]
    outline: Array
    crown: Facets
    pavilion: Facets

    @cached_property
    def area(self) -> float:
        """Area of the girdle outline, in square widths."""
        return outline.area(self.outline)

    @cached_property
    def normals(self) -> Array:
        """Normals that describe the outline for distances, shape (k, 2)."""
        return outline.normals_of(self.outline)

    @cached_property
    def reach(self) -> Array:
        """Support of the outline along `normals`, shape (k,), in widths."""
        return outline.support(self.outline, self.normals)

    @cached_property
    def crown_volume(self) -> float:
        """Volume above the girdle's upper plane for a crown one width high, dips taken off."""
        return _part_volume(self.outline, self.crown)

    @cached_property
    def pavilion_volume(self) -> float:
        """Volume below the girdle's lower plane for a pavilion one width deep, dips taken off."""
        return _part_volume(self.outline, self.pavilion)


def heights(style: CutStyle, proportions: Mapping[str, Any]) -> tuple[Any, Any, Any]:
    """Return crown, girdle and pavilion heights in widths; broadcasts over arrays.

    A style states its crown and pavilion as heights or as angles across the width:
    crown = (1 - table) / 2 x tan(crown angle), pavilion = (1 - culet) / 2 x tan(pavilion angle).
    """
    table = proportions.get("table_pct", 0.0) / 100
    culet = proportions.get("culet_pct", 0.0) / 100
    if "crown_angle_deg" in proportions:
        crown = (1 - table) / 2 * np.tan(np.deg2rad(proportions["crown_angle_deg"]))
    else:
        crown = proportions["crown_height_pct"] / 100
    if "pavilion_angle_deg" in proportions:
        pavilion = (1 - culet) / 2 * np.tan(np.deg2rad(proportions["pavilion_angle_deg"]))
    else:
        pavilion = proportions["pavilion_depth_pct"] / 100
    return crown, proportions["girdle_pct"] / 100, pavilion


def form(
    style: CutStyle, length_ratio: float, proportions: Mapping[str, float] | None = None
) -> Form:
    """Return the form of `style` at a ratio of length to width and given proportions.

    Missing proportions take the style's usual value. Forms are cached: the same request gives the
    same object.
    """
    chosen = {**style.typical(), **(proportions or {})}
    key = tuple(sorted((name, float(value)) for name, value in chosen.items()))
    return _form(style.name, style.make, float(length_ratio), key)


@lru_cache(maxsize=4096)
def _form(name: str, make: str, length_ratio: float, items: tuple[tuple[str, float], ...]) -> Form:
    from fitsolver.cut import cut

    style = cut(name).in_make(make)
    proportions = dict(items)
    points = outline.draw(style.family, length_ratio, proportions)
    return Form(
        style=style,
        length_ratio=length_ratio,
        proportions=proportions,
        outline=points,
        crown=_facets(style, "crown", points, length_ratio, proportions),
        pavilion=_facets(style, "pavilion", points, length_ratio, proportions),
    )


def _facets(
    style: CutStyle, part: Part, points: Array, ratio: float, proportions: Mapping[str, float]
) -> Facets:
    normals: list[Array] = []
    slopes: list[Array] = []
    offsets: list[Array] = []
    names: list[str] = []
    inset = style.ring_kind[part] == "inset"

    def reach(direction: Array, scale: float) -> Array:
        full = outline.support(points, direction)
        return full - 0.5 * (1 - scale) if inset else full * scale

    def add(
        direction: Array, low: tuple[float, float], high: tuple[float, float], name: str
    ) -> None:
        (s0, u0), (s1, u1) = low, high
        near, far = reach(direction, s0), reach(direction, s1)
        slope = (near - far) / (u1 - u0)
        normals.append(direction)
        slopes.append(slope)
        offsets.append(near + slope * u0)
        names.extend([name] * len(direction))

    for row in style.rows:
        if row.part != part:
            continue
        direction = _directions(row.directions_deg, points, ratio)
        line = _row_line(row, style, proportions)
        for low, high in pairwise(line):
            add(direction, low, high, row.name)
    for dome in style.domes:
        if dome.part != part:
            continue
        # Rings evenly spaced in the angle of the dome's curve, planes through neighbouring rings.
        angle = np.linspace(0, np.pi / 2, dome.tiers + 1)
        scale = np.cos(angle) ** (2 / dome.exponent)
        height = np.sin(angle) ** (2 / dome.exponent)
        scale[-1], height[0] = 0.0, 0.0
        direction = _directions(tuple(np.arange(64) * 5.625), points, ratio)
        for k in range(dome.tiers):
            add(direction, (scale[k], height[k]), (scale[k + 1], height[k + 1]), "dome")
    if not normals:
        return Facets(normals=np.zeros((0, 2)), slopes=np.zeros(0), offsets=np.zeros(0), names=())
    slope = np.concatenate(slopes)
    # A facet that leans outward would undercut the part; a profile that asks for one is at fault.
    return Facets(
        normals=np.vstack(normals),
        slopes=np.maximum(slope, 1e-9),
        offsets=np.concatenate(offsets),
        names=tuple(names),
    )


def _directions(directions_deg: tuple[float, ...] | None, points: Array, ratio: float) -> Array:
    if directions_deg is None:
        edge = np.roll(points, -1, axis=0) - points
        edge = edge / np.linalg.norm(edge, axis=1)[:, None]
        return np.column_stack([edge[:, 1], -edge[:, 0]])
    angle = np.deg2rad(np.asarray(directions_deg))
    # Normals of a stretched figure shrink along the stretch.
    normal = np.column_stack([np.cos(angle) / ratio, np.sin(angle)])
    unit: Array = normal / np.linalg.norm(normal, axis=1)[:, None]
    return unit


def _row_line(
    row: Row, style: CutStyle, proportions: Mapping[str, float]
) -> list[tuple[float, float]]:
    """Return the (scale, height) stations between which a row's planes run.

    A row that crosses half height between two plain rings is broken there and pushed out by the
    part's bulge, as a cutter swells a pavilion; rings on the "curve" carry the bulge themselves.
    """
    factor = np.cos(np.deg2rad(row.outer_reach_deg)), np.cos(np.deg2rad(row.inner_reach_deg))
    rings = style.rings[row.outer], style.rings[row.inner]
    ends = [_ring(ring, row.part, style, proportions) for ring in rings]
    line = [(scale * f, height) for (scale, height), f in zip(ends, factor, strict=True)]
    bulge = 2 * proportions.get(f"{row.part}_bulge_pct", 0.0) / 100
    if bulge == 0 or "curve" in (rings[0].scale, rings[1].scale):
        return line
    if not line[0][1] < 0.5 < line[1][1]:
        return line
    flat = {**proportions, f"{row.part}_bulge_pct": 0.0}
    straight = [_ring(ring, row.part, style, flat) for ring in rings]
    (s0, u0), (s1, u1) = ((s * f, u) for (s, u), f in zip(straight, factor, strict=True))
    middle = s0 + (s1 - s0) * (0.5 - u0) / (u1 - u0) + bulge * factor[0]
    return [line[0], (middle, 0.5), line[1]]


def _curve(part: Part, style: CutStyle, proportions: Mapping[str, float], height: Any) -> Any:
    """Return the scale of the part's profile line at a height: straight, plus its bulge.

    The bulge is how far the line stands out from straight at half height, per cent of the width.
    """
    end = proportions.get("table_pct" if part == "crown" else "culet_pct", 0.0) / 100
    bulge = 2 * proportions.get(f"{part}_bulge_pct", 0.0) / 100
    return 1 - (1 - end) * height + 4 * bulge * height * (1 - height)


def _ring(
    ring: Ring, part: Part, style: CutStyle, proportions: Mapping[str, float]
) -> tuple[float, float]:
    """Return (scale, height) of a ring."""
    table = proportions.get("table_pct", 0.0) / 100
    half_step = np.cos(np.pi / max(_main_count(style, part), 3))
    if ring.scale == "girdle":
        return 1.0, 0.0
    if ring.scale == "table":
        return table, 1.0
    if ring.scale == "culet":
        return proportions.get("culet_pct", 0.0) / 100, 1.0
    if ring.scale == "star":
        edge = table * half_step
        scale = edge + proportions["star_pct"] / 100 * (1 - edge)
    elif ring.scale == "lower_half":
        scale = 1 - proportions["lower_half_pct"] / 100
    elif ring.scale == "curve":
        return float(_curve(part, style, proportions, float(ring.height))), float(ring.height)
    else:
        scale = float(ring.scale)
    if ring.height != "mains":
        return scale, float(ring.height)
    # The mains run straight between rings at the girdle, half height and the end.
    stations = np.array([0.0, 0.5, 1.0])
    line = _curve(part, style, proportions, stations)
    return scale, float(np.interp(-scale * half_step, -line, stations))


def _main_count(style: CutStyle, part: Part) -> int:
    for row in style.rows:
        if row.part == part and row.name == "mains" and row.directions_deg is not None:
            return len(row.directions_deg)
    return 8


def _part_volume(points: Array, facets: Facets) -> float:
    """Integrate the facets' height over the outline: exact, from the solid's own vertices."""
    from fitsolver.polyhedron import polyhedron_of

    if len(facets.slopes) == 0:
        return outline.area(points)
    edge = np.roll(points, -1, axis=0) - points
    edge = edge / np.linalg.norm(edge, axis=1)[:, None]
    sides = np.column_stack([edge[:, 1], -edge[:, 0]])
    count = len(sides)
    # From one unit below the girdle plane, deeper than any dip, to the table or culet.
    floor = 1.0
    normals = np.vstack(
        [
            np.column_stack([sides, np.zeros(count)]),
            np.column_stack([facets.normals, facets.slopes]),
            [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]],
        ]
    )
    offsets = np.concatenate([np.einsum("ij,ij->i", sides, points), facets.offsets, [1.0, floor]])
    solid = polyhedron_of(normals, offsets, np.array([*outline.centroid(points), -0.5]))
    return solid.volume - floor * outline.area(points)
