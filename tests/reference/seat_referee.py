"""A referee for seats: it shares no outline, no station, no metal and no pose with the project.

Its outlines are drawn from what the families mean, by shapely (discs met, eroded and regrown;
boxes clipped) or in closed form. Its metal is solid: voids are sets of half-spaces, their vertices
found by Qhull, taken out of a block by manifold3d; claws are prisms. Margins are measured on level
sections of these solids (manifold3d), with shapely's distances; the rest height is found by one
linear programme a triangle of the metal (HiGHS). Of the project it takes the stone as published:
half-spaces and heights.

What is measured, all in mm, the pose (turn, shift) being given:

- *entry*: least distance from the outline to metal in the sections from the girdle's lower edge up
  to the rim or the tips, negative where metal stands inside the outline;
- *girdle gap*: the same in the sections at the girdle's two edges;
- *closing gap*: the greatest distance from metal to the outline round a wall, in the section at
  the edge of the girdle that leaning metal comes nearest to (the lower one, where it is upright);
  of claws the farthest claw's nearest place;
- *ledge cover*: the least depth of the ledge's inner edge inside the outline;
- *bearing match*: along the line down the ledge, from its inner edge to the outline (or the
  wall, if that comes first), the greatest difference of clearance: the mean of that over the
  opening's length that has a ledge, every claw counting alike along its breadth;
- *metal above girdle*, *culet clearance*, *gallery clearance*, *notch mouth*: differences of
  height. The ledge's inner edge, from which the depth below is read, lies at one height here;
- *notch floor, ceiling* (uncut): mean reach of the outline past a claw's face over its breadth, the
  least and the greatest claw; of walls the least reach round, and the greatest;
- *height play* (uncut): highest girdle that leaves metal to close less the lowest that clears what
  is below. The setter cuts 0.15 mm below the highest, or half-way if there is less.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import manifold3d
import numpy as np
import shapely
from scipy.optimize import linprog
from scipy.spatial import HalfspaceIntersection
from shapely import affinity

Array = np.ndarray
FINE = 360
BELOW_HIGHEST_MM = 0.15
FAR = 30.0
ORIGIN = shapely.Point(0, 0)


# --- outlines ---------------------------------------------------------------------------------


def _disc(x: float, y: float, r: float) -> Any:
    # Chords as far outside the circle as inside.
    sides = 4 * max(90, int(np.ceil(np.pi * np.sqrt(r / 2e-5) / 4)))
    sides = min(sides, 20000)
    turn = 2 * np.pi * np.arange(sides) / sides
    r = r * (1 + (np.pi / sides) ** 2 / 4)
    return shapely.Polygon(np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn)]))


def _wing(span: float, fullness: float) -> Array:
    """From (0, 0.5) to (span, 0): between an arc level at its top and a quarter ellipse."""
    x = span * np.sin(np.linspace(0, np.pi / 2, FINE // 4))
    radius = span**2 + 0.25
    arc = 0.5 - radius + np.sqrt(np.maximum(radius**2 - x**2, 0))
    ellipse = 0.5 * np.sqrt(np.maximum(1 - (x / span) ** 2, 0))
    y = (1 - fullness) * arc + fullness * ellipse
    y[-1] = 0
    return np.column_stack([x, y])


def outline(family: str, length: float, width: float, shape: dict[str, float]) -> Any:
    """A convex polygon (shapely) [mm], its origin where the trade takes the middle."""
    return _outline(family, length, width, tuple(shape.items()))


@lru_cache(maxsize=64)
def _outline(family: str, length: float, width: float, named: tuple[Any, ...]) -> Any:
    r, shape = length / width, dict(named)
    at = {name.removesuffix("_pct"): value / 100 for name, value in shape.items()}
    if family in ("round", "oval"):
        turn = 2 * np.pi * np.arange(FINE) / FINE
        rim = 0.5 * (1 + (np.pi / FINE) ** 2 / 4)
        figure = shapely.Polygon(np.column_stack([r * rim * np.cos(turn), rim * np.sin(turn)]))
    elif family in ("rectangle", "square"):
        figure = shapely.box(-r / 2, -0.5, r / 2, 0.5)
    elif family == "octagon":
        c = at.get("corner", 0.15)
        box = shapely.box(-r / 2, -0.5, r / 2, 0.5)
        for sx in (-1, 1):
            for sy in (-1, 1):
                tip = np.array([sx * r / 2, sy / 2])
                box = box - shapely.Polygon([tip, tip - (sx * c, 0), tip - (0, sy * c)])
        figure = box
    elif family == "cushion":
        bulge, corner = at.get("side_bulge", 0.07), at.get("corner", 0.18)
        core = shapely.box(-9, -9, 9, 9)
        for half, across, along in ((r / 2, 0.5, True), (0.5, r / 2, False)):
            reach, chord = half - corner, across - corner
            radius = (chord**2 + bulge**2) / (2 * bulge)
            for sign in (-1, 1):
                middle = sign * (reach - radius)
                core = core & (_disc(middle, 0, radius) if along else _disc(0, middle, radius))
        figure = core.buffer(corner, quad_segs=90)
    elif family == "marquise":
        wing = _wing(r / 2, at.get("fullness", 0.12))
        upper = np.vstack([wing[::-1], wing[1:] * (-1, 1)])
        figure = shapely.Polygon(np.vstack([upper, -upper[1:-1]]))
    elif family == "pear":
        head = at.get("head", 0.5)
        wing = _wing(r - head, at.get("fullness", 0.15))
        turn = np.linspace(np.pi / 2, np.pi, FINE // 4)[1:]
        back = np.column_stack([head * np.cos(turn), 0.5 * np.sin(turn)])
        upper = np.vstack([wing[::-1], back])
        figure = shapely.Polygon(np.vstack([upper, upper[-2:0:-1] * (1, -1)]))
    elif family == "triangle":
        bulge, cut = max(at.get("side_bulge", 0.07), 2e-5), at.get("corner", 0.06)
        radius = (0.25 + bulge**2) / (2 * bulge)
        figure = shapely.box(-9, -9, 9, 9)
        for k in range(3):
            away = 1 / np.sqrt(12) + bulge - radius
            toward = np.pi / 3 + k * 2 * np.pi / 3
            figure = figure & _disc(away * np.cos(toward), away * np.sin(toward), radius)
        for k in range(3):
            # The leg of what is cut off lies along the straight side.
            toward = k * 120.0
            reach = 1 / np.sqrt(3) - cut * np.sqrt(3) / 2
            figure = figure & affinity.rotate(shapely.box(-9, -9, reach, 9), toward, origin=(0, 0))
        x0, y0, x1, y1 = figure.bounds
        figure = affinity.scale(figure, r / (x1 - x0), 1 / (y1 - y0), origin=(0, 0))
        figure = affinity.translate(figure, -figure.centroid.x, -figure.centroid.y)
    else:
        raise ValueError(family)
    return shapely.orient_polygons(affinity.scale(figure, width, width, origin=(0, 0)))


# --- metal ------------------------------------------------------------------------------------


def edges(figure: Any) -> tuple[Array, Array]:
    """Outward unit normals (k, 2) of a convex polygon's edges and how far they reach (k,)."""
    points = shapely.get_coordinates(shapely.orient_polygons(figure).exterior)[:-1]
    way = np.roll(points, -1, axis=0) - points
    size = np.hypot(*way.T)
    points, way, size = points[size > 1e-9], way[size > 1e-9], size[size > 1e-9]
    normal = np.column_stack([way[:, 1], -way[:, 0]]) / size[:, None]
    return normal, (normal * points).sum(axis=1)


