"""A seat, and a stone where the check has put it: outline, gaps, sections in the seat's frame."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.drawings.projection import upright_section
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.solver import Check
from fitsolver.seats.belief import Belief
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.seat import FACE_POINTS, Seats, seats_of
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]


class EmptySeat(Struct, frozen=True, kw_only=True, dict=True):
    """The best estimate of a seat as it is drawn; `assumed` names what nobody measured."""

    seats: Seats
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

    @property
    def depth_reading(self) -> str:
        """Name of the reading that says how deep the floor lies."""
        return "depth_below_ledge_mm" if self.cut else "depth_below_rim_mm"

    @property
    def level(self) -> float:
        """Height at which the plan is cut."""
        return 0.0

    @cached_property
    def face(self) -> Array:
        """The metal's inner face at that height, (n, 2)."""
        face: Array = self.seats.opening_at(np.full(self.seats.count, self.level))[0]
        return face

    @property
    def depth(self) -> float:
        """Greatest thickness of the metal behind the inner face [mm]."""
        return float(self.behind.max())

    @property
    def notches(self) -> Array:
        """Depth of the notch of a claw at every station, (n,) [mm]; 0 where none is cut."""
        if self.seats.notch is None:
            return np.zeros(self.seats.opening.shape[1])
        notches: Array = self.seats.notch[0]
        return notches

    @property
    def behind(self) -> Array:
        """Thickness of the metal behind the inner face at every station, (n,) [mm]."""
        left: Array = self.seats.thickness[0] - self.notches
        return left

    @cached_property
    def bodies(self) -> list[Array]:
        """Outlines of the metal at that height: each claw; or a wall's outer and inner line."""
        return _bodies(self, self.face)

    @cached_property
    def reach(self) -> float:
        """How far metal and stone go from the centre, sideways in any of the views [mm]."""
        every = self.plan_points
        along, _ = section_directions(self)
        axis = np.array([np.cos(along), np.sin(along)])
        return float(max(np.abs(every[:, 0]).max(), np.abs(every @ axis).max()))

    @property
    def plan_points(self) -> Array:
        """Every corner of what the plan shows, (m, 2)."""
        return np.concatenate(self.bodies)

    def floor(self, t: Array, direction_rad: float) -> Array:
        """Height of the finger or the back at distances t along a direction."""
        level = float(self.seats.floor_z[0])
        if self.finger_radius_mm is None:
            return np.full_like(t, level)
        across = t * float(
            self.finger_across @ np.array([np.cos(direction_rad), np.sin(direction_rad)])
        )
        radius = self.finger_radius_mm
        top: Array = level - radius + np.sqrt(np.maximum(radius**2 - across**2, 0.0))
        return top


class SetStone(EmptySeat, frozen=True, kw_only=True, dict=True):
    """A stone as it sits in the best estimate of a seat; `girdle_z` is its girdle's middle."""

    stone: Stone
    turn_rad: float
    shift: Array
    girdle_z: float
    bottom_z: float

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

    @property
    def level(self) -> float:
        """Height at which the plan is cut: the edge of the girdle that leaning metal is nearest.

        Where some leans inward and some does not, the upper edge.
        """
        leaning = bool((self.seats.lean[0] > 0).any())
        return self.bottom_z + (self.stone.girdle_mm if leaning else 0.0)

    @cached_property
    def outline(self) -> Array:
        """The girdle outline in the seat's frame, (n, 2)."""
        return self.to_seat(self.stone.outline_mm)

    @cached_property
    def gaps(self) -> tuple[Array, Array]:
        """Distance from outline to metal at every station (n,), and its direction (n, 2)."""
        form, width = self.stone.form, self.stone.width_mm
        points = self.to_stone(self.face)
        away = form.fold(points) @ form.normals.T - form.reach * width
        best = away.argmax(axis=1)
        along = self.to_seat(form.unfold(form.normals[best], points)) - self.shift
        return away[np.arange(len(away)), best], along

    @property
    def plan_points(self) -> Array:
        """Every corner of metal and girdle in the plan, (m, 2)."""
        return np.concatenate([*self.bodies, self.outline])

    def profile(self, direction_rad: float) -> Array:
        """Section of the stone along a direction through the seat's centre: (n, 2) of t and z."""
        centre = self.to_stone(np.zeros(2))
        points = upright_section(
            self.stone, direction_rad - self.turn_rad, (float(centre[0]), float(centre[1]))
        )
        raised: Array = points + np.array([0.0, self.girdle_z])
        return raised


