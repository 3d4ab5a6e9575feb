"""The form of a stone: a cut style at given proportions, in widths, depths left free.

Heights enter a form only by stretching: crown facets live on 0 (girdle) to 1 (table), pavilion
facets on 0 (girdle) to 1 (culet). So one form serves every size and every depth, and its three
volumes combine linearly:

    V = W^3 (area x girdle + crown_volume x crown + pavilion_volume x pavilion)

with girdle, crown and pavilion heights in widths. Exact as long as the dips that the facets cut
into the girdle from above and below do not meet (a girdle of about 1.8 % for a brilliant); below
that the true volume is larger, by under 0.1 % for a brilliant's knife edge and 0.2 % for a pear
rose.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.stones import outline
from fitsolver.stones.cut import CutStyle, Part, Ring, Row

Array = NDArray[np.float64]
# From so many facets up a part is a dome: its ridges are too flat to matter.
MANY_FACETS = 400
Span = tuple[Array, Array]


class Facets(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """The facets of one part: normal . x + slope u <= offset, x in widths, u from 0 to 1.

    `normals` (k, 2) unit vectors, `slopes` (k,) >= 0, `offsets` (k,), `names` (k,) row names.
    """

    normals: Array
    slopes: Array
    offsets: Array
    names: tuple[str, ...]

    @cached_property
    def steep(self) -> Array:
        """How each facet's height falls along x and y, (k, 2)."""
        return self.normals / self.slopes[:, None]

    @cached_property
    def level(self) -> Array:
        """Each facet's height over the origin, (k,)."""
        return self.offsets / self.slopes

    def height(self, points: Array) -> Array:
        """How far up (or down) the facets are over plan points (..., 2), in [.., 1].

        u = min over facets of (offset - n . x) / slope, cut off at the table or culet; negative
        outside the outline.
        """
        if len(self.slopes) == 0:
            return np.ones(points.shape[:-1])
        rise: Array = (self.offsets - points @ self.normals.T) / self.slopes
        lowest: Array = np.minimum(rise.min(axis=-1), 1.0)
        return lowest