def void(figure: Any, slope: float, low: float, high: float) -> manifold3d.Manifold:
    """What is open between two heights inside faces that close in by `slope` a millimetre up.

    At height 0 the faces stand on the figure.
    """
    normal, reach = edges(figure)
    sides = np.column_stack([normal, np.full(len(normal), slope), -reach])
    caps = np.array([[0.0, 0, 1, -high], [0, 0, -1, low]])
    inside = np.array([*figure.representative_point().coords[0], (low + high) / 2])
    inside[:2] = shapely.get_coordinates(figure.centroid)[0]
    cut = HalfspaceIntersection(np.vstack([sides, caps]), inside)
    return manifold3d.Manifold.hull_points(cut.intersections)


def block(low: float, high: float) -> manifold3d.Manifold:
    return manifold3d.Manifold.cube([FAR, FAR, high - low], True).translate(
        [0.0, 0.0, (low + high) / 2]
    )


def sector(start_deg: float, stop_deg: float) -> Any:
    """A wide wedge of the plane about the origin."""
    steps = np.deg2rad(
        np.linspace(start_deg, stop_deg, max(2, int((stop_deg - start_deg) / 5) + 2))
    )
    rim = FAR * np.column_stack([np.cos(steps), np.sin(steps)])
    return shapely.Polygon(np.vstack([[0.0, 0.0], rim]))


