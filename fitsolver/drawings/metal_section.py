"""The metal that an upright section through a seat cuts, on one side of the centre."""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.drawings.set_stone import EmptySeat, crossing, offset
from fitsolver.seats.seat import FACE_POINTS

Array = NDArray[np.float64]

# Nothing is known of the metal under the ledge: it is shown for this part of the way to the floor.
_SHOWN_UNDER_LEDGE = 0.4
_SHOWN_UNDER_RAIL = 0.15
_SHOWN_OF_TUBE = 0.6

Point = tuple[float, float]


class Side(Struct, frozen=True, kw_only=True, eq=False):
    """Lines (n, 2) of distance from the centre, positive on both sides, and height [mm].

    `inner` from the foot up the inner face to the top; `top`; `outer` down to the foot again;
    `root` distance of the opening at the datum; `ledge` inner and outer corner, in cut seats;
    `lip` the part of a claw over the mouth of its notch.
    """

    inner: Array
    top: Array
    outer: Array
    root: float
    ledge: Array | None
    lip: Array | None

    @property
    def metal(self) -> Array:
        """The closed figure, (n, 2)."""
        return np.concatenate([self.inner, self.outer])

    @property
    def foot(self) -> Array:
        """Where the drawing ends: inner and outer end of the break, (2, 2)."""
        return np.array([self.inner[0], self.outer[-1]])


def side(scene: EmptySeat, direction_rad: float) -> Side | None:
    """Return the metal in a direction from the centre; None where there is no claw."""
    return _claw(scene, direction_rad) if scene.claws else _wall(scene, direction_rad)


def rail(scene: EmptySeat, direction_rad: float) -> Point | None:
    """Return distance and height of the gallery's inner edge in a direction, or None."""
    seats = scene.seats
    if seats.gallery is None or seats.gallery_z is None:
        return None
    return crossing(seats.gallery[0], direction_rad)[0], float(seats.gallery_z[0])


def rail_foot(scene: EmptySeat, rail_z: float) -> float:
    """Height down to which a gallery rail is shown."""
    return rail_z + _SHOWN_UNDER_RAIL * (float(scene.seats.floor_z[0]) - rail_z)


def _wall(scene: EmptySeat, direction: float) -> Side:
    seats = scene.seats
    ring = seats.opening[0]
    root, i, f = crossing(ring, direction)

    def between(values: Array, station: int, part: float) -> float:
        return float((1 - part) * values[station] + part * values[(station + 1) % len(ring)])

    def at(z: float, behind: float = 0.0) -> float:
        face = seats.opening_at(np.full(seats.count, z))[0]
        return crossing(offset(face, behind) if behind else face, direction)[0]

    top = between(seats.top[0], i, f)
    floor = float(seats.floor_z[0])
    ledge = None
    if seats.ledge_inner is not None and seats.ledge_inner_z is not None and seats.ledge_after[i]:
        assert seats.ledge_outer_z is not None
        edge, station, part = crossing(seats.ledge_inner[0], direction)
        edge_z = between(seats.ledge_inner_z[0], station, part)
        ledge = np.array([[edge, edge_z], [root, between(seats.ledge_outer_z[0], i, f)]])
        foot = edge, edge_z + _SHOWN_UNDER_LEDGE * (floor - edge_z)
        inner = [foot, *ledge.tolist(), (at(top), top)]
    else:  # a tube, or where the ledge is gone
        foot = at(_SHOWN_OF_TUBE * floor), _SHOWN_OF_TUBE * floor
        inner = [foot, (at(top), top)]
    behind = scene.depth
    return Side(
        inner=np.array(inner),
        top=np.array([inner[-1], (at(top, behind), top)]),
        outer=np.array([(at(top, behind), top), (at(foot[1], behind), foot[1])]),
        root=root,
        ledge=ledge,
        lip=None,
    )


def _claw(scene: EmptySeat, direction: float) -> Side | None:
    seats = scene.seats
    u = np.array([np.cos(direction), np.sin(direction)])
    hit = [
        k
        for k, body in enumerate(scene.bodies)
        if np.ptp(np.sign(body[:, 1] * u[0] - body[:, 0] * u[1])) == 2 and (body @ u).min() > 0
    ]
    if not hit:
        return None
    station = hit[0] * FACE_POINTS + FACE_POINTS // 2
    normal = seats.outward[station]

    def at(z: float, behind: float = 0.0) -> float:
        face = seats.opening_at(np.full(seats.count, z))[0, station]
        return float(face @ normal + behind * (normal @ normal)) / float(normal @ u)

    top = float(seats.top[0, station])
    notch, behind = float(scene.notches[station]), float(scene.behind[station])
    ledge = lip = None
    corners: list[Point] = []
    low = 0.0
    if seats.ledge_inner_z is not None and seats.ledge_outer_z is not None:
        low = float(seats.ledge_inner_z[0, station])
        ledge = np.array(
            [[at(0.0, -notch), low], [at(0.0), float(seats.ledge_outer_z[0, station])]]
        )
        corners = [(float(x), float(z)) for x, z in ledge]
        if seats.mouth is not None:
            mouth = float(seats.mouth[0])
            lip = np.array(
                [
                    (at(mouth), mouth),
                    (at(mouth, -notch), mouth),
                    (at(top, -notch), top),
                    (at(top), top),
                ]
            )
    edge = rail(scene, direction)
    if edge is None:
        foot_z = low + _SHOWN_UNDER_LEDGE * (float(seats.floor_z[0]) - low)
    else:
        foot_z = rail_foot(scene, edge[1])
    foot = at(foot_z, -notch), foot_z
    inner = [foot, *corners, (at(top), top)]
    if edge is not None and edge[0] < foot[0]:
        inner = [(edge[0], foot_z), edge, (at(edge[1], -notch), edge[1]), *inner[1:]]
    return Side(
        inner=np.array(inner),
        top=np.array([(at(top), top), (at(top, behind), top)]),
        outer=np.array([(at(top, behind), top), (at(foot_z, behind), foot_z)]),
        root=at(0.0),
        ledge=ledge,
        lip=lip,
    )
