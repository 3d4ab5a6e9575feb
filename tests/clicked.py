"""Edges of known outline, clicked at as a person would: for tests of traced openings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from simulated import figure, mounting, wave

from fitsolver.seats import trace_evidence
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.usual_seat import SHAPE_SPREAD_PCT
from fitsolver.stones import outline

Array = NDArray[np.float64]

WALL = {
    "holds": '"wall"',
    "state": '"cut"',
    "back": '"open"',
    "opening_family": '"oval"',
    "opening_level": '"girdle"',
    "ledge_width_mm": 0.4,
    "depth_below_ledge_mm": 3.1,
}


def on_edge(polygon: Array, count: int, first: float = 0.37) -> Array:
    """Points evenly along a closed edge (count, 2)."""
    ring = shapely.LinearRing(polygon)
    way = (np.arange(count) + first) / count % 1 * ring.length
    return shapely.get_coordinates(shapely.line_interpolate_point(ring, way))


def oval_points(count: int = 40, *, noise_mm: float = 0.0, seed: int = 7) -> Array:
    """Points on a lopsided oval of about 8.4 by 6.5 mm, off the origin."""
    t = np.arange(720) * np.pi / 360
    reach = 1 / np.hypot(np.cos(t) / 4.2, np.sin(t) / 3.25)
    reach = reach + 0.12 * np.cos(3 * t + 0.6) + 0.05 * np.cos(5 * t + 1)
    edge = reach[:, None] * np.column_stack([np.cos(t), np.sin(t)])
    off = np.random.default_rng(seed).normal(0, noise_mm, (count, 2)) if noise_mm else 0.0
    return on_edge(edge, count) + off + (7.0, 5.0)


def traced(points: Sequence[Sequence[float]] | Array, **changes: object) -> Mounting:
    """Build a mounting whose opening is given by points."""
    listed = np.asarray(points, dtype=np.float64).tolist()
    return mounting(**{**WALL, "opening_points_mm": listed, **changes})


@dataclass(frozen=True, kw_only=True)
class Clicked:
    """A true opening by its parameters, and the mounting that was traced from it."""

    mounting: Mounting
    parameters: dict[str, float]
    family: str


def clicked(
    chance: np.random.Generator, family: str, *, count: int, u_mm: float, tau_mm: float
) -> Clicked:
    """Draw an opening and click round it, with errors as stated: own, near, common and of scale."""
    true = {}
    for name, usual in outline.family(family).shape.items():
        true[f"opening_{name}"] = max(0.0, usual + SHAPE_SPREAD_PCT[name] * chance.normal())
    width = chance.uniform(4.5, 8)
    true["opening_width_mm"] = width
    true["opening_length_mm"] = width * (1 if family == "round" else chance.uniform(1.15, 1.5))
    for k in trace_evidence.TRACED_WAVES:
        for part in ("cos", "sin"):
            true[f"opening_{part}_{k}"] = chance.normal(0, tau_mm / k)
    fine = np.arange(1440) * np.pi / 720
    edge = outline_of(true, family, fine)[:, None] * np.column_stack([np.cos(fine), np.sin(fine)])
    ring = shapely.LinearRing(edge)
    way = np.sort((np.arange(count) + chance.uniform(-0.3, 0.3, count)) / count % 1) * ring.length
    points = shapely.get_coordinates(shapely.line_interpolate_point(ring, way))
    ahead = shapely.get_coordinates(
        shapely.line_interpolate_point(ring, (way + 0.02) % ring.length)
    )
    along = (ahead - points) / np.linalg.norm(ahead - points, axis=1)[:, None]
    outward = np.column_stack([along[:, 1], -along[:, 0]])
    apart = np.abs(way[:, None] - way)
    apart = np.minimum(apart, ring.length - apart)
    shared = trace_evidence.NEAR_PART * np.exp(-apart / trace_evidence.NEAR_MM)
    shared += trace_evidence.COMMON_PART + trace_evidence.OWN_PART * np.eye(count)
    across = u_mm * np.linalg.cholesky(shared) @ chance.normal(size=count)
    slip = u_mm * chance.normal(size=count)
    points = points + across[:, None] * outward + slip[:, None] * along
    turn = np.deg2rad(chance.normal(0, trace_evidence.READ_TURN_DEG))
    c, s = np.cos(turn), np.sin(turn)
    points = (1 + chance.normal(0, 0.005)) * points @ np.array([[c, s], [-s, c]])
    points = points + chance.uniform(3, 9, 2)
    seen = traced(
        points, opening_family=f'"{family}"', opening_points_u_mm=u_mm,
        opening_points_scale_u_pct=0.5, opening_points_turn_deg=0,
    )  # fmt: skip
    return Clicked(mounting=seen, parameters=true, family=family)


def outline_of(true: dict[str, float], family: str, directions: Array) -> Array:
    """Radius of the true opening along directions [mm]."""
    from simulated import polar

    radius: Array = polar(figure(true, family), directions) + wave(true, "opening", directions)
    return radius
