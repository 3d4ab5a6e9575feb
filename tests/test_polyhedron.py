"""Convex polyhedra from half-spaces: the solids every school book knows."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from fitsolver.stones.polyhedron import polyhedron_of, with_image

AXES = np.vstack([np.eye(3), -np.eye(3)])
CORNERS = np.array(list(itertools.product([1.0, -1.0], repeat=3)))
TETRAHEDRON = np.array([[1.0, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
GOLDEN = (1 + np.sqrt(5)) / 2
DODECAHEDRON = np.array(
    [
        np.roll([0.0, a, b * GOLDEN], shift)
        for a, b in itertools.product([1, -1], repeat=2)
        for shift in range(3)
    ]
)
CENTRE = np.zeros(3)


# Volume for faces at distance 1 from the centre (insphere of radius 1), and the vertex count.
@pytest.mark.parametrize(
    ("normals", "volume", "vertices"),
    [
        (AXES, 8.0, 8),
        (CORNERS, 4 * np.sqrt(3), 6),
        (TETRAHEDRON, 8 * np.sqrt(3), 4),
        (DODECAHEDRON, 10 * np.sqrt(130 - 58 * np.sqrt(5)), 20),
    ],
    ids=["cube", "octahedron", "tetrahedron", "dodecahedron"],
)
def test_regular_solids_have_their_volume_and_vertices(normals, volume, vertices):
    solid = polyhedron_of(normals, np.linalg.norm(normals, axis=1), CENTRE)
    assert solid.volume == pytest.approx(volume, rel=1e-12)
    assert len(solid.vertices) == vertices
    # Euler: a closed surface of triangles has twice as many as vertices, less four.
    assert len(solid.triangles) == 2 * vertices - 4


def test_triangles_face_outward():
    solid = polyhedron_of(DODECAHEDRON, np.ones(12), CENTRE)
    a, b, c = (solid.vertices[solid.triangles[:, k]] for k in range(3))
    outward = np.einsum("ij,ij->i", np.cross(b - a, c - a), (a + b + c) / 3)
    assert outward.min() > 0
    assert outward.sum() / 6 == pytest.approx(solid.volume, rel=1e-12)


def test_the_length_of_a_normal_does_not_matter():
    longer = np.array([2.0, 0.5, 7.0, 1.0, 1.0, 3.0])
    solid = polyhedron_of(AXES * longer[:, None], longer, CENTRE)
    assert solid.volume == pytest.approx(8.0, rel=1e-12)


def test_planes_that_only_touch_change_nothing():
    touching = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 1.0], [0.0, 0.0, 1.0]])
    reach = np.array([2.0, 3.0, 5.0])  # through an edge, through a vertex, and clear of it
    solid = polyhedron_of(np.vstack([AXES, touching]), np.append(np.ones(6), reach), CENTRE)
    assert solid.volume == pytest.approx(8.0, rel=1e-12)
    assert len(solid.vertices) == 8


def test_the_point_inside_may_lie_anywhere_inside():
    solid = polyhedron_of(AXES, np.ones(6), np.array([0.9, -0.9, 0.99]))
    # 1e-9: close to a plane the dual point is far out and digits are lost.
    assert solid.volume == pytest.approx(8.0, rel=1e-9)


@pytest.mark.parametrize("inside", [[1.0, 0.0, 0.0], [0.0, 0.0, -1.5]])
def test_a_point_that_is_not_strictly_inside_is_refused(inside):
    with pytest.raises(ValueError, match="not inside"):
        polyhedron_of(AXES, np.ones(6), np.array(inside))


def test_a_half_is_joined_to_its_image_without_the_face_between():
    """A wedge on a half square: together the pyramid on the square, one closed body."""
    half_pyramid = np.array([[1.0, 0, 1], [-1, 0, 1], [0, 1, 1], [0, 0, -1], [0, -1, 0]])
    half = polyhedron_of(half_pyramid, np.array([1.0, 1, 1, 0, 0]), np.array([0.0, 0.3, 0.3]))
    both = with_image(half)
    # V = base x height / 3.
    assert both.volume == pytest.approx(4 / 3, rel=1e-12)
    # Base, tip, and the ends of the face between, which now lie on sides of the base.
    assert len(both.vertices) == 7
    a, b, c = (both.vertices[both.triangles[:, k]] for k in range(3))
    outward = np.cross(b - a, c - a)
    assert np.einsum("ij,ij->i", outward, a).sum() / 6 == pytest.approx(both.volume, rel=1e-12)
    # Nothing is left of the face in y = 0, and every edge has a triangle on either side.
    assert np.abs(both.vertices[both.triangles][..., 1]).max(axis=1).min() > 0.5
    edges = both.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    assert {tuple(edge) for edge in edges} == {tuple(edge) for edge in edges[:, ::-1]}
