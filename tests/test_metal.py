"""The metal of a seat as labelled triangles: what is drawn, where, and what a stone may rest on."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from drawn import OPENINGS, mounting

from fitsolver.readings.reading import direct
from fitsolver.seats.belief import belief
from fitsolver.seats.metal import Surface, metal
from fitsolver.seats.seat import FACE_POINTS, Seats, seats
from fitsolver.stones import outline


def seat(samples: int = 0, family: str = "oval", **changes: object) -> Seats:
    rng = np.random.default_rng(5)
    holds, state = str(changes.pop("holds", "wall")), str(changes.pop("state", "cut"))
    return seats(belief(mounting(rng, family, holds, state, **changes)), samples)


def named(surfaces: tuple[Surface, ...]) -> dict[str, Surface]:
    return {item.name: item for item in surfaces}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"back": "open"}, {"ledge": "support", "wall": "movable", "finger": "support"}),
        ({"back": "closed"}, {"ledge": "support", "wall": "movable", "back": "support"}),
        (
            {"holds": "claws", "back": "open"},
            {"notch": "support", "claw": "movable", "finger": "support"},
        ),
        ({"state": "uncut", "back": "open"}, {"wall": "movable", "finger": "support"}),
        (
            {"holds": "claws", "state": "uncut", "back": "closed"},
            {"claw": "movable", "back": "support"},
        ),
        (
            {
                "back": "open",
                "gallery_length_mm": direct(4.0),
                "gallery_width_mm": direct(3.0),
                "gallery_depth_mm": direct(1.5),
            },
            {"ledge": "support", "wall": "movable", "gallery": "support", "finger": "support"},
        ),
    ],
)
def test_surfaces_and_what_they_are_for(changes, expected):
    surfaces = metal(seat(**changes))
    assert {item.name: item.role for item in surfaces} == expected
    for item in surfaces:
        assert item.triangles.shape[1:] == (3, 3)
        assert np.isfinite(item.triangles).all()


def test_a_ledge_is_a_closed_band_split_along_one_diagonal():
    held = seat()
    stations = held.opening.shape[1]
    ledge = named(metal(held))["ledge"].triangles
    assert len(ledge) == 2 * stations
    edges: dict[frozenset[tuple[float, ...]], int] = {}
    for triangle in ledge:
        for a, b in ((0, 1), (1, 2), (2, 0)):
            key = frozenset((tuple(triangle[a]), tuple(triangle[b])))
            edges[key] = edges.get(key, 0) + 1
    # Each quad has a diagonal and shares its sides; the two rims are met once.
    assert sorted(edges.values()) == [1] * (2 * stations) + [2] * (2 * stations)
    free = [key for key, count in edges.items() if count == 1]
    assert all(len(key) == 2 for key in free)


def test_claws_stand_apart_and_have_a_face_each():
    held = seat(family="round", holds="claws")
    claws = held.opening.shape[1] // FACE_POINTS
    surfaces = named(metal(held))
    for name in ("claw", "notch"):
        assert len(surfaces[name].triangles) == 2 * (FACE_POINTS - 1) * claws
    widths = np.ptp(held.opening[0].reshape(claws, FACE_POINTS, 2), axis=1)
    assert np.hypot(*widths.T) == pytest.approx(np.full(claws, 1.1), abs=1e-3)


@pytest.mark.parametrize("state", ["cut", "uncut"])
def test_a_wall_leans_inward_from_foot_to_rim(state):
    upright, leaning = (
        named(metal(seat(family="round", state=state, wall_lean_deg=angle)))["wall"].triangles
        for angle in (0.0, 5.0)
    )
    narrower = np.hypot(*upright[..., :2].T) - np.hypot(*leaning[..., :2].T)
    expected = np.tan(np.deg2rad(5.0)) * leaning[..., 2].T
    # 1e-3: the stations' normals follow an opening read as round but for its irregularity.
    assert narrower == pytest.approx(expected, abs=1e-3)


def test_a_ledge_falls_inward_at_its_angle():
    for angle in (0.0, 20.0, 45.0):
        held = seat(ledge_angle_deg=angle, ledge_width_mm=direct(0.4))
        assert held.ledge_inner_z is not None
        assert held.ledge_inner_z[0] == pytest.approx(-0.4 * np.tan(np.deg2rad(angle)), abs=2e-3)


@pytest.mark.parametrize("family", OPENINGS)
@pytest.mark.parametrize("ledge_mm", [0.25, 0.5, 0.8])
def test_a_ledge_is_as_broad_as_read_all_round_and_in_its_corners(family, ledge_mm):
    """Its inner edge is everywhere that far from the wall, and folds back over itself nowhere.

    shapely measures both ways; 0.004 mm is how far chords stray from the curves between stations.
    """
    held = seat(
        family=family,
        ledge_width_mm=direct(ledge_mm),
        opening_width_mm=direct(5.0),
        opening_length_mm=direct(5.0 * OPENINGS[family]),
        wall_lean_deg=0.0,
    )
    assert held.ledge_inner is not None
    wall = shapely.Polygon(held.opening[0])
    inner = shapely.Polygon(held.ledge_inner[0])
    distances = shapely.distance(shapely.points(held.ledge_inner[0]), wall.exterior)
    width = float(held.belief.mean[held.belief.index("ledge_width_mm")])
    assert distances == pytest.approx(np.full(len(distances), width), abs=0.006)
    # Nothing of it is missing: the largest polygon that far inside, but for the same chords.
    largest = wall.buffer(-width, join_style="mitre")
    assert inner.buffer(0).symmetric_difference(largest).area < 0.006 * inner.length
    # Neighbours may share a corner, yet no part is passed twice.
    assert inner.buffer(0).area == pytest.approx(outline.area(held.ledge_inner[0]), rel=1e-9)


def test_rail_and_finger_lie_level_at_their_depths():
    held = seat(
        back="open",
        depth_below_ledge_mm=direct(3.2),
        gallery_length_mm=direct(4.0),
        gallery_width_mm=direct(3.0),
        gallery_depth_mm=direct(1.5),
    )
    surfaces = named(metal(held))
    assert held.ledge_inner_z is not None
    assert surfaces["gallery"].triangles[..., 2] == pytest.approx(-1.5, abs=1e-3)
    floor = float(held.ledge_inner_z[0].mean()) - 3.2
    assert surfaces["finger"].triangles[..., 2] == pytest.approx(floor, abs=1e-3)
    rail = surfaces["gallery"].triangles.reshape(-1, 3)
    assert 2 * np.abs(rail[:, 0]).max() > 4.0
    assert 2 * np.hypot(*rail[:, :2].T).min() == pytest.approx(3.0, abs=0.01)
    # The finger reaches beyond all other metal.
    outermost = np.abs(np.concatenate([surfaces[k].triangles for k in ("ledge", "wall")])).max()
    assert np.abs(surfaces["finger"].triangles[..., :2]).max() > outermost


def test_every_sample_has_its_own_metal():
    held = seat(samples=6)
    assert held.ledge_inner is not None
    ledges = [named(metal(held, sample))["ledge"].triangles for sample in range(7)]
    for sample, ledge in enumerate(ledges):
        assert ledge[0, 0, :2] == pytest.approx(held.ledge_inner[sample, 0], abs=1e-12)
        rim = named(metal(held, sample))["wall"].triangles[..., 2].max()
        assert rim == pytest.approx(held.top[sample].max(), abs=1e-12)
    assert np.ptp([ledge.mean() for ledge in ledges]) > 1e-4