def empty_seat(known: Belief) -> EmptySeat:
    """Return the best estimate of a seat, without a stone in it."""
    mounting = known.mounting
    radius, across = _finger(mounting)
    return EmptySeat(
        seats=seats_of(known, known.mean[None]),
        assumed=frozenset(item.name for item in known.assumed),
        finger_radius_mm=radius,
        finger_across=across,
    )


def set_stone(bench: Bench, check: Check) -> SetStone:
    """Put the checked stone where the check found it."""
    middle = check.girdle_bottom_mm + check.stone.girdle_mm / 2
    radius, across = _finger(bench.mounting)
    return SetStone(
        seats=bench.best,
        stone=check.stone,
        turn_rad=float(np.deg2rad(check.turn_deg)),
        shift=np.array(check.shift_mm),
        girdle_z=check.rest_height_mm if np.isfinite(check.rest_height_mm) else middle,
        bottom_z=check.girdle_bottom_mm,
        assumed=frozenset(item.name for item in check.assumed),
        finger_radius_mm=radius,
        finger_across=across,
    )


def _finger(mounting: Mounting) -> tuple[float | None, Array]:
    """Radius of the finger [mm], None if it is not known, and the way in which it curves."""
    finger = mounting.finger_diameter_mm if mounting.back == "open" else None
    # A finger along the width curves away along the length.
    across = (1.0, 0.0) if mounting.finger_along == "width" else (0.0, 1.0)
    return finger.value_mm / 2 if finger is not None else None, np.array(across)


def section_directions(scene: EmptySeat) -> tuple[float, float]:
    """Directions [rad] of the sections A-A and B-B, to the right in the plan or up.

    A wall is cut across the width and along the length. Claws are cut through the two that face
    each other best, or through one if none do; and across the width, or along the length where
    the first section is across already.
    """
    if not scene.claws:
        return np.pi / 2, 0.0
    middle = scene.seats.opening[0, FACE_POINTS // 2 :: FACE_POINTS]
    unit = middle / np.linalg.norm(middle, axis=1)[:, None]
    facing = np.round(unit @ unit.T, 6)
    first, second = np.unravel_index(int(facing.argmin()), facing.shape)
    axis = unit[first] - unit[second] if facing[first, second] < -0.99 else unit[first]
    if axis[0] < -1e-9 or (abs(axis[0]) < 1e-9 and axis[1] < 0):
        axis = -axis
    direction = float(np.arctan2(axis[1], axis[0]))
    return direction, 0.0 if abs(np.sin(direction)) > 0.9 else np.pi / 2


def claw_directions(scene: EmptySeat, direction_rad: float) -> list[float]:
    """Directions [deg] of the claws that the section along a direction cuts."""
    line = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    cut = []
    for k, body in enumerate(scene.bodies):
        side = body[:, 1] * line[0] - body[:, 0] * line[1]
        if side.min() < 0 < side.max():
            x, y = scene.seats.opening[0, k * FACE_POINTS + FACE_POINTS // 2]
            cut.append(float(np.rad2deg(np.arctan2(y, x))) % 360)
    return cut


def _bodies(scene: EmptySeat, face: Array) -> list[Array]:
    if not scene.claws:
        return [offset(face, scene.depth), face]
    behind = face + scene.behind[:, None] * scene.seats.outward
    return [
        np.vstack([face[k : k + FACE_POINTS], behind[k : k + FACE_POINTS][::-1]])
        for k in range(0, len(face), FACE_POINTS)
    ]


def offset(points: Array, distance: float) -> Array:
    """Move a closed polygon outwards, its corners mitred."""
    edge = np.roll(points, -1, axis=0) - points
    edge = edge / np.linalg.norm(edge, axis=1)[:, None]
    after = np.column_stack([edge[:, 1], -edge[:, 0]])
    before = np.roll(after, 1, axis=0)
    bend = 1 + np.einsum("ij,ij->i", before, after)
    moved: Array = points + distance * (before + after) / np.maximum(bend, 0.3)[:, None]
    return moved


def crossing(ring: Array, direction_rad: float) -> tuple[float, int, float]:
    """Where a ray from the centre leaves a ring: distance, station before, part of the way on."""
    u = np.array([np.cos(direction_rad), np.sin(direction_rad)])
    follow = np.roll(ring, -1, axis=0)
    a, b = u[0] * ring[:, 1] - u[1] * ring[:, 0], u[0] * follow[:, 1] - u[1] * follow[:, 0]
    part = np.where((a <= 0) & (b > 0), -a / np.where(b - a == 0, 1.0, b - a), np.nan)
    distance = (ring + np.nan_to_num(part)[:, None] * (follow - ring)) @ u
    i = int(np.where(np.isnan(part), -np.inf, distance).argmax())
    return float(distance[i]), i, float(part[i])
