"""A stone in millimetres: one half-space for every facet.

The origin is the family's centre on the girdle's middle plane, +z to the table, +x along the
length.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.errors import OutOfRange
from fitsolver.stones import outline
from fitsolver.stones.form import Facets, Form
from fitsolver.stones.polyhedron import Polyhedron, cut_prism, with_image

Array = NDArray[np.float64]


class Stone(Struct, frozen=True, kw_only=True, dict=True):
    """A form with its four sizes: width, crown height, girdle thickness and pavilion depth [mm].

    The girdle thickness is where the main facets meet it (its thickest places in a brilliant).
    """

    form: Form
    width_mm: float
    crown_height_mm: float
    girdle_mm: float
    pavilion_depth_mm: float

    def __post_init__(self) -> None:
        """Refuse sizes that make no stone."""
        for name, low in (
            ("width_mm", 1e-3),
            ("crown_height_mm", 0.0),
            ("girdle_mm", 0.0),
            ("pavilion_depth_mm", 0.0),
        ):
            value = getattr(self, name)
            if not low <= value <= 200:
                raise OutOfRange(name, value, low, 200)
        if self.depth_mm <= 0:
            raise OutOfRange("depth_mm", self.depth_mm, 1e-3, 200)

    @property
    def length_mm(self) -> float:
        """Length: width x the form's ratio [mm]."""
        return self.width_mm * self.form.length_ratio

    @property
    def depth_mm(self) -> float:
        """Total depth: crown + girdle + pavilion [mm]."""
        return self.crown_height_mm + self.girdle_mm + self.pavilion_depth_mm

    @property
    def table_z_mm(self) -> float:
        """Height of the table (or top) above the girdle's middle plane [mm]."""
        return self.girdle_mm / 2 + self.crown_height_mm

    @property
    def culet_z_mm(self) -> float:
        """Height of the culet or keel: negative [mm]."""
        return -self.girdle_mm / 2 - self.pavilion_depth_mm

    @cached_property
    def half_spaces(self) -> tuple[Array, Array, tuple[str, ...]]:
        """Unit normals (k, 3), offsets (k,) [mm] and names of all facets: n . x <= d.

        Of a heart, those of its half at y >= 0, the cut along y = 0 ("mirror") included.
        """
        points = self.body_mm
        edge = np.roll(points, -1, axis=0) - points
        sides = np.column_stack([edge[:, 1], -edge[:, 0], np.zeros(len(edge))])
        normals = [sides, np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])]
        offsets = [
            np.einsum("ij,ij->i", sides[:, :2], points),
            np.array([self.table_z_mm, -self.culet_z_mm]),
        ]
        names = ["girdle"] * len(edge) + ["table", "culet"]
        if self.form.mirrored:
            names[len(edge) - 1] = "mirror"
        for facets, height, sign in (
            (self.form.crown, self.crown_height_mm, 1.0),
            (self.form.pavilion, self.pavilion_depth_mm, -1.0),
        ):
            if height <= 0:
                continue
            slope = facets.slopes / height
            normals.append(np.column_stack([facets.normals / self.width_mm, sign * slope]))
            offsets.append(facets.offsets + slope * self.girdle_mm / 2)
            names.extend(facets.names)
        normal, offset = np.vstack(normals), np.concatenate(offsets)
        size = np.linalg.norm(normal, axis=1)
        return normal / size[:, None], offset / size, tuple(names)

    @property
    def outline_mm(self) -> Array:
        """Girdle outline as a counter-clockwise polygon, shape (n, 2) [mm]."""
        return self.form.outline * self.width_mm

    @property
    def body_mm(self) -> Array:
        """Outline of the convex body: all of it, or a heart's half at y >= 0, (m, 2) [mm]."""
        return self.form.body * self.width_mm

    @cached_property
    def polyhedron(self) -> Polyhedron:
        """The solid's vertices, triangles and volume [mm, mm3]."""
        normals, offsets, names = self.half_spaces
        facets = np.array([name not in ("girdle", "mirror", "table", "culet") for name in names])
        body = cut_prism(
            self.body_mm, self.culet_z_mm, self.table_z_mm, normals[facets], offsets[facets]
        )
        return with_image(body) if self.form.mirrored else body

    def seen_from(self, side: Literal["above", "below"]) -> Polyhedron:
        """What is seen of the solid from above or below, but for domes; its other side is uncut.

        Much sooner made than the whole, where a drawing needs no more.
        """
        normals, offsets, names = self.half_spaces
        plain = np.array([name not in ("girdle", "mirror", "dome") for name in names])
        facing = normals[:, 2] > 0 if side == "above" else normals[:, 2] < 0
        cut = plain & facing
        body = cut_prism(self.body_mm, self.culet_z_mm, self.table_z_mm, normals[cut], offsets[cut])
        return with_image(body) if self.form.mirrored else body

    @property
    def volume_mm3(self) -> float:
        """Volume of the solid, exact for its half-spaces [mm3]."""
        return self.polyhedron.volume

    def section(self, z_mm: float) -> Array:
        """Cut the solid by the level plane at `z_mm`; return the polygon (n, 2) [mm], maybe empty.

        Exact: the outline polygon clipped by every facet's line at that height.
        """
        if not self.culet_z_mm <= z_mm <= self.table_z_mm:
            return np.zeros((0, 2))
        points = self.body_mm
        for normal, offset in self._facets(self.form.crown, z_mm, self.crown_height_mm, 1.0):
            points = outline.clip(points, normal, offset)
        for normal, offset in self._facets(self.form.pavilion, z_mm, self.pavilion_depth_mm, -1.0):
            points = outline.clip(points, normal, offset)
        return outline.whole(outline.upper_half(points)) if self.form.mirrored else points

    def _facets(self, facets: Facets, z_mm: float, height_mm: float, sign: float) -> Any:
        if height_mm <= 0:
            return
        u = (sign * z_mm - self.girdle_mm / 2) / height_mm
        offsets = (facets.offsets - facets.slopes * u) * self.width_mm
        # Of facets in the same direction, as a dome has by the dozen, only the tightest cuts.
        order = np.argsort(offsets)
        tightest = order[np.unique(facets.normals[order], axis=0, return_index=True)[1]]
        yield from zip(facets.normals[tightest], offsets[tightest], strict=True)

    def lower_surface(self, points: Array) -> Array:
        """Height of the pavilion side over plan points (..., 2) [mm]; +inf outside the outline."""
        down = self.form.pavilion.height(self.form.fold(points) / self.width_mm)
        z: Array = -self.girdle_mm / 2 - self.pavilion_depth_mm * down
        return np.where(self._inside(points), z, np.inf)

    def upper_surface(self, points: Array) -> Array:
        """Height of the crown side over plan points (..., 2) [mm]; -inf outside the outline."""
        up = self.form.crown.height(self.form.fold(points) / self.width_mm)
        z: Array = self.girdle_mm / 2 + self.crown_height_mm * up
        return np.where(self._inside(points), z, -np.inf)

    def _inside(self, points: Array) -> NDArray[np.bool_]:
        beyond = self.form.fold(points) @ self.form.normals.T - self.form.reach * self.width_mm
        inside: NDArray[np.bool_] = beyond.max(axis=-1) <= 1e-12
        return inside

    def mesh(self) -> Any:
        """Return the solid as a watertight `trimesh.Trimesh` [mm]."""
        import trimesh

        return trimesh.Trimesh(
            vertices=self.polyhedron.vertices, faces=self.polyhedron.triangles, process=False
        )

    def girdle_outline(self) -> Any:
        """Return the girdle outline as a `shapely.Polygon` [mm]."""
        import shapely

        return shapely.Polygon(self.outline_mm)
