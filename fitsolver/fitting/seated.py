"""One stone at one place in one seat: what every exact account of the pose starts from."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.body import Body, placed
from fitsolver.seats.metal import Surface, metal
from fitsolver.seats.seat import FACE_POINTS, Seats
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]
Indices = NDArray[np.int64]


class Seated(Struct, frozen=True, kw_only=True, eq=False, dict=True):
    """A stone lying level in a single seat (the first of `seats`).

    `shift_mm` of the stone's origin in the seat's frame, `turn_rad` in the plane, `z_mm` height of
    its girdle's middle; `finger_diameter_mm` and the way the finger runs, None for a flat floor.
    """

    seats: Seats
    stone: Stone
    shift_mm: tuple[float, float]
    turn_rad: float
    z_mm: float
    finger_diameter_mm: float | None = None
    finger_along: str = "width"

    @cached_property
    def surfaces(self) -> tuple[Surface, ...]:
        """The seat's metal."""
        return metal(self.seats)

    @cached_property
    def bodies(self) -> tuple[Body, ...]:
        """The stone's convex bodies where they lie."""
        return placed(self.stone, self.shift_mm, self.turn_rad, z_mm=self.z_mm)

    @property
    def claws(self) -> bool:
        """Whether claws hold the stone."""
        return self.seats.holds == "claws"

    @cached_property
    def outline(self) -> Array:
        """The girdle outline in the seat's frame, (n, 2) [mm]."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        turned: Array = self.stone.outline_mm @ np.array([[c, s], [-s, c]]) + self.shift_mm
        return turned

    @cached_property
    def girdle_polygon(self) -> Any:
        """The same as a `shapely.Polygon`, prepared."""
        import shapely

        polygon = shapely.Polygon(self.outline)
        shapely.prepare(polygon)
        return polygon

    @property
    def girdle_bottom_mm(self) -> float:
        """Height of the girdle's lower plane [mm]."""
        return self.z_mm - self.stone.girdle_mm / 2

    @property
    def lean(self) -> Array:
        """Tangent of the inward lean at every station, (n,)."""
        return np.broadcast_to(self.seats.lean[0], self.seats.claw.shape)

    @property
    def level_mm(self) -> Array:
        """Height of the girdle's edge that the metal at every station is nearest to, (n,) [mm]."""
        edge: Array = self.girdle_bottom_mm + np.where(self.lean > 0, self.stone.girdle_mm, 0.0)
        # In a cut seat the ledge is below the datum, no face.
        return np.maximum(edge, 0.0) if self.seats.state == "cut" else edge

    def face_at(self, z_mm: Array) -> Array:
        """The metal's inner face at heights (n,), (n, 2) [mm]."""
        face: Array = self.seats.opening_at(z_mm[None])[0]
        return face

    @cached_property
    def runs(self) -> tuple[Indices, Indices]:
        """Stations at the beginning and end of every straight run of metal, (m,) each."""
        count = len(self.seats.claw)
        first = np.arange(count)
        if self.claws:
            first = first[first % FACE_POINTS < FACE_POINTS - 1]
        return first, (first + 1) % count

    @cached_property
    def ledge_runs(self) -> tuple[Indices, Indices]:
        """The same of the ledge or the notches: those along which it is left."""
        first, last = self.runs
        kept = self.seats.ledge_after[first]
        return first[kept], last[kept]

    @cached_property
    def ledge(self) -> tuple[Array, Array] | None:
        """Inner and outer edge of the ledge or notch floors, (n, 3) each [mm]; None if uncut."""
        seats = self.seats
        if seats.ledge_inner is None or seats.ledge_inner_z is None or seats.ledge_outer_z is None:
            return None
        return (
            np.column_stack([seats.ledge_inner[0], seats.ledge_inner_z[0]]),
            np.column_stack([seats.opening[0], seats.ledge_outer_z[0]]),
        )

    @cached_property
    def rail(self) -> Array | None:
        """Inner edge of the gallery rail, (n, 3) [mm]."""
        seats = self.seats
        if seats.gallery is None or seats.gallery_z is None:
            return None
        rail = seats.gallery[0]
        return np.column_stack([rail, np.full(len(rail), seats.gallery_z[0])])

    @property
    def claws_deg(self) -> tuple[float, ...]:
        """Directions of the claws' middles [deg]."""
        if not self.claws:
            return ()
        return tuple(direction_deg(self.seats.opening[0, FACE_POINTS // 2 :: FACE_POINTS]).tolist())


def direction_deg(points: Array) -> Array:
    """Directions of plan points (..., 2 or 3) from the seat's centre, 0 to 360 [deg]."""
    found: Array = np.rad2deg(np.arctan2(points[..., 1], points[..., 0])) % 360
    return found
