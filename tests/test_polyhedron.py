"""Convex polyhedra from half-spaces: the solids every school book knows."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from fitsolver.stones.polyhedron import cut_prism, with_image

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
# A prism that each of the solids fits into, so that nothing of it is left.
SQUARE = 4.0 * np.array([[1.0, 1], [-1, 1], [-1, -1], [1, -1]])


def polyhedron_of(normals, offsets):
    return cut_prism(SQUARE, -4.0, 4.0, normals, offsets)


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
    solid = polyhedron_of(normals, np.linalg.norm(normals, axis=1))
    assert solid.volume == pytest.approx(volume, rel=1e-12)
    assert len(solid.vertices) == vertices
    # Euler: a closed surface of triangles has twice as many as vertices, less four.
    assert len(solid.triangles) == 2 * vertices - 4


def test_triangles_face_outward():
    solid = polyhedron_of(DODECAHEDRON, np.ones(12))
    a, b, c = (solid.vertices[solid.triangles[:, k]] for k in range(3))
    outward = np.einsum("ij,ij->i", np.cross(b - a, c - a), (a + b + c) / 3)
    assert outward.min() > 0
    assert outward.sum() / 6 == pytest.approx(solid.volume, rel=1e-12)


def test_the_length_of_a_normal_does_not_matter():
    longer = np.array([2.0, 0.5, 7.0, 1.0, 1.0, 3.0])
    solid = polyhedron_of(AXES * longer[:, None], longer)
    assert solid.volume == pytest.approx(8.0, rel=1e-12)


def test_planes_that_only_touch_change_nothing():
    touching = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 1.0], [0.0, 0.0, 1.0]])
    reach = np.array([2.0, 3.0, 5.0])  # through an edge, through a vertex, and clear of it
    solid = polyhedron_of(np.vstack([AXES, touching]), np.append(np.ones(6), reach))
    assert solid.volume == pytest.approx(8.0, rel=1e-12)
    assert len(solid.vertices) == 8


def test_the_prism_alone_is_a_solid():
    solid = cut_prism(SQUARE / 4, 0.0, 3.0, np.zeros((0, 3)), np.zeros(0))
    assert solid.volume == pytest.approx(12.0, rel=1e-12)
    assert len(solid.vertices) == 8
    assert len(solid.triangles) == 12


def test_a_plane_along_a_side_of_the_prism_changes_nothing():
    solid = cut_prism(SQUARE / 4, -1.0, 1.0, AXES, np.ones(6))
    assert solid.volume == pytest.approx(8.0, rel=1e-12)
    assert len(solid.vertices) == 8


def test_planes_through_one_point_share_a_vertex():
    """A pyramid of 64 sides, each plane off its tip by the rounding of its own numbers."""
    angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    sides = np.column_stack([np.cos(angle), np.sin(angle), np.full(64, 0.7)])
    solid = cut_prism(SQUARE, 0.0, 4.0, sides, sides @ np.array([0.1, 0.2, 3.0]))
    assert len(solid.vertices) == 65


def test_half_spaces_that_leave_nothing_are_refused():
    with pytest.raises(ValueError, match="nothing is left"):
        cut_prism(SQUARE, -1.0, 1.0, np.array([[0.3, 0.2, 1.0]]), np.array([-9.0]))


def test_a_half_is_joined_to_its_image_without_the_face_between():
    """A wedge on a half square: together the pyramid on the square, one closed body."""
    half_pyramid = np.array([[1.0, 0, 1], [-1, 0, 1], [0, 1, 1], [0, 0, -1], [0, -1, 0]])
    half = polyhedron_of(half_pyramid, np.array([1.0, 1, 1, 0, 0]))
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