class Form(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """A cut style at given proportions: outline and facets, in widths.

    Facets, normals and reaches describe a convex `body`: the whole stone or, where the outline is
    a mirrored one (a heart), its half at y >= 0, cut straight along y = 0. Whatever is asked of
    them is asked about points brought to that half by `fold`.

    A form equals only itself; `form` gives the same one for the same request.
    """

    style: CutStyle
    length_ratio: float
    proportions: Mapping[str, float]
    outline: Array

    @cached_property
    def crown(self) -> Facets:
        """The crown's facets, up from the girdle."""
        return _facets(self.style, "crown", self.body, self.length_ratio, self.proportions)

    @cached_property
    def pavilion(self) -> Facets:
        """The pavilion's facets, down from the girdle."""
        return _facets(self.style, "pavilion", self.body, self.length_ratio, self.proportions)

    @cached_property
    def area(self) -> float:
        """Area of the girdle outline, in square widths."""
        return outline.area(self.outline)

    @property
    def mirrored(self) -> bool:
        """Whether the stone is the union of two convex halves, mirror images across y = 0."""
        return outline.family(self.style.family).mirrored

    @cached_property
    def body(self) -> Array:
        """The outline of the convex body, shape (m, 2): the whole one, or its half at y >= 0."""
        return outline.upper_half(self.outline) if self.mirrored else self.outline

    def fold(self, points: Array) -> Array:
        """Bring plan points (..., 2) to the side of the body: y -> |y| if mirrored."""
        return np.where((False, True), np.abs(points), points) if self.mirrored else points

    def unfold(self, vectors: Array, points: Array) -> Array:
        """Turn vectors (..., 2) found for folded points back to where the points (..., 2) are."""
        if not self.mirrored:
            return vectors
        back = np.stack([np.ones_like(points[..., 1]), np.where(points[..., 1] < 0, -1.0, 1.0)], -1)
        turned: Array = vectors * back
        return turned

    @cached_property
    def normals(self) -> Array:
        """Normals that describe the outline for distances of folded points, shape (k, 2)."""
        return (outline.half_normals_of if self.mirrored else outline.normals_of)(self.body)

    @cached_property
    def reach(self) -> Array:
        """Support of the body along `normals`, shape (k,), in widths."""
        return outline.support(self.body, self.normals)

    @cached_property
    def rim(self) -> tuple[Array, Array]:
        """Corners of the girdle's lower edge (r, 2), and the pavilion's share of depth there (r,).

        They are the outline's vertices and the places between them where a ridge of the pavilion
        meets the girdle. The share is 0 where facets meet the girdle's lower plane, below 0 where
        they cut into the girdle.
        """
        start = self.outline
        way = np.roll(start, -1, axis=0) - start
        share = self.pavilion.height(self.fold(start))
        if not 0 < len(self.pavilion.slopes) <= MANY_FACETS:
            return start, share
        step = 1e-6
        ahead = self.pavilion.height(self.fold(start + step * way))
        behind = self.pavilion.height(self.fold(start + (1 - step) * way))
        after = np.roll(share, -1)
        gain, loss = (ahead - share) / step, (after - behind) / step
        crosses = (gain > 1e-6) & (loss < -1e-6)
        part = (after - loss - share)[crosses] / (gain - loss)[crosses]
        between = start[crosses] + part[:, None] * way[crosses]
        return (
            np.vstack([start, between]),
            np.append(share, self.pavilion.height(self.fold(between))),
        )

    @cached_property
    def crown_volume(self) -> float:
        """Volume above the girdle's upper plane for a crown one width high, dips taken off."""
        return self._bodies * _part_volume(self.body, self.crown)

    @cached_property
    def pavilion_volume(self) -> float:
        """Volume below the girdle's lower plane for a pavilion one width deep, dips taken off."""
        return self._bodies * _part_volume(self.body, self.pavilion)

    @property
    def _bodies(self) -> int:
        return 2 if self.mirrored else 1


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
    return _form(style, float(length_ratio), key)


def longer_form(shorter: Form) -> Form:
    """A form's style and proportions at a length a fiftieth or so longer, which tells what a ratio
    changes; at one of few ratios, so that forms share it.
    """
    ratio = round(shorter.length_ratio * 1.02 * 50 + 0.5) / 50
    return form(shorter.style, ratio, shorter.proportions)


@lru_cache(maxsize=1024)
def _form(style: CutStyle, length_ratio: float, items: tuple[tuple[str, float], ...]) -> Form:
    proportions = dict(items)
    return Form(
        style=style,
        length_ratio=length_ratio,
        proportions=proportions,
        outline=outline.draw(style.family, length_ratio, proportions),
    )


def _facets(
    style: CutStyle, part: Part, points: Array, ratio: float, proportions: Mapping[str, float]
) -> Facets:
    if part == "pavilion" and proportions.get("pavilion_depth_pct") == 0:  # a flat back
        return Facets(normals=np.zeros((0, 2)), slopes=np.zeros(0), offsets=np.zeros(0), names=())
    normals: list[Array] = []
    slopes: list[Array] = []
    offsets: list[Array] = []
    names: list[str] = []
    core = _core(style.ring_kind[part], points)

    def add(
        direction: Array, near: tuple[Array, float], far: tuple[Array, float], name: str
    ) -> None:
        (h0, u0), (h1, u1) = near, far
        if u1 - u0 < 1e-9:  # short stars under a wide table lie in it and cut nothing
            return
        slope = (h0 - h1) / (u1 - u0)
        normals.append(direction)
        slopes.append(slope)
        offsets.append(h0 + slope * u0)
        names.extend([name] * len(direction))

    for row in style.rows:
        if row.part != part:
            continue
        direction, spans = _row_spans(row, points, core, ratio)
        for near, far in pairwise(_row_line(row, style, proportions, spans)):
            add(direction, near, far, row.name)
    for dome in style.domes:
        if dome.part != part:
            continue
        # Rings evenly spaced in the angle of the dome's curve, planes through neighbouring rings.
        angle = np.linspace(0, np.pi / 2, dome.tiers + 1)
        scale = np.cos(angle) ** (2 / dome.exponent)
        height = np.sin(angle) ** (2 / dome.exponent)
        scale[-1], height[0] = 0.0, 0.0
        # 72 directions, all of them vertices of a round or oval outline.
        direction = _directions(tuple(np.arange(72) * 5.0), points, ratio)
        full = outline.support(points, direction)
        if outline.family(style.family).mirrored:
            # Planes that would only touch the straight cut between the halves.
            cut = (direction[:, 1] < 0) & (outline.contact(points, direction)[:, 1] < 1e-9)
            direction, full = direction[~cut], full[~cut]
        for k in range(dome.tiers):
            near, far = (full * scale[k], height[k]), (full * scale[k + 1], height[k + 1])
            add(direction, near, far, "dome")
    if not normals:
        return Facets(normals=np.zeros((0, 2)), slopes=np.zeros(0), offsets=np.zeros(0), names=())
    slope = np.concatenate(slopes)
    if part == "pavilion":
        # A culet off the centre shears the pavilion along the length; its volume stays, but for
        # some 1e-5 where facets dip into the girdle.
        slope = slope - np.vstack(normals)[:, 0] * proportions.get("culet_offset_pct", 0.0) / 100
    # A facet that leans outward would undercut the part; a profile that asks for one is at fault.
    return Facets(
        normals=np.vstack(normals),
        slopes=np.maximum(slope, 1e-9),
        offsets=np.concatenate(offsets),
        names=tuple(names),
    )


def _core(kind: str, points: Array) -> Callable[[Array], Array]:
    """Return the reach along normals (k, 2) of what rings shrink to.

    Scaled rings shrink to the origin; inset ones to a line that ends half a width from each end;
    even ones move every side in by the same distance, to the middle of the largest circle inside.
    """
    if kind == "even":
        radius = outline.inscribed(points)[1]
        return lambda normal: outline.support(points, normal) - radius
    left, right = 0.0, 0.0
    if kind == "inset":
        left, right = float(points[:, 0].min()) + 0.5, float(points[:, 0].max()) - 0.5
        if left > right:
            left = right = (left + right) / 2
    return lambda normal: np.maximum(normal[:, 0] * left, normal[:, 0] * right)


def _row_spans(
    row: Row, points: Array, core: Callable[[Array], Array], ratio: float
) -> tuple[Array, tuple[Span, Span]]:
    """Return a row's normals and how far its outer and inner ring reach along them.

    A span is a pair of reaches: a ring of scale s reaches s x first + (1 - s) x second, the
    outline's own and that of what the rings shrink to. Facets that meet a ring at two points take
    their direction from the chord between them; on an ellipse that is the direction asked for.
    """
    reaches = row.outer_reach_deg, row.inner_reach_deg
    normal = _directions(row.directions_deg, points, ratio)
    if row.directions_deg is None or max(reaches) == 0:
        span = outline.support(points, normal), core(normal)
        return normal, (span, span)
    steps = tuple(sorted({sense * reach for reach in reaches for sense in (1.0, -1.0)}))
    met = outline.contact(points, _stretched(_circle(row.directions_deg, steps), ratio))
    touched = dict(zip(steps, np.split(met, len(steps)), strict=True))
    chord = touched[max(reaches)] - touched[-max(reaches)]
    size = np.hypot(*chord.T)[:, None]
    # At a sharp point both ends fall together: there the direction asked for is kept.
    square = chord[:, ::-1] * (1.0, -1.0) / np.maximum(size, 1e-6)
    normal = np.where(size > 1e-6, square, normal)
    nothing = core(normal)
    outer, inner = (
        np.einsum("ij,ij->i", normal, touched[step] + touched[-step]) / 2 for step in reaches
    )
    return normal, ((outer, nothing), (inner, nothing))


def _directions(directions_deg: tuple[float, ...] | None, points: Array, ratio: float) -> Array:
    if directions_deg is not None:
        return _stretched(_circle(directions_deg), ratio)
    edge = np.roll(points, -1, axis=0) - points
    across: Array = edge[:, ::-1] * (1.0, -1.0) / np.hypot(*edge.T)[:, None]
    return across


@lru_cache(maxsize=512)
def _circle(directions_deg: tuple[float, ...], steps_deg: tuple[float, ...] = (0.0,)) -> Array:
    """Unit vectors at directions, with every step to them, (steps x directions, 2)."""
    angle = np.deg2rad(np.add.outer(steps_deg, directions_deg).ravel())
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    circle.setflags(write=False)
    return circle


def _stretched(circle: Array, ratio: float) -> Array:
    """Unit normals of a figure stretched along its length: normals shrink along the stretch."""
    normal = circle / (ratio, 1.0)
    unit: Array = normal / np.hypot(*normal.T)[:, None]
    return unit


def _row_line(
    row: Row,
    style: CutStyle,
    proportions: Mapping[str, float],
    spans: tuple[Span, Span],
) -> list[tuple[Array, float]]:
    """Return the stations (reach of each facet, height) between which a row's planes run.

    A row that crosses half height between two plain rings is broken there and pushed out by the
    part's bulge, as a cutter swells a pavilion; rings on the "curve" carry the bulge themselves.
    """
    rings = style.rings[row.outer], style.rings[row.inner]

    def ends(chosen: Mapping[str, float]) -> list[tuple[Array, float]]:
        line = []
        for ring, (full, nothing) in zip(rings, spans, strict=True):
            scale, height = _ring(ring, row.part, style, chosen)
            line.append((scale * full + (1 - scale) * nothing, height))
        return line

    line = ends(proportions)
    bulge = 2 * proportions.get(f"{row.part}_bulge_pct", 0.0) / 100
    if bulge == 0 or "curve" in (rings[0].scale, rings[1].scale):
        return line
    if not line[0][1] < 0.5 < line[1][1]:
        return line
    (h0, u0), (h1, u1) = ends({**proportions, f"{row.part}_bulge_pct": 0.0})
    full, nothing = spans[0]
    middle = h0 + (h1 - h0) * (0.5 - u0) / (u1 - u0) + bulge * (full - nothing)
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


def _main_count(style: CutStyle, part: Part) -> float:
    """Main facets to a full turn; a heart's rows only go round its half at y >= 0."""
    for row in style.rows:
        if row.part == part and row.name == "mains" and row.directions_deg is not None:
            first, last = row.directions_deg[0], row.directions_deg[-1]
            return 360 * (len(row.directions_deg) - 1) / (last - first)
    return 8


def _part_volume(points: Array, facets: Facets) -> float:
    """Integrate the facets' height over the outline: exact, from the solid's own vertices."""
    from fitsolver.stones.polyhedron import cut_prism

    if len(facets.slopes) == 0:
        return outline.area(points)
    # From one unit below the girdle plane, deeper than any dip, to the table or culet.
    floor = 1.0
    normals = np.column_stack([facets.normals, facets.slopes])
    solid = cut_prism(points, -floor, 1.0, normals, facets.offsets)
    return solid.volume - floor * outline.area(points)
