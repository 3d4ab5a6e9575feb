"""A stone lowered onto metal by general libraries: raw python-fcl, trimesh's collision manager.

Both see the same triangles. The second is built on the first.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Protocol

import fcl
import numpy as np
import trimesh

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from referees import meet, soup_tree, tree

from fitsolver.fitting.body import rotation

HALVINGS, BRACKET_MM = 12, 4.0  # to 0.001 mm
NEAR_ENOUGH_MM = 0.001


class Referee(Protocol):
    """A stone over metal: whether their triangles meet, and how far apart they are."""

    name: str

    def lift(self, shift_mm: Any, turn_rad: float, z_mm: float) -> None: ...
    def meets(self) -> bool: ...
    def apart_mm(self) -> float: ...


class RawFcl:
    """Python-fcl's trees as they are."""

    name = "python-fcl"

    def __init__(self, stone: tuple[Any, Any], triangles: Any) -> None:
        self.stone, self.metal = tree(*stone), soup_tree(triangles)

    def lift(self, shift_mm: Any, turn_rad: float, z_mm: float) -> None:
        self.stone.setTransform(fcl.Transform(rotation(turn_rad), np.array([*shift_mm, z_mm])))

    def meets(self) -> bool:
        return meet(self.stone, self.metal)

    def apart_mm(self) -> float:
        found = fcl.DistanceResult()
        return float(fcl.distance(self.stone, self.metal, fcl.DistanceRequest(), found))


class Manager:
    """Trimesh's collision managers, one for the stone and one for the metal."""

    name = "trimesh"

    def __init__(self, stone: tuple[Any, Any], triangles: Any) -> None:
        self.stone, self.metal = (trimesh.collision.CollisionManager() for _ in range(2))
        self.stone.add_object("stone", trimesh.Trimesh(*stone, process=False))
        loose = triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3)
        self.metal.add_object("metal", trimesh.Trimesh(*loose, process=False))

    def lift(self, shift_mm: Any, turn_rad: float, z_mm: float) -> None:
        at = np.eye(4)
        at[:3, :3], at[:3, 3] = rotation(turn_rad), (*shift_mm, z_mm)
        self.stone.set_transform("stone", at)

    def meets(self) -> bool:
        return bool(self.stone.in_collision_other(self.metal))

    def apart_mm(self) -> float:
        return float(self.stone.min_distance_other(self.metal))


REFEREES: tuple[type[RawFcl] | type[Manager], ...] = (RawFcl, Manager)


def halved(
    of: Referee, shift_mm: Any, turn_rad: float, about_mm: float = 0.0, times: int = HALVINGS
) -> float:
    """Lowest height at which a stone clears the metal, by halving [mm]."""
    low, high = about_mm - BRACKET_MM / 2, about_mm + BRACKET_MM / 2
    for _ in range(times):
        middle = (low + high) / 2
        of.lift(shift_mm, turn_rad, middle)
        low, high = (middle, high) if of.meets() else (low, middle)
    return high


def advanced(of: Referee, shift_mm: Any, turn_rad: float) -> float:
    """The same by lowering a stone by its distance again and again [mm]."""
    z = BRACKET_MM / 2
    for _ in range(500):
        of.lift(shift_mm, turn_rad, z)
        apart = of.apart_mm()
        if apart < NEAR_ENOUGH_MM:
            break
        z -= apart
    return z