def prism(section: Array, breadth: float, at: Array, outward: Array) -> manifold3d.Manifold:
    """A claw: its section (k, 2) along `outward` and up, `breadth` wide about the place `at`."""
    solid = manifold3d.CrossSection([section], manifold3d.FillRule.NonZero).extrude(breadth)
    along = np.array([-outward[1], outward[0]])
    # Section x goes out, section y up; the extrusion goes clockwise seen from above.
    start = at + along * breadth / 2
    turn = np.array([
        [outward[0], 0.0, -along[0], start[0]],
        [outward[1], 0.0, -along[1], start[1]],
        [0.0, 1.0, 0.0, 0.0],
    ])  # fmt: skip
    return solid.transform(turn)


@dataclass(frozen=True, kw_only=True)
class Seat:
    """A seat as it truly is; angles in degrees, claws as (direction, corner)."""

    family: str
    length: float
    width: float
    shape: dict[str, float] = field(default_factory=dict)
    holds: str = "wall"
    state: str = "cut"
    back: str = "open"
    flush: bool = False
    lean: float = 0.0
    ledge: float = 0.4
    slope: float = 40.0
    height: float = 1.0
    thickness: float = 0.8
    depth: float = 5.0
    missing: tuple[tuple[float, float], ...] = ()
    claws: tuple[tuple[float, bool], ...] = ()
    pair: bool = False
    breadth: float = 0.8
    mouth: float = 0.6
    gallery: tuple[float, float, float] | None = None

    @property
    def figure(self) -> Any:
        return outline(self.family, self.length, self.width, self.shape)

    @property
    def inner_z(self) -> float:
        return -self.ledge * np.tan(np.deg2rad(self.slope))

    @property
    def floor_z(self) -> float:
        return (self.inner_z if self.state == "cut" else 0.0) - self.depth

    @property
    def top_z(self) -> float:
        return self.height if self.state == "cut" else 0.0

    def file(self) -> str:
        """The mounting file's text, every length read by an instrument that is never off."""
        exact = "{{ read = {:.6f}, with = 'exact' }}".format
        rows = {
            "holds": f'"{self.holds}"', "state": f'"{self.state}"', "back": f'"{self.back}"',
            "make": '"cast"', "irregularity_mm": 0, "opening_family": f'"{self.family}"',
            "opening_level": '"girdle"' if self.state == "cut" else '"rim"',
            "opening_length_mm": exact(self.length),
        }  # fmt: skip
        if self.family != "round":
            rows["opening_width_mm"] = exact(self.width)
        if self.flush:
            rows["flush"] = "true"
        if self.family == "octagon" and self.shape:
            rows["opening_diagonal_mm"] = exact(self.diagonal)
        if self.family == "cushion" and self.holds == "wall":
            figure = self.figure.exterior
            listed = []
            for at in range(0, 360, 15):
                ray = FAR * np.array([np.cos(np.deg2rad(at)), np.sin(np.deg2rad(at))])
                radius = shapely.LineString([(0, 0), ray]).intersection(figure).distance(ORIGIN)
                listed.append(f"{{ at_deg = {at}, read = {radius:.6f}, with = 'exact' }}")
            rows["opening_radii_mm"] = f"[{', '.join(listed)}]"
        if self.state == "cut":
            rows |= {"ledge_width_mm": exact(self.ledge), "ledge_angle_deg": self.slope,
                     "depth_below_ledge_mm": exact(self.depth)}  # fmt: skip
        else:
            rows["depth_below_rim_mm"] = exact(self.depth)
        if self.holds == "wall":
            rows |= {"wall_thickness_mm": exact(self.thickness), "wall_lean_deg": self.lean}
            if self.state == "cut":
                rows["wall_height_mm"] = exact(self.height)
            if self.missing:
                rows["ledge_missing_deg"] = [list(arc) for arc in self.missing]
        else:
            rows |= {"claw_thickness_mm": exact(self.thickness), "claw_lean_deg": self.lean,
                     "claw_width_mm": exact(self.breadth)}  # fmt: skip
            if self.state == "cut":
                rows |= {"claw_length_mm": exact(self.height), "notch_height_mm": exact(self.mouth)}
            words = [
                f"{{ at_deg = {at:.6f}" + ", corner = true" * corner + ", pair = true" * self.pair
                + " }" for at, corner in self.claws
            ]  # fmt: skip
            rows["claws"] = f"[{', '.join(words)}]"
        if self.gallery:
            for key, value in zip(("length", "width", "depth"), self.gallery, strict=True):
                rows[f"gallery_{key}_mm"] = exact(value)
        seat = "\n".join(f"{key} = {value}" for key, value in rows.items())
        return (
            'name = "Invented for the referee"\n\n[instruments.exact]\npermissible_error_mm = 0\n'
            f'repeatability_mm = 0\nsource = "for tests: never off"\n\n[seat]\n{seat}\n'
        )

    @property
    def diagonal(self) -> float:
        """Longest way across, through the middle; of claws, from face to face."""
        if self.holds == "claws":
            return 2 * float(np.mean([np.hypot(*arms[0][0]) for arms in self.faces()]))
        points = shapely.get_coordinates(self.figure.exterior)
        return 2 * float(np.hypot(*points.T).max())

    def faces(self) -> list[list[tuple[Array, Array, float]]]:
        """Of every claw its flat faces at height 0: (middle, outward normal, breadth)."""
        found = []
        figure = self.figure
        ring = shapely.get_coordinates(figure.exterior)[:-1]
        normal, _ = edges(figure)
        for at_deg, corner in self.claws:
            ray = np.array([np.cos(np.deg2rad(at_deg)), np.sin(np.deg2rad(at_deg))])
            if corner:
                k = int((ring @ ray / np.hypot(*ring.T)).argmax())
                tip, half = ring[k], self.breadth / 2
                arms = []
                # Arms are straight, to where the outline is half a claw's breadth from its tip.
                round_tip = (
                    figure.exterior & shapely.Point(tip).buffer(half, quad_segs=500).exterior
                )
                for end in shapely.get_coordinates(round_tip):
                    way = (end - tip) / np.hypot(*(end - tip))
                    out = np.array([way[1], -way[0]])
                    out = out if out @ tip > 0 else -out
                    arms.append((tip + way * half / 2, out, half))
                found.append(arms)
            else:
                reach = shapely.LineString([(0, 0), ray * FAR]).intersection(figure.exterior)
                place = np.array(reach.coords[0])
                sides = shapely.linestrings(np.stack([ring, np.roll(ring, -1, axis=0)], axis=1))
                away = shapely.distance(shapely.points(place), sides)
                if self.family in ("round", "oval"):
                    out = place / np.array([self.length, self.width]) ** 2
                    out = out / np.hypot(*out)
                else:
                    out = normal[int(np.argmin(away))]
                found.append([(place, out, self.breadth)])
        if self.pair:
            found = self._parted(found)
        return found

    def _parted(self, found: list[list[tuple[Array, Array, float]]]) -> Any:
        """Claws of a pair no wider than leaves a saw cut, a tenth of what lies between them."""
        middles = [each[0][0] for each in found]
        kept = []
        for i, claw in enumerate(found):
            apart = min(
                np.hypot(*(middles[i] - other)) for j, other in enumerate(middles) if j != i
            )
            kept.append([(at, out, min(breadth, 0.9 * apart)) for at, out, breadth in claw])
        return kept

    def beside(self) -> list[manifold3d.Manifold]:
        """Metal beside and above the girdle: the wall, or every claw."""
        lean = np.tan(np.deg2rad(self.lean))
        low, top = self.floor_z, self.top_z
        if self.holds == "wall":
            foot = 0.0 if self.state == "cut" else low
            return [block(foot, top) - void(self.figure, lean, foot - 1, top + 1)]
        claws = []
        for arms in self.faces():
            claw = manifold3d.Manifold()
            for place, out, breadth in arms:
                section = [(-low * lean, low), (-top * lean, top), (4.0, top), (4.0, low)]
                if self.state == "cut":
                    d, m = self.ledge, self.mouth
                    section = [
                        (-d, low), (-d, self.inner_z), (0, 0), (-m * lean, m),
                        (-d - m * lean, m), (-d - top * lean, top), (4.0, top), (4.0, low),
                    ]  # fmt: skip
                at, broad = place, breadth
                if len(arms) == 2:
                    # Past the corner, where the other arm's face bounds the opening.
                    along = np.array([-out[1], out[0]])
                    other = next(each for each in arms if each[1] is not out)
                    sign = 1.0 if along @ (other[0] - place) > 0 else -1.0
                    at, broad = place + sign * along, breadth + 2.0
                claw = claw + prism(np.array(section)[::-1], broad, at, out)
            claws.append(claw)
        return claws

    def under(self) -> manifold3d.Manifold:
        """Metal that carries a stone in a cut seat: the ledge, or what is below the notches."""
        if self.holds == "claws":
            whole = manifold3d.Manifold()
            for claw in self.beside():
                whole = whole + (claw ^ block(self.floor_z - 1, 0.0))
            return whole
        figure, low = self.figure, self.inner_z
        slope = -1 / np.tan(np.deg2rad(self.slope))
        inner = figure.buffer(-self.ledge, join_style="mitre")
        metal = block(low - 1, 0.0) - void(figure, slope, low, 1.0)
        metal = metal - void(inner, 0.0, low - 2, 1.0)
        for start, stop in self.missing:
            wedge = np.array(sector(start, stop).exterior.coords)[:-1]
            cut = manifold3d.CrossSection([wedge], manifold3d.FillRule.NonZero).extrude(9.0)
            metal = metal - cut.translate([0.0, 0.0, low - 3])
        return metal

    def inner_edges(self) -> list[Any]:
        """Inner edges of the ledge, or of every notch, as lines."""
        if self.holds == "wall":
            ring = self.figure.buffer(-self.ledge, join_style="mitre").exterior
            for start, stop in self.missing:
                ring = ring - sector(start, stop)
            return [ring]
        found = []
        for arms in self.faces():
            for place, out, breadth in arms:
                along = np.array([-out[1], out[0]]) * breadth / 2
                middle = place - self.ledge * out
                line = shapely.LineString([middle - along, middle + along])
                for other, toward, _ in arms:
                    # Where the two arms of a corner claw meet.
                    if toward is not out:
                        start = other - self.ledge * toward
                        aside = np.array([-toward[1], toward[0]]) * FAR
                        back = start - toward * FAR
                        line = line & shapely.Polygon(
                            [start - aside, start + aside, back + aside, back - aside]
                        )
                found.append(line)
        return found


