"""The opening's figure at given parameters: its radius along any directions, and how it answers.

Lengths in mm, directions in radians, origin in the figure's own middle.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fitsolver.seats.trace_evidence import FRAME, frame_slopes
from fitsolver.stones import outline

Array = NDArray[np.float64]

OPENING_WAVES = ("opening_cos_", "opening_sin_")
# Steps by which the slopes are taken: lengths [mm], proportions [their own unit].
STEP_MM, STEP_OF_SHAPE = 1e-3, 0.5


@lru_cache(maxsize=64)
def _edges(family: str, length: float, width: float, shape: tuple[tuple[str, float], ...]) -> Array:
    """Normals of the figure's edges over their distances from the middle, (k, 2) [1/mm].

    Kept, as one figure is asked for its radius along several sets of directions.
    """
    points = outline.draw(family, length / width, dict(shape)) * width
    edge = np.concatenate([points[1:], points[:1]]) - points
    normals = np.stack([edge[:, 1], -edge[:, 0]], axis=1)
    edges: Array = normals / np.einsum("ij,ij->i", normals, points)[:, None]
    edges.flags.writeable = False
    return edges


class Opening:
    """An opening of a family; `at` tells the places of its parameters by name.

    Every method takes the parameters `here` (d,) to look at it with.
    """

    def __init__(self, figure: outline.Family, at: Mapping[str, int]) -> None:
        """Find the opening's own parameters among all."""
        self.family, self.at = figure.name, at
        self.size = [at["opening_length_mm"], at["opening_width_mm"]]
        self.shape = {name: at[f"opening_{name}"] for name in figure.shape}
        waves = [name for name in at if name.startswith(OPENING_WAVES)]
        self.waves = [at[name] for name in waves]
        self.number = np.array([int(name.rpartition("_")[2]) for name in waves])
        self.is_cosine = np.array(["_cos_" in name for name in waves], dtype=np.bool_)
        self.faces = {
            int(name.removeprefix("claw_face_")): i
            for name, i in at.items()
            if name.startswith("claw_face_")
        }

    def plain(
        self, here: Array, ray: Array, *, length: float = 0.0, width: float = 0.0, changed: str = ""
    ) -> Array:
        """Radius of the family's own figure (n,) [mm]; sizes added to, one proportion changed."""
        shape = tuple(
            (name, max(float(here[i]), 0.0) + (STEP_OF_SHAPE if name == changed else 0.0))
            for name, i in self.shape.items()
        )
        long, wide = (float(each) for each in here[self.size])
        edges = _edges(self.family, long + length, wide + width, shape)
        radius: Array = 1 / (ray @ edges.T).max(axis=1)
        return radius

    def _waves(self, directions: Array) -> tuple[Array, Array]:
        """Every wave along directions, and how it rises with them, both (n, w)."""
        turns = directions[:, None] * self.number
        cosine, sine = np.cos(turns), np.sin(turns)
        return (
            np.where(self.is_cosine, cosine, sine),
            self.number * np.where(self.is_cosine, -sine, cosine),
        )

    def reach(self, here: Array, directions: Array) -> Array:
        """Radius with its waves (n,) [mm]."""
        radius = self.plain(here, _rays(directions))
        if self.waves:
            radius = radius + self._waves(directions)[0] @ here[self.waves]
        return radius

    def answers(self, here: Array, directions: Array) -> tuple[Array, Array]:
        """Radius (n,) [mm] and its slope by every parameter (n, d), waves and claw faces in it."""
        ray, at = _rays(directions), self.at
        radius = self.plain(here, ray)
        slopes = np.zeros((len(directions), len(here)))
        h = STEP_MM
        slopes[:, at["opening_length_mm"]] = (
            self.plain(here, ray, length=h) - self.plain(here, ray, length=-h)
        ) / (2 * h)
        slopes[:, at["opening_width_mm"]] = (
            self.plain(here, ray, width=h) - self.plain(here, ray, width=-h)
        ) / (2 * h)
        for name in self.shape:
            slopes[:, at[f"opening_{name}"]] = (
                self.plain(here, ray, changed=name) - radius
            ) / STEP_OF_SHAPE
        waves, steep = self._waves(directions)
        slopes[:, self.waves] = waves
        for claw, i in self.faces.items():
            slopes[claw, i] = 1.0
        # The waves and claw faces are at zero in the figure; add what they have become.
        added = [*self.waves, *self.faces.values()]
        whole = radius + slopes[:, added] @ here[added]
        if FRAME[0] in at:
            frame = [at[name] for name in FRAME]
            rise = steep @ here[self.waves]
            slopes[:, frame] = rise[:, None] * frame_slopes(here[frame], directions, whole)
        return whole, slopes


def _rays(directions: Array) -> Array:
    return np.column_stack([np.cos(directions), np.sin(directions)])
