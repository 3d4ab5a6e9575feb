"""A stone in its seat as a setter would sketch it: the plan at the girdle, and upright sections.

Both show the best estimate of the seat. Everything is where the calculation has it, in the seat's
own frame; what nobody measured is drawn in long dashes, and the drawing stops at a break line
where nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitsolver import outline
from fitsolver.figure import SHEET_PENS, Board, spread, zigzag
from fitsolver.projection import contours, edges, upright_section
from fitsolver.seat import FACE_POINTS, Seats
from fitsolver.solver import Bench, Check
from fitsolver.stone import Stone

Array = NDArray[np.float64]

# Room left and right of the metal for dimensions, in pens.
LANE = 70.0
_SMALL = 10.5


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """One lettered dimension: what it is and its value as written."""

    letter: str
    name: str
    value: str


class Key:
    """Gives every dimension its letter, and keeps what the letters mean."""

    def __init__(self, assumed: frozenset[str]) -> None:
        self.assumed = assumed
        self.rows: list[KeyRow] = []

    def add(
        self, name: str, value: float, *readings: str, unit: str = "", u: float = 0.0
    ) -> str:
        """Enter a dimension and return what to write beside it.

        It is marked with ~ if one of the readings that it hangs on is assumed.
        """
        letter = "abcdefghijklmnopqrstuvwxyz"[len(self.rows)]
        mark = "~" if any(reading in self.assumed for reading in readings) else ""
        text = f"{mark}{value:.0f}{unit}" if unit else f"{mark}{value:.2f}"
        shown = f"{text} ±{u:.2f}" if u else text
        self.rows.append(KeyRow(letter=letter, name=name, value=shown))
        return f"{letter} {text}"


@dataclass(frozen=True, kw_only=True)
class SetStone:
    """A stone as it sits in the best estimate of a seat; `girdle_z` is its girdle's middle."""

    seats: Seats
    stone: Stone
    turn_rad: float
    shift: Array
    girdle_z: float
    bottom_z: float
    assumed: frozenset[str]
    finger_radius_mm: float | None
    finger_across: Array

    @property
    def claws(self) -> bool:
        """Whether claws hold the stone."""
        return self.seats.holds == "claws"

    @property
    def cut(self) -> bool:
        """Whether the seat has a ledge or notches already."""
        return self.seats.state == "cut"

    def to_seat(self, points: Array) -> Array:
        """Turn and shift plan points (..., 2) of the stone into the seat's frame."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        placed: Array = points @ np.array([[c, s], [-s, c]]) + self.shift
        return placed

    def to_stone(self, points: Array) -> Array:
        """Bring plan points (..., 2) of the seat into the stone's frame."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        brought: Array = (points - self.shift) @ np.array([[c, -s], [s, c]])
        return brought

    @cached_property
    def level(self) -> float:
        """Height at which the plan is cut: the edge of the girdle that leaning metal is nearest."""
        leaning = float(self.seats.lean[0]) > 0
        return self.bottom_z + (self.stone.girdle_mm if leaning else 0.0)

    @cached_property
    def face(self) -> Array:
        """The metal's inner face at that height, (n, 2)."""
        return self.seats.opening_at(np.full(self.seats.count, self.level))[0]

    @cached_property
    def outline(self) -> Array:
        """The girdle outline in the seat's frame, (n, 2)."""
        return self.to_seat(self.stone.outline_mm)

    @cached_property
    def gaps(self) -> tuple[Array, Array]:
        """Distance from outline to metal at every station (n,), and its direction (n, 2)."""
        form, width = self.stone.form, self.stone.width_mm
        away = self.to_stone(self.face) @ form.normals.T - form.reach * width
        best = away.argmax(axis=1)
        along = self.to_seat(form.normals[best]) - self.shift
        return away[np.arange(len(away)), best], along

    @property
    def depth(self) -> float:
        """Thickness of the metal behind the inner face [mm]."""
        return float(self.seats.thickness[0]) - (self.notch if self.claws and self.cut else 0.0)

    @property
    def notch(self) -> float:
        """Depth of the notches of cut claws, or width of the ledge, at the first station [mm]."""
        if self.seats.ledge_inner is None:
            return 0.0
        return float(np.linalg.norm((self.seats.opening - self.seats.ledge_inner)[0, 2]))

    @cached_property
    def bodies(self) -> list[Array]:
        """Outlines of the metal at the girdle: each claw; or a wall's outer and inner line."""
        return _bodies(self, self.face)

    @cached_property
    def reach(self) -> float:
        """How far the metal goes from the centre, sideways in any of the views [mm]."""
        bodies = np.concatenate(self.bodies)
        sideways = float(np.abs(bodies[:, 0]).max())
        along, _ = section_directions(self)
        axis = np.array([np.cos(along), np.sin(along)])
        return max(sideways, float(np.abs(bodies @ axis).max()))

    def profile(self, direction_rad: float) -> Array:
        """Section of the stone along a direction through the seat's centre: (n, 2) of t and z."""
        centre = self.to_stone(np.zeros(2))
        points = upright_section(
            self.stone, direction_rad - self.turn_rad, (float(centre[0]), float(centre[1]))
        )
        return points + (0.0, self.girdle_z)

    def floor(self, t: Array, direction_rad: float) -> Array:
        """Height of the finger or the back at distances t along a direction."""
        level = float(self.seats.floor_z[0])
        if self.finger_radius_mm is None:
            return np.full_like(t, level)
        across = t * float(
            self.finger_across @ np.array([np.cos(direction_rad), np.sin(direction_rad)])
        )
        radius = self.finger_radius_mm
        return level - radius + np.sqrt(np.maximum(radius**2 - across**2, 0.0))