def polygons(solid: manifold3d.Manifold, z: float) -> Any:
    """The level section of a solid."""
    rings = solid.slice(z).to_polygons()
    whole = shapely.Polygon()
    for ring in rings:
        whole = whole ^ shapely.Polygon(ring)
    return whole


# --- measuring --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Gem:
    """A stone as published: half-spaces n . x <= d about its girdle's middle, outline, heights."""

    normals: Array
    offsets: Array
    figure: Any
    crown: float
    girdle: float
    pavilion: float

    def placed(self, turn_rad: float, shift: tuple[float, float]) -> Gem:
        c, s = np.cos(turn_rad), np.sin(turn_rad)
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        normals = self.normals @ turn.T
        figure = affinity.translate(
            affinity.rotate(self.figure, turn_rad, origin=(0, 0), use_radians=True), *shift
        )
        return Gem(
            normals=normals, offsets=self.offsets + normals[:, :2] @ np.asarray(shift),
            figure=figure, crown=self.crown, girdle=self.girdle, pavilion=self.pavilion,
        )  # fmt: skip

    @property
    def lower(self) -> tuple[Array, Array, Array]:
        """The pavilion as planes z >= a + bx . p, from the girdle's lower plane: (bx, a)."""
        down = self.normals[:, 2] < -1e-9
        n, d = self.normals[down], self.offsets[down]
        slope = -n[:, :2] / n[:, 2:]
        return slope, d / n[:, 2] + self.girdle / 2

    def depth_under(self, points: Array) -> Array:
        """Height of the pavilion over points (n, 2), from the girdle's lower plane."""
        slope, level = self.lower
        return (points @ slope.T + level).max(axis=1)


