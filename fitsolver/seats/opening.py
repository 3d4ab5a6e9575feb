"""The opening's figure at given parameters: its radius along any directions, and how it answers.

Lengths in mm, directions in radians, origin in the figure's own middle.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fitsolver.seats.parameter import FACE, Columns
from fitsolver.seats.trace_evidence import FRAME, frame_slopes
from fitsolver.stones import outline

Array = NDArray[np.float64]

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
    """An opening of a family; `at` tells the columns of its parameters.

    Every method takes the parameters `here` (d,) to look at it with.
    """

    def __init__(
        self, figure: outline.Family, at: Columns, *, waves: bool = True, faces: bool = True
    ) -> None:
        """Find the opening's own parameters among all, with or without waves and claw faces."""
        self.family, self.at = figure.name, at
        self.size = [at["opening_length_mm"], at["opening_width_mm"]]
        self.shape = {name: at[f"opening_{name}"] for name in figure.shape}
        self.waves = at.waves("opening" if waves else "")
        self.faces = at.claws(FACE) if faces else []

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

    def reach(self, here: Array, directions: Array) -> Array:
        """Radius with its waves (n,) [mm]."""
        radius = self.plain(here, _rays(directions))
        if len(self.waves.columns):
            radius = radius + self.waves.at(directions) @ here[self.waves.columns]
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
        waves = self.waves.columns
        slopes[:, waves] = self.waves.at(directions)
        slopes[np.arange(len(self.faces)), self.faces] = 1.0
        # The waves and claw faces are at zero in the figure; add what they have become.
        added = [*waves, *self.faces]
        whole = radius + slopes[:, added] @ here[added]
        if FRAME[0] in at:
            frame = [at[name] for name in FRAME]
            rise = self.waves.rise(directions) @ here[waves]
            slopes[:, frame] = rise[:, None] * frame_slopes(here[frame], directions, whole)
        return whole, slopes


def _rays(directions: Array) -> Array:
    return np.column_stack([np.cos(directions), np.sin(directions)])
