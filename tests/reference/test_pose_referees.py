"""The whole account of a pose before two general libraries: rest, tilt and every zone's clearance.

Referees
--------
- python-fcl (Flexible Collision Library; J. Pan, S. Chitta, D. Manocha, ICRA 2012): whether
  triangles of the stone's closed mesh meet triangles of a zone's metal, and the distance of two
  meshes. Its conservative advancement can stop early on a graze; where it disagrees on a distance
  the other referee decides.
- manifold3d (E. Lalish, Manifold): `min_gap` of closed solids, and the volume they share.

A zone under the stone is cleared by c where the stone, lowered by c - 0.002 mm, meets nothing of
it, and lowered by c + 0.002 mm does. Beside the girdle the outline and the metal at its level,
extruded, are c apart. Both are asked of metal built here from the seat's stations, not from the
account's own: edges as curtains that hang down, fingers as cylinders of 720 sides (which lie
8e-5 mm inside a true one of 17 mm).

Measured on the slow run's 2,200 cases (every style, openings of every family and others', walls
and claws, cut and uncut, gallery rails, fingers and backs, shifts of 0.08 mm, turns, tilts of up to
5 deg), none outside; rounded down:

    rest heights, level and as many tilted    1640 (and 149 in worn seats: read by direction,
                                                   ledges with gaps, claws of their own sizes)
    beside the girdle, clear                  1220, none 1e-6 mm off manifold3d; fcl stopped at none
    beside the girdle, overlapping             950
    edge of a ledge, of notches           820, 815
    gallery rail                               730
    finger, back                        1090, 1100
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import fcl
import manifold3d
import numpy as np
import pytest
import shapely
from drawn import Case, case
from msgspec.structs import replace
from referees import (
    beside,
    beside_curtains,
    cylinder,
    extruded,
    ledge_solid,
    meet,
    solid_of,
    soup_tree,
    strands,
    tree,
    under,
)

from fitsolver.fitting.body import rotation
from fitsolver.fitting.contact import drop
from fitsolver.fitting.seated import Seated
from fitsolver.fitting.zone import Zone, zones
from fitsolver.seats.metal import metal
from fitsolver.seats.seat import FACE_POINTS

SEED = 2026
WITHIN_MM = 0.002


@dataclass(frozen=True, kw_only=True, repr=False)
class Tried:
    """A stone somewhere in a seat, and how it was tilted to be dropped."""

    drawn: Case
    at: Seated
    toward_rad: float
    tilt_rad: float

    def __str__(self) -> str:
        """Say which case it is."""
        return str(self.drawn)

    __repr__ = __str__


def tried(number: int) -> Tried:
    """Case `number`: one in four is uncut, one in three has a rail, one in five is worn."""
    rng = np.random.default_rng([SEED, number])
    state = "uncut" if number % 4 == 3 else "cut"
    worn = state == "cut" and number % 5 == 2
    drawn = case(number, SEED, state=state, play_mm=(-0.45, 0.1), worn=worn)
    seats = drawn.seats
    if number % 3 == 0:
        depth = rng.uniform(0.3, 0.6) * drawn.stone.pavilion_depth_mm
        seats = replace(
            seats,
            gallery=seats.opening * rng.uniform(0.55, 0.85),
            gallery_z=np.array([seats.top.min() - depth - drawn.stone.crown_height_mm]),
        )
    shift = rng.normal(0, 0.08, 2)
    place = {"shift_mm": (float(shift[0]), float(shift[1])), "turn_rad": drawn.turn_rad}
    z = drop(drawn.stone, metal(seats), **place).rest_z_mm
    if state == "uncut":
        # Somewhere above whatever would stop it.
        z = max(z, float(-rng.uniform(0.5, 1.0)))
    at = Seated(
        seats=seats,
        stone=drawn.stone,
        z_mm=z,
        finger_diameter_mm=float(rng.uniform(15, 20)) if seats.back == "open" else None,
        finger_along=str(rng.choice(["width", "length"])),
        **place,
    )
    return Tried(
        drawn=drawn,
        at=at,
        toward_rad=float(rng.uniform(0, 2 * np.pi)),
        tilt_rad=float(np.deg2rad(rng.uniform(0.1, 5.0))),
    )


def put(body: fcl.CollisionObject, at: Seated, z: float, about: np.ndarray | None = None) -> None:
    turned = rotation(at.turn_rad) if about is None else about
    body.setTransform(fcl.Transform(turned, np.array([*at.shift_mm, z])))


def stone_solid(at: Seated, z: float, about: np.ndarray | None = None) -> manifold3d.Manifold:
    turned = rotation(at.turn_rad) if about is None else about
    solid = at.stone.polyhedron
    return solid_of(solid.vertices @ turned.T + (*at.shift_mm, z), solid.triangles)


def side_gap_holds(at: Seated, zone: Zone, found: Counter[str], drawn: Tried) -> None:
    """The sideways clearance before both referees."""
    outline, rings, level = beside(at)
    ring = shapely.get_coordinates(outline.exterior)[:-1]
    prism = extruded([ring], level - 0.2, level + 0.2)
    blocks = [extruded(rings, level - 0.2, level + 0.2)] if not at.claws else [
        extruded([each], level - 0.2, level + 0.2) for each in rings
    ]  # fmt: skip
    # The boundary of the wall is its inner face: the box is far off.
    gap = min(prism.min_gap(block, 20.0) for block in blocks)
    if zone.least_mm > 0:
        assert zone.least_mm == pytest.approx(gap, abs=WITHIN_MM), drawn
        hung, metal_hung = beside_curtains(at)
        by_fcl = fcl.distance(
            soup_tree(hung), soup_tree(metal_hung), fcl.DistanceRequest(), fcl.DistanceResult()
        )
        if abs(by_fcl - zone.least_mm) > WITHIN_MM:
            # An early stop: the other referee has agreed.
            found["fcl stopped early"] += 1
        found["beside, clear"] += 1
        found["beside, worst nm"] = max(
            found["beside, worst nm"], round(1e6 * abs(zone.least_mm - gap))
        )
    elif zone.least_mm < -WITHIN_MM:
        # They overlap; an outline drawn in by so much clears the metal.
        assert sum((prism ^ block).volume() for block in blocks) > 0, drawn
        smaller = outline.buffer(zone.least_mm - WITHIN_MM, join_style="mitre")
        for each in strands(at, rings[1]) if not at.claws else [r[FACE_POINTS:] for r in rings]:
            line = shapely.LinearRing(each) if not at.claws else shapely.LineString(each)
            assert not smaller.intersects(line), drawn
        found["beside, overlap"] += 1


def zone_holds(
    at: Seated, body: fcl.CollisionObject, zone: Zone, found: Counter[str], drawn: Tried
) -> None:
    """An upright clearance before fcl, and the volumes of finger and back before manifold3d."""
    if zone.least_mm == np.inf:
        return
    below = soup_tree(under(at, zone.name))
    put(body, at, at.z_mm - zone.least_mm + WITHIN_MM)
    assert not meet(body, below), (str(drawn), zone.name)
    put(body, at, at.z_mm - zone.least_mm - WITHIN_MM)
    assert meet(body, below), (str(drawn), zone.name)
    found[zone.name] += 1
    if zone.name in ("finger", "back"):
        if at.finger_diameter_mm is not None:
            block = cylinder(at)
        else:
            block = manifold3d.Manifold.cube([60.0, 60.0, 5.0], True).translate(
                [0.0, 0.0, float(at.seats.floor_z[0]) - 2.5]
            )
        z = at.z_mm - zone.least_mm
        # The cylinder's sides lie inside the true one: only above is volume nought for sure.
        assert (stone_solid(at, z + 1e-5) ^ block).volume() == 0, drawn
        assert (stone_solid(at, z - 0.01) ^ block).volume() > 0, drawn
        gap = stone_solid(at, z + 0.5).min_gap(block, 2.0)
        assert gap <= 0.5 + WITHIN_MM, drawn


def rest_holds(one: Tried, body: fcl.CollisionObject, found: Counter[str]) -> None:
    """Level and tilted rest heights: fcl's meeting triangles, manifold3d's shared volume."""
    at, drawn = one.at, one.drawn
    if at.ledge is None:
        return
    ledge = [item for item in metal(at.seats) if item.name in ("ledge", "notch")]
    soup = soup_tree(np.concatenate([item.triangles for item in ledge]))
    block = ledge_solid(at.seats)
    for tilt in (0.0, one.tilt_rad):
        rest = drop(
            at.stone, ledge, shift_mm=at.shift_mm, turn_rad=at.turn_rad,
            toward_rad=one.toward_rad, tilt_rad=tilt,
        ).rest_z_mm  # fmt: skip
        if rest == -np.inf:
            continue
        about = rotation(at.turn_rad, one.toward_rad, tilt)
        put(body, at, rest + 1e-5, about)
        assert not meet(body, soup), drawn
        put(body, at, rest - WITHIN_MM, about)
        assert meet(body, soup), drawn
        if tilt == 0:
            # Built closed, the ledge's outer face stands beside the girdle as no wall would.
            assert (stone_solid(at, rest + 1e-5, about) ^ block).volume() == 0, drawn
            assert (stone_solid(at, rest - 0.01, about) ^ block).volume() > 0, drawn
        found["rest, tilted" if tilt else "rest, level"] += 1


def judge(numbers: range) -> Counter[str]:
    """Hold every case before the referees; count what was compared."""
    found: Counter[str] = Counter()
    for number in numbers:
        one = tried(number)
        solid = one.at.stone.polyhedron
        body = tree(solid.vertices, solid.triangles)
        rest_holds(one, body, found)
        if not np.isfinite(one.at.z_mm):
            continue
        beside_, *below = zones(one.at)
        side_gap_holds(one.at, beside_, found, one)
        for zone in below:
            zone_holds(one.at, body, zone, found, one)
            # The field never lies below the least.
            assert np.nanmin(np.append(zone.clearance_mm, np.inf)) >= zone.least_mm - 1e-9
    return found


def test_a_hundred_poses():
    found = judge(range(100))
    for name, least in (
        ("rest, level", 50), ("rest, tilted", 50), ("beside, clear", 30), ("beside, overlap", 15),
        ("ledge edge", 25), ("notch edge", 15), ("gallery", 20), ("finger", 30), ("back", 30),
    ):  # fmt: skip
        assert found[name] >= least, (name, found)
    assert found["fcl stopped early"] <= 1


@pytest.mark.slow
def test_two_thousand_poses():
    found = judge(range(100, 2300))
    assert found["rest, level"] + found["finger"] + found["back"] > 3000
    assert found["fcl stopped early"] <= 20
    assert found["beside, worst nm"] <= 2000