def signed(figure: Any, line: Any, step: float = 0.02) -> Array:
    """Distances of places along a line off a polygon, negative inside it."""
    places = shapely.get_coordinates(shapely.segmentize(line, step))
    points, edge = shapely.points(places), figure.exterior
    shapely.prepare(figure)
    shapely.prepare(edge)
    away = shapely.distance(figure, points)
    inside = shapely.distance(edge, points)
    return np.where(away > 0, away, -inside)


def least_gap(figure: Any, metal: Any) -> float:
    """Least distance from outline to metal; minus the deepest metal, where it stands inside."""
    away = figure.distance(metal)
    if away > 0:
        return float(away)
    shared = figure & metal
    if shared.area < 1e-12:
        return 0.0
    return float(signed(figure, shared.boundary, 0.01).min())


def rest(gem: Gem, metal: manifold3d.Manifold) -> float:
    """Height of the girdle's lower plane when the stone first touches the metal from above."""
    mesh = metal.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][mesh.tri_verts]
    flat = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    up = flat[:, 2] > 1e-9 * np.linalg.norm(flat, axis=1)
    corners, flat = corners[up], flat[up]
    seen_by = shapely.STRtree(shapely.polygons(corners[..., :2])).query(gem.figure)
    corners, flat = corners[seen_by], flat[seen_by]
    share = np.array([(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]) / 4
    places = np.einsum("kc,tcx->tkx", share, corners)
    around = gem.figure.buffer(1e-9)
    shapely.prepare(around)
    inside = shapely.contains_xy(around, places[..., 0], places[..., 1])
    height = places[..., 2] - gem.depth_under(places[..., :2].reshape(-1, 2)).reshape(inside.shape)
    seen = np.where(inside, height, -np.inf).max(axis=1)
    # What lies between the places: half a triangle's longest step at the steepest slope.
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1) / 4
    best = float(seen.max())
    reached = np.where(np.isfinite(height), height, -np.inf).max(axis=1)
    tried = np.flatnonzero(reached + 1.5 * sides > best)
    tried = tried[np.argsort(-reached[tried])][:5]
    for k in tried:
        best = max(best, _highest(gem, corners[k], flat[k]))
    return best