def set_stone(bench: Bench, check: Check) -> SetStone:
    """Put the checked stone where the check found it."""
    mounting = bench.mounting
    finger = mounting.finger_diameter_mm if mounting.back == "open" else None
    # A finger along the width curves away along the length.
    across = (1.0, 0.0) if mounting.finger_along == "width" else (0.0, 1.0)
    middle = check.girdle_bottom_mm + check.stone.girdle_mm / 2
    return SetStone(
        seats=bench.best,
        stone=check.stone,
        turn_rad=float(np.deg2rad(check.turn_deg)),
        shift=np.array(check.shift_mm),
        girdle_z=check.rest_height_mm if np.isfinite(check.rest_height_mm) else middle,
        bottom_z=check.girdle_bottom_mm,
        assumed=frozenset(item.name for item in check.assumed),
        finger_radius_mm=finger.value_mm / 2 if finger is not None else None,
        finger_across=np.array(across),
    )


def section_directions(scene: SetStone) -> tuple[float, float]:
    """Directions [rad] of the sections A-A and B-B.

    Across the width and along the length; where claws hold, through the two claws that face each
    other best, and across the width.
    """
    if not scene.claws:
        return np.pi / 2, 0.0
    middle = scene.seats.opening[0, FACE_POINTS // 2 :: FACE_POINTS]
    unit = middle / np.linalg.norm(middle, axis=1)[:, None]
    facing = unit @ unit.T
    first, second = np.unravel_index(int(facing.argmin()), facing.shape)
    axis = unit[first] - unit[second]
    # Right stays right: the section is seen from below the plan, or from its right.
    if axis[0] < -1e-9 or (abs(axis[0]) < 1e-9 and axis[1] < 0):
        axis = -axis
    return float(np.arctan2(axis[1], axis[0])), np.pi / 2


def claw_directions(scene: SetStone, direction_rad: float) -> list[float]:
    """Directions [deg] of the claws that the section along a direction cuts."""
    seats = scene.seats
    middle = seats.opening[0, FACE_POINTS // 2 :: FACE_POINTS]
    cut = []
    for k, point in enumerate(middle):
        line = np.array([np.cos(direction_rad), np.sin(direction_rad)])
        body = scene.bodies[k]
        side = body[:, 1] * line[0] - body[:, 0] * line[1]
        if side.min() < 0 < side.max():
            cut.append(float(np.rad2deg(np.arctan2(point[1], point[0])) % 360))
    return cut


def _bodies(scene: SetStone, face: Array) -> list[Array]:
    if not scene.claws:
        return [_offset(face, scene.depth), face]
    behind = face + scene.depth * scene.seats.outward
    return [
        np.vstack([face[k : k + FACE_POINTS], behind[k : k + FACE_POINTS][::-1]])
        for k in range(0, len(face), FACE_POINTS)
    ]


def _offset(points: Array, distance: float) -> Array:
    """Move a closed polygon outwards, its corners mitred."""
    edge = np.roll(points, -1, axis=0) - points
    edge = edge / np.linalg.norm(edge, axis=1)[:, None]
    after = np.column_stack([edge[:, 1], -edge[:, 0]])
    before = np.roll(after, 1, axis=0)
    bend = 1 + np.einsum("ij,ij->i", before, after)
    moved: Array = points + distance * (before + after) / np.maximum(bend, 0.3)[:, None]
    return moved


def _crossing(ring: Array, direction_rad: float) -> tuple[float, int, float]:
    """Where a ray from the centre leaves a ring: distance, station before it, part of the way on."""
    u = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    follow = np.roll(ring, -1, axis=0)
    a, b = u[0] * ring[:, 1] - u[1] * ring[:, 0], u[0] * follow[:, 1] - u[1] * follow[:, 0]
    part = np.where((a <= 0) & (b > 0), -a / np.where(b - a == 0, 1.0, b - a), np.nan)
    distance = (ring + np.nan_to_num(part)[:, None] * (follow - ring)) @ u
    i = int(np.where(np.isnan(part), -np.inf, distance).argmax())
    return float(distance[i]), i, float(part[i])


def plan(scene: SetStone, letters: tuple[str, str], pen: float) -> Board:
    """Draw the seat and the stone from above, the metal cut at the girdle."""
    board = Board(pen)
    seats = scene.seats
    rings = scene.bodies
    groups = [[body] for body in rings] if scene.claws else [rings]
    thick = "claw_thickness_mm" if scene.claws else "wall_thickness_mm"
    for group in groups:
        board.area(group, "metal")
        board.hatch(group)
    board.area([scene.outline], "stone")
    board.lines(scene.to_seat(edges(scene.stone, "above")), "facet")
    for line in contours(scene.stone):
        board.stroke(scene.to_seat(line), "facet", closed=True)
    for group in groups:
        board.hatch(group, within=scene.outline)
        if scene.claws:
            front, back = np.split(group[0], 2)
            board.stroke(front, "metal")
            board.stroke(np.vstack([front[-1:], back, front[:1]]), "metal",
                         assumed=thick in scene.assumed)  # fmt: skip
        else:
            board.stroke(group[1], "metal", closed=True)
            board.stroke(group[0], "metal", closed=True, assumed=thick in scene.assumed)
    board.stroke(scene.outline, "stone", closed=True)
    if scene.claws:
        board.stroke(_opening_figure(scene), "opening", closed=True)
    if seats.ledge_inner is not None:
        inner = seats.ledge_inner[0]
        if scene.claws:
            for k in range(0, len(inner), FACE_POINTS):
                part = slice(k, k + FACE_POINTS)
                line = np.vstack([seats.opening[0, k], inner[part],
                                  seats.opening[0, k + FACE_POINTS - 1]])  # fmt: skip
                board.stroke(line, "hidden")
        else:
            board.stroke(inner, "hidden", closed=True)
    if seats.gallery is not None:
        board.stroke(seats.gallery[0], "hidden", closed=True)
    _axes(board, scene, letters)
    _gap_callouts(board, scene)
    return board


def _opening_figure(scene: SetStone) -> Array:
    """The outline through the notch roots or the claws' inner faces, (n, 2)."""
    known = scene.seats.belief
    at = dict(zip(known.names, known.mean.tolist(), strict=True))
    family = outline.family(known.mounting.opening_family)
    shape = {name: at[f"opening_{name}"] for name in family.shape}
    length, width = at["opening_length_mm"], at["opening_width_mm"]
    return outline.draw(family.name, length / width, shape) * width


def _axes(board: Board, scene: SetStone, letters: tuple[str, str]) -> None:
    """Draw axes, section marks, the zero direction and the way of the finger."""
    pen = board.pen
    every = np.concatenate([*scene.bodies, scene.outline])
    for letter, direction in zip(letters, section_directions(scene), strict=True):
        along = np.array([np.cos(direction), np.sin(direction)])
        towards = np.array([-along[1], along[0]])
        for sense in (1.0, -1.0):
            end = along * sense * (float((every @ (sense * along)).max()) + 24 * pen)
            board.arrow([end, end + 11 * pen * towards])
            board.label(end + sense * along * 9 * pen, letter, bold=True)
        ends = [(float((every @ (s * along)).max()) + 24 * pen) * s * along for s in (1, -1)]
        board.stroke(ends, "datum")
    right = float(every[:, 0].max())
    if scene.claws:
        left = float(every[:, 0].min())
        board.stroke([[left - 14 * pen, 0], [right + 24 * pen, 0]], "datum")
    board.label([right + 46 * pen, -9 * pen], "0°\nlength", size=_SMALL, up="top")
    low = float(every[:, 1].min())
    x = -SHEET_PENS / 2 * pen
    if scene.seats.back == "open":
        if scene.finger_across[0] == 1.0:
            at = np.array([x + 12 * pen, low * 0.45])
            half = np.array([0.0, 30 * pen])
            board.label(at + (9 * pen, 0.0), "finger", upright=True, size=_SMALL)
        else:
            at = np.array([x + 38 * pen, low - 4 * pen])
            half = np.array([30 * pen, 0.0])
            board.label(at + (0.0, 9 * pen), "finger", size=_SMALL)
        board.arrow([at, at + half])
        board.arrow([at, at - half])


def _gap_callouts(board: Board, scene: SetStone) -> None:
    """Point out the tightest and the widest place between girdle and metal, or of the notches."""
    gap, along = scene.gaps
    face = scene.face
    middle = face
    if scene.claws:
        groups = gap.reshape(-1, FACE_POINTS)
        step = np.arange(len(groups)) * FACE_POINTS
        middle = face[FACE_POINTS // 2 :: FACE_POINTS]
        if scene.cut:
            value = groups.min(axis=1)
            place = step + groups.argmin(axis=1)
        else:
            value, place = -groups.mean(axis=1), step + FACE_POINTS // 2
    else:
        value, place = (gap if scene.cut else -gap), np.arange(len(gap))
    what = "notch to cut" if scene.claws else "bearing to cut"
    if scene.cut:
        # A stone that is too large overlaps the metal most where the gap is least.
        names = ("tightest gap" if value.min() >= 0 else "deepest overlap", "widest gap")
    else:
        names = (f"shallowest {what}", f"deepest {what}")
    chosen = [int(value.argmin()), int(value.argmax())]
    if float(np.ptp(value)) < 0.005:
        names, chosen = ("gap" if scene.cut else what,), chosen[:1]
    pen = board.pen
    every = np.concatenate([*scene.bodies, scene.outline])
    top, bottom = float(every[:, 1].max()) + 12 * pen, float(every[:, 1].min()) - 12 * pen
    edge = (SHEET_PENS / 2 - 8) * pen
    taken: list[tuple[bool, bool]] = []
    for name, k in zip(names, chosen, strict=True):
        point, n = face[place[k]], along[place[k]]
        size = float(gap[place[k]])
        direction = float(np.rad2deg(np.arctan2(middle[k, 1], middle[k, 0])) % 360)
        shown = abs(float(value[k])) if name == "deepest overlap" else float(value[k])
        above, right = bool(point[1] >= -1e-9), bool(point[0] >= 1e-9)
        if (above, right) in taken:
            right = not right
        taken.append((above, right))
        inside, outside = point - size * n, point
        board.dimension(inside, outside, outside=14.0)
        elbow = outside + n * (scene.depth + 10 * pen)
        where = f" at {direction % 360:.0f}°" if len(chosen) > 1 else ", all round"
        label = board.label(
            [edge if right else -edge, top if above else bottom],
            f"{name}\n{shown:.2f} mm{where}",
            across="right" if right else "left",
            up="bottom" if above else "top",
        )
        box = label.box(pen)
        x = float(np.clip(elbow[0], box[0, 0] + 4 * pen, box[1, 0] - 4 * pen))
        y = box[0, 1] - 2 * pen if above else box[1, 1] + 2 * pen
        board.stroke([outside, elbow, [x, y]], "dimension")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """The metal that a section cuts on one side; distances are positive on both sides."""

    metal: Array
    inner: Array
    top: Array
    outer: Array
    foot: Array
    root: float | None
    ledge: tuple[float, float, float] | None
    mouth: Array | None


def section(
    scene: SetStone,
    direction_rad: float,
    pen: float,
    key: Key,
    doubts: dict[str, float],
    *,
    first: bool,
) -> Board:
    """Draw the upright section along a direction; the first one carries the seat's dimensions."""
    board = Board(pen)
    sides = {sense: _side(scene, direction_rad, sense, pen) for sense in (1.0, -1.0)}
    if scene.claws:
        _claws_beyond(board, scene, direction_rad)
    profile = scene.profile(direction_rad)
    for sense, side in sides.items():
        if side is not None:
            metal = side.metal * (sense, 1)
            board.area([metal], "metal")
            board.hatch([metal])
    if len(profile):
        board.area([profile], "stone")
    for sense, side in sides.items():
        if side is None:
            continue
        flip = np.array([sense, 1.0])
        if len(profile):
            board.hatch([side.metal * flip], within=profile)
        kind = "claw" if scene.claws else "wall"
        height = f"{kind}_length_mm" if scene.claws else f"{kind}_height_mm"
        board.stroke(side.inner * flip, "metal")
        board.stroke(side.top * flip, "metal", assumed=height in scene.assumed)
        board.stroke(side.outer * flip, "metal", assumed=f"{kind}_thickness_mm" in scene.assumed)
        board.stroke(zigzag(*(side.foot * flip), 3.5 * pen), "break")
        if side.mouth is not None:
            board.stroke(side.mouth * flip, "hidden")
    _loose_rail(board, scene, direction_rad, sides, pen)
    if len(profile):
        board.stroke(profile, "stone", closed=True)
    reach = scene.reach
    board.stroke([[-reach - 10 * pen, 0], [reach + 10 * pen, 0]], "datum")
    _floor(board, scene, direction_rad, reach)
    if first:
        _seat_dimensions(board, scene, direction_rad, sides, key, doubts)
    else:
        if not scene.claws:
            _opening_dimension(board, scene, sides, key, "opening, along")
        _stone_dimensions(board, scene, profile, key)
    return board


def _side(scene: SetStone, direction_rad: float, sense: float, pen: float) -> _Side | None:
    direction = direction_rad + (0.0 if sense > 0 else np.pi)
    return (
        _claw_side(scene, direction, pen) if scene.claws else _wall_side(scene, direction, pen)
    )


def _wall_side(scene: SetStone, direction: float, pen: float) -> _Side:
    seats = scene.seats
    ring = seats.opening[0]
    root, i, f = _crossing(ring, direction)
    j = (i + 1) % len(ring)

    def between(values: Array, a: int = i, b: int = j, part: float = f) -> float:
        return float((1 - part) * values[a] + part * values[b])

    def at(z: float, behind: float = 0.0) -> float:
        face = seats.opening_at(np.full(seats.count, z))[0]
        return _crossing(_offset(face, behind) if behind else face, direction)[0]

    top = between(seats.top[0])
    floor = float(seats.floor_z[0])
    ledge = None
    if seats.ledge_inner is not None and seats.ledge_inner_z is not None:
        assert seats.ledge_outer_z is not None
        inner, a, part = _crossing(seats.ledge_inner[0], direction)
        inner_z = between(seats.ledge_inner_z[0], a, (a + 1) % len(ring), part)
        outer_z = between(seats.ledge_outer_z[0])
        ledge = inner, inner_z, outer_z
        foot_z = inner_z + 0.4 * (floor - inner_z)
        foot = inner
        face = [(inner, foot_z), (inner, inner_z), (root, outer_z), (at(top), top)]
    else:
        foot_z = 0.6 * floor
        foot = at(foot_z)
        face = [(foot, foot_z), (at(top), top)]
    low, high = (at(foot_z, scene.depth), foot_z), (at(top, scene.depth), top)
    return _made(face, [face[-1], high], [high, low], [(foot, foot_z), low], root, ledge)


def _claw_side(scene: SetStone, direction: float, pen: float) -> _Side | None:
    seats = scene.seats
    u = np.array([np.cos(direction), np.sin(direction)])
    for k, body in enumerate(scene.bodies):
        side = body[:, 1] * u[0] - body[:, 0] * u[1]
        if not side.min() < 0 < side.max() or (body @ u).min() < 0:
            continue
        station = k * FACE_POINTS + FACE_POINTS // 2
        normal = seats.outward[station]
        slope = float(normal @ u)

        def at(z: float, behind: float = 0.0, station: int = station, slope: float = slope) -> float:
            face = seats.opening_at(np.full(seats.count, z))[0, station]
            return (float(face @ seats.outward[station]) + behind) / slope

        top = float(seats.top[0, station])
        floor = float(seats.floor_z[0])
        notch = scene.notch
        ledge = mouth = None
        rail = None
        if seats.gallery is not None and seats.gallery_z is not None:
            rail = _crossing(seats.gallery[0], direction)[0], float(seats.gallery_z[0])
        inner_z = 0.0
        if seats.ledge_inner_z is not None and seats.ledge_outer_z is not None:
            inner_z = float(seats.ledge_inner_z[0, station])
            outer_z = float(seats.ledge_outer_z[0, station])
            ledge = at(0.0, -notch), inner_z, outer_z
        foot_z = rail[1] - 12 * pen if rail else inner_z + 0.4 * (floor - inner_z)
        stem: list[tuple[float, float]] = []
        foot = at(foot_z, -notch)
        if rail and rail[0] < foot:
            foot = rail[0]
            stem = [(foot, foot_z), rail, (at(rail[1], -notch), rail[1])]
        else:
            stem = [(foot, foot_z)]
        if ledge:
            face = [*stem, (ledge[0], inner_z), (at(0.0), ledge[2]), (at(top), top)]
            if seats.mouth is not None:
                z = float(seats.mouth[0])
                mouth = np.array([(at(z), z), (at(z, -notch), z), (at(top, -notch), top),
                                  (at(top), top)])  # fmt: skip
        else:
            face = [*stem, (at(top), top)]
        low, high = (at(foot_z, scene.depth), foot_z), (at(top, scene.depth), top)
        return _made(
            face, [face[-1], high], [high, low], [(foot, foot_z), low], at(0.0), ledge, mouth
        )
    return None


def _made(
    face: list[tuple[float, float]],
    top: list[tuple[float, float]],
    outer: list[tuple[float, float]],
    foot: list[tuple[float, float]],
    root: float,
    ledge: tuple[float, float, float] | None,
    mouth: Array | None = None,
) -> _Side:
    return _Side(
        metal=np.array([*face, *outer]),
        inner=np.array(face),
        top=np.array(top),
        outer=np.array(outer),
        foot=np.array(foot),
        root=root,
        ledge=ledge,
        mouth=mouth,
    )


def _claws_beyond(board: Board, scene: SetStone, direction_rad: float) -> None:
    """Claws behind the cutting plane, as thin outlines."""
    seats = scene.seats
    u = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    v = np.array([-u[1], u[0]])
    low = float(seats.gallery_z[0]) if seats.gallery_z is not None else 0.5 * seats.floor_z[0]
    for k, body in enumerate(scene.bodies):
        if (body @ v).min() > 0:
            t = body @ u
            top = float(seats.top[0, k * FACE_POINTS])
            corners = [(t.min(), low), (t.min(), top), (t.max(), top), (t.max(), low)]
            board.stroke(corners, "beyond")


def _loose_rail(
    board: Board,
    scene: SetStone,
    direction_rad: float,
    sides: dict[float, _Side | None],
    pen: float,
) -> None:
    """Draw the gallery rail where the section meets it away from a claw."""
    seats = scene.seats
    if seats.gallery is None or seats.gallery_z is None:
        return
    z = float(seats.gallery_z[0])
    for sense, side in sides.items():
        if side is not None and scene.claws:
            continue
        edge = _crossing(seats.gallery[0], direction_rad + (0.0 if sense > 0 else np.pi))[0]
        width = 16 * pen
        box = np.array([[edge, z - 12 * pen], [edge, z], [edge + width, z],
                        [edge + width, z - 12 * pen]]) * (sense, 1)  # fmt: skip
        board.area([box], "metal")
        board.hatch([box])
        board.stroke(box[:3], "metal")
        board.stroke(zigzag(box[2], box[3], 3 * pen), "break")
        board.stroke(zigzag(box[3], box[0], 3 * pen), "break")


def _floor(board: Board, scene: SetStone, direction_rad: float, reach: float) -> None:
    """Draw the finger or the back, with short strokes on its solid side."""
    pen = board.pen
    t = np.linspace(-reach, reach, 81)
    z = scene.floor(t, direction_rad)
    depth = "depth_below_ledge_mm" if scene.cut else "depth_below_rim_mm"
    open_ = scene.seats.back == "open"
    shape_known = not open_ or scene.finger_radius_mm is not None
    board.stroke(
        np.column_stack([t, z]), "ground", assumed=depth in scene.assumed or not shape_known
    )
    marks = np.arange(-reach + 4 * pen, reach, 9 * pen)
    foot = np.column_stack([marks, scene.floor(marks, direction_rad)])
    board.lines(np.stack([foot, foot - 5 * pen], axis=1), "dimension")
    for x, across in ((0.0, "centre"), (reach, "right"), (-reach, "left")):
        low = float(scene.floor(np.array([x]), direction_rad)[0])
        angle = np.rad2deg(direction_rad + (0 if x > 0 else np.pi)) % 360
        text = f"{angle:.0f}°" if x else "finger" if open_ else "back"
        board.label([x, low - 8 * pen], text, size=_SMALL, across=across, up="top")


def _opening_dimension(
    board: Board, scene: SetStone, sides: dict[float, _Side | None], key: Key, name: str
) -> None:
    right, left = sides[1.0], sides[-1.0]
    if right is None or left is None or right.root is None or left.root is None:
        return
    pen = board.pen
    high = float(board.corners()[1, 1]) + 12 * pen
    start, stop = -left.root, right.root
    for t, side in ((start, left), (stop, right)):
        board.stroke([[t, float(side.top[0, 1]) + 2 * pen], [t, high + 3 * pen]], "dimension")
    board.dimension([start, high], [stop, high])
    text = key.add(name, stop - start)
    board.label([(start + stop) / 2, high + 4 * pen], text, up="bottom")


def _seat_dimensions(
    board: Board,
    scene: SetStone,
    direction_rad: float,
    sides: dict[float, _Side | None],
    key: Key,
    doubts: dict[str, float],
) -> None:
    """Rest height, culet clearance, metal above the girdle, ledge and opening."""
    pen = board.pen
    stone, reach = scene.stone, scene.reach
    right, left = sides[1.0], sides[-1.0]
    name = "opening, across" if not scene.claws else "opening, claw to claw"
    _opening_dimension(board, scene, sides, key, name)

    # Left: the girdle's middle over the datum.
    x = -reach - 9 * pen
    z = scene.girdle_z
    profile = scene.profile(direction_rad)
    near, _ = _span(profile, z)
    board.stroke([[near - 2 * pen, z], [x - 4 * pen, z]], "dimension")
    board.stroke([[x + 4 * pen, 0.0], [x - 4 * pen, 0.0]], "dimension")
    board.dimension([x, min(z, 0.0)], [x, max(z, 0.0)])
    what = "rest height" if scene.cut else "girdle below the tips" if scene.claws else "girdle below the rim"
    rest = key.add(what, z if scene.cut else -z)
    places = spread([z / 2, 0.0 if z > 0 else 2 * pen], 13 * pen)
    if abs(z) > 30 * pen:
        places = [z / 2, 0.0]
    board.label([x - 7 * pen, places[0]], rest, across="right")
    board.label([x - 7 * pen, places[1]], "datum", across="right", size=_SMALL)

    # Right: what stands above the girdle.
    top = z + stone.girdle_mm / 2
    side = right or left
    if side is not None:
        sense = 1.0 if right is not None else -1.0
        x = sense * (reach + 9 * pen)
        height = float(side.top[0, 1])
        edge = _span(profile, top)[int(sense > 0)]
        board.stroke([[edge + 2 * sense * pen, top], [x + 4 * sense * pen, top]], "dimension")
        board.stroke(
            [[sense * (float(side.top[1, 0]) + 2 * pen), height], [x + 4 * sense * pen, height]],
            "dimension",
        )
        board.dimension([x, top], [x, height])
        reading = "claw_length_mm" if scene.claws else "wall_height_mm"
        text = key.add(
            "metal above girdle", height - top, *([reading] if scene.cut else []),
            u=doubts.get("metal above girdle", 0.0),
        )  # fmt: skip
        board.label([x + 7 * pen, (top + height) / 2], text, across="left")

    # Below: the culet.
    along = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    t = float(scene.shift @ along)
    culet = z + stone.culet_z_mm
    ground = float(scene.seats.floor_z[0])
    x = t - 16 * pen
    board.stroke([[t - 2 * pen, culet], [x - 4 * pen, culet]], "dimension")
    board.dimension([x, min(culet, ground)], [x, max(culet, ground)])
    depth = "depth_below_ledge_mm" if scene.cut else "depth_below_rim_mm"
    text = key.add("culet clearance", culet - ground, depth, u=doubts.get("culet clearance", 0.0))
    board.label([x - 6 * pen, (culet + ground) / 2], text, across="right")

    for side, sense in ((left, -1.0), (right, 1.0)):
        if side is None or side.ledge is None or side.root is None:
            continue
        inner, inner_z, outer_z = side.ledge
        low = float(side.foot[:, 1].min()) - 10 * pen
        if sense < 0 or left is None:
            for r, height in ((inner, inner_z), (side.root, outer_z)):
                board.stroke([[sense * r, height], [sense * r, low - 3 * pen]], "dimension")
            board.dimension([-side.root, low], [-inner, low])
            word = "notch depth" if scene.claws else "ledge width"
            text = key.add(word, side.root - inner, "ledge_width_mm")
            board.label([-(side.root + inner) / 2, low - 5 * pen], text, up="top")
        else:
            middle = (inner + side.root) / 2
            board.stroke([[middle, (inner_z + outer_z) / 2], [middle, low - 3 * pen]], "dimension")
            angle = np.rad2deg(np.arctan2(outer_z - inner_z, side.root - inner))
            text = key.add("ledge angle", float(angle), "ledge_angle_deg", unit="°")
            board.label([middle, low - 5 * pen], text, up="top")


def _span(profile: Array, level: float) -> tuple[float, float]:
    """Where a section's convex outline lies at a height, from left to right."""
    if not len(profile):
        return 0.0, 0.0
    z = np.clip(level, profile[:, 1].min() + 1e-9, profile[:, 1].max() - 1e-9)
    follow = np.roll(profile, -1, axis=0)
    a, b = profile[:, 1] - z, follow[:, 1] - z
    cut = (a < 0) != (b < 0)
    t = profile[cut, 0] + (follow - profile)[cut, 0] * (a[cut] / (a[cut] - b[cut]))
    return float(t.min()), float(t.max())


def _stone_dimensions(board: Board, scene: SetStone, profile: Array, key: Key) -> None:
    """Total depth, and its parts: estimated from the style, so assumed."""
    pen = board.pen
    stone, z = scene.stone, scene.girdle_z
    reach = scene.reach
    right, left = reach + 9 * pen, -reach - 9 * pen
    levels = [z + stone.table_z_mm, z + stone.girdle_mm / 2, z - stone.girdle_mm / 2,
              z + stone.culet_z_mm]  # fmt: skip

    for level in (levels[0], levels[-1]):
        board.stroke([[_span(profile, level)[0] - 2 * pen, level], [left - 3 * pen, level]], "dimension")
    board.dimension([left, levels[-1]], [left, levels[0]])
    text = key.add("depth of the stone", stone.depth_mm)
    board.label([left - 5 * pen, (levels[0] + levels[-1]) / 2], text, upright=True, up="bottom")
    for level in levels:
        board.stroke([[_span(profile, level)[1] + 2 * pen, level], [right + 3 * pen, level]], "dimension")
    names = ("crown", "girdle", "pavilion")
    known = [k for k in range(3) if levels[k] - levels[k + 1] > 1e-6]
    middles = [(levels[k] + levels[k + 1]) / 2 for k in known]
    for k, height in zip(known, spread(middles, 14 * pen), strict=True):
        board.dimension([right, levels[k + 1]], [right, levels[k]])
        text = key.add(names[k], levels[k] - levels[k + 1], "stone heights")
        board.label([right + 7 * pen, height], text, across="left")