def _highest(gem: Gem, corner: Array, flat: Array) -> float:
    """Greatest height of a triangle's places over the pavilion: unknowns x, y, t."""
    slope, level = gem.lower
    rise = -flat[:2] / flat[2]
    base = corner[0, 2] - rise @ corner[0, :2]
    # t <= base + rise.p - level - slope.p
    rows = [np.column_stack([slope - rise, np.ones(len(slope))])]
    limits = [base - level]
    for normal, reach in (edges(shapely.orient_polygons(shapely.Polygon(corner[:, :2]))),
                          edges(gem.figure)):  # fmt: skip
        rows.append(np.column_stack([normal, np.zeros(len(normal))]))
        limits.append(reach)
    found = linprog([0, 0, -1], A_ub=np.vstack(rows), b_ub=np.concatenate(limits),
                    bounds=[(None, None)] * 3, method="highs")  # fmt: skip
    return float(found.x[2]) if found.status == 0 else -np.inf


def match(seat: Seat, gem: Gem) -> float:
    """Mean over the ledge's length of how far ledge and pavilion part along the line down it."""
    starts: list[tuple[Array, Array]] = []
    if seat.holds == "wall":
        figure = seat.figure
        ring = figure.exterior
        way = np.linspace(0, ring.length, 241)[:-1] + 1e-4
        places = shapely.get_coordinates(shapely.line_interpolate_point(ring, way))
        inner = figure.buffer(-seat.ledge, join_style="mitre").exterior
        along = shapely.line_interpolate_point(
            inner, shapely.line_locate_point(inner, shapely.points(places))
        )
        feet = shapely.get_coordinates(along)
        turn = np.rad2deg(np.arctan2(places[:, 1], places[:, 0]))
        kept = np.ones(len(places), bool)
        for start, stop in seat.missing:
            kept &= np.mod(turn - start, 360) > stop - start
        starts.append((feet[kept], places[kept]))
    else:
        inner_lines = iter(seat.inner_edges())
        for arms in seat.faces():
            for place, out, breadth in arms:
                along = np.array([-out[1], out[0]])
                share = ((np.arange(41) + 0.5) / 41 - 0.5)[:, None] * breadth * along
                line, points = next(inner_lines), shapely.points(place + share)
                feet = shapely.line_interpolate_point(line, shapely.line_locate_point(line, points))
                starts.append((shapely.get_coordinates(feet), place + share))
    parted = []
    for feet, places in starts:
        part = np.linspace(0, 1, 33)
        line = feet[:, None] + part[:, None] * (places - feet)[:, None]
        z = seat.inner_z * (1 - part)
        over = z - gem.depth_under(line.reshape(-1, 2)).reshape(len(feet), -1)
        inside = shapely.contains_xy(gem.figure, line[..., 0], line[..., 1])
        high = np.where(inside, over, -np.inf).max(axis=1)
        low = np.where(inside, over, np.inf).min(axis=1)
        parted.append(np.where(np.isfinite(high), high - low, 0.0))
    return float(np.concatenate(parted).mean())


def measure(
    seat: Seat, stone: Gem, turn_rad: float, shift: tuple[float, float]
) -> dict[str, float]:
    """All raw lengths of a stone in a seat at a pose; "bottom" is the girdle's lower plane.

    "below" is what is left of the height of the girdle's lower plane over the floor, and so on:
    thresholds are not taken off.
    """
    gem = stone.placed(turn_rad, shift)
    metal = seat.beside()
    if seat.state == "uncut":
        raise ValueError("measured by `measure_uncut`, which knows the needs")
    bottom = rest(gem, seat.under())
    found = {"bottom": bottom}
    levels = [bottom + 1e-6, bottom + gem.girdle - 1e-6]
    if seat.holds == "claws":
        # A girdle thicker than the mouth meets the claw above: told by the notch's mouth.
        levels = [min(max(z, 1e-6), seat.mouth - 1e-6) for z in levels]
    every = [[polygons(each, _within(z, seat)) for each in metal] for z in levels]
    nearest = [[least_gap(gem.figure, each) for each in at] for at in every]
    found["girdle gap"] = float(np.min(nearest))
    ways = [*levels, seat.top_z - 1e-6]
    if seat.holds == "claws":
        ways = [seat.mouth + 1e-6, seat.top_z - 1e-6]
    else:
        ways = [z for z in ways if z < seat.top_z] or [seat.top_z - 1e-6]
    found["entry"] = min(
        least_gap(gem.figure, polygons(each, _within(z, seat))) for z in ways for each in metal
    )
    edge = 1 if seat.lean > 0 else 0
    if seat.holds == "wall":
        wall = every[edge][0]
        hole = max(wall.interiors, key=lambda ring: shapely.Polygon(ring).area)
        found["closing gap"] = float(signed(gem.figure, hole).max())
    else:
        found["closing gap"] = float(max(nearest[edge]))
    inner = seat.inner_edges()
    found["ledge cover"] = float(min(-signed(gem.figure, line).max() for line in inner))
    found["bearing match"] = match(seat, gem)
    found["metal above girdle"] = seat.top_z - bottom - gem.girdle
    found["culet clearance"] = bottom - gem.pavilion - seat.floor_z
    if seat.holds == "claws":
        found["notch mouth"] = seat.mouth - gem.girdle
    if seat.gallery:
        found["gallery clearance"] = bottom - _rail(seat, gem) + seat.gallery[2]
    return found


def _within(z: float, seat: Seat) -> float:
    """A height at which there is metal."""
    return min(max(z, 1e-6 if seat.state == "cut" else seat.floor_z), seat.top_z - 1e-6)


def _rail(seat: Seat, gem: Gem) -> float:
    """How deep the pavilion hangs below the girdle over the rail's inner edge, at the deepest."""
    assert seat.gallery
    length, width, _ = seat.gallery
    shape = seat.figure
    x0, y0, x1, y1 = shape.bounds
    rail = affinity.scale(shape, length / (x1 - x0), width / (y1 - y0), origin=(0, 0))
    places = shapely.get_coordinates(shapely.segmentize(rail.exterior, 0.01))
    return float(-gem.depth_under(places).min())


def measure_uncut(
    seat: Seat, stone: Gem, turn_rad: float, shift: tuple[float, float], needs: dict[str, float]
) -> dict[str, float]:
    """The same for uncut seats; `needs` names metal to close, culet and gallery clearance [mm]."""
    gem = stone.placed(turn_rad, shift)
    lowest = seat.floor_z + needs["culet"] + gem.pavilion
    if seat.gallery:
        lowest = max(lowest, -seat.gallery[2] + needs["gallery"] + _rail(seat, gem))
    highest = -needs["close"] - gem.girdle
    play = highest - lowest
    bottom = max((lowest + highest) / 2, highest - BELOW_HIGHEST_MM) if play >= 0 else lowest
    edge = bottom + gem.girdle if seat.lean > 0 else bottom
    found = {"height play": play, "bottom": bottom}
    lean = np.tan(np.deg2rad(seat.lean))
    if seat.holds == "wall":
        wall = polygons(seat.beside()[0], _within(edge, seat))
        hole = max(wall.interiors, key=lambda ring: shapely.Polygon(ring).area)
        reach = -signed(gem.figure, hole)
        found["notch floor"], found["notch ceiling"] = float(reach.min()), float(reach.max())
        return found
    reaches = []
    for arms in seat.faces():
        ways = []
        for place, out, breadth in arms:
            along = np.array([-out[1], out[0]])
            share = ((np.arange(201) + 0.5) / 201 - 0.5)[:, None] * breadth * along
            line = place + share - edge * lean * out
            ways.append(-signed(gem.figure, shapely.LineString(line), 1.0))
        reaches.append(float(np.concatenate(ways).mean()))
    found["notch floor"], found["notch ceiling"] = min(reaches), max(reaches)
    levels = (edge, 0.0)
    found["entry"] = min(
        least_gap(gem.figure, polygons(each, _within(z, seat)))
        for z in levels for each in seat.beside()
    )  # fmt: skip
    return found
