"""What traced points say about an opening: a row of evidence for each, and what they share.

A trace lies in its own frame: shifted, perhaps turned a little, and scaled by a doubtful factor.
These four are parameters like the seat's own, so that only what shift, turn and scale cannot
explain speaks about the outline.

Points on one worn edge are not independent. Of the variance of a point, half is its own (hand and
eye), a quarter it shares with its neighbours, fading along the edge with a length of 1 mm (the
same blur, the same worn bit), and a quarter with all of them (an eye that takes a rounded edge too
far in does so all round). So however many points are clicked, the doubt of a wave or of the size
never falls below a part of one point's. No publication divides it: common practice.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from fitsolver.seats.parameter import Columns, Waves
from fitsolver.seats.trace import Trace
from fitsolver.stones import outline

Array = NDArray[np.float64]
RadiusAt = Callable[[Array], tuple[Array, Array]]
"""Radius of the opening along directions (n,) and its slope by every parameter (n, d)."""
Reach = Callable[[Array], Array]
"""Radius alone along directions (n,)."""

OWN_PART, NEAR_PART, COMMON_PART = 0.5, 0.25, 0.25
NEAR_MM = 1.0
# The trace's middle may lie this far from the figure's, beside how a lopsided one is drawn [mm].
SHIFT_U_MM = 1.0
# A photograph turned so that the length lies along x, by eye; common practice [deg].
LAID_BY_EYE_DEG = 5.0
READ_TURN_DEG = 2.0
# Waves told apart in a traced opening, all round.
TRACED_WAVES = tuple(range(2, 17))
FRAME = ("trace_x_mm", "trace_y_mm", "trace_turn_deg", "trace_scale_pct")
# How far the irregularity of an opening may be from what is usual for its make: this factor
# either way, one standard deviation of its logarithm; common practice.
USUAL_WITHIN = 3.0
LEAST_TAU_MM, MOST_TAU_MM = 0.002, 3.0


def frame_priors(trace: Trace, figure: Array) -> list[tuple[str, float, float]]:
    """Shift, turn and scale of a trace before its points are looked at: name, value, u.

    `figure` (k, 2) [mm] is the family's own, about its origin; the centres of area are laid over
    one another to begin with.
    """
    x, y = outline.centroid(trace.curve) - outline.centroid(figure)
    turn = LAID_BY_EYE_DEG if trace.turn_deg is None else READ_TURN_DEG
    values = (float(x), SHIFT_U_MM), (float(y), SHIFT_U_MM), (0.0, turn), (0.0, trace.scale_u_pct)
    return [(name, *value) for name, value in zip(FRAME, values, strict=True)]


def frame_slopes(frame: Array, directions: Array, radius: Array) -> Array:
    """How far the waves turn with the trace, (n, 4) [rad per mm, deg and per cent].

    The waves go with the trace when it is shifted or turned against the figure: their prior says
    nothing about where they begin. Held to the figure instead, a small turn by e would seem to
    raise every wave by (k e)^2, and steep waves to tell the turn to a fraction of what they do.
    """
    back = _back(frame)
    across = np.column_stack([-np.sin(directions), np.cos(directions)])
    slopes = np.zeros((len(directions), len(FRAME)))
    slopes[:, :2] = across @ back / radius[:, None]
    slopes[:, 2] = np.deg2rad(1)
    return slopes


def _back(frame: Array) -> Array:
    """From the trace's frame to the seat's (2, 2)."""
    _, _, turn, scale = frame
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    back: Array = np.array([[c, s], [-s, c]]) / (1 + scale / 100)
    return back


def point_rows(
    trace: Trace, here: Array, at: Columns, radius_at: RadiusAt, reach_of: Reach,
    figure_of: Reach,
) -> tuple[Array, Array, Array]:  # fmt: skip
    """Linearise every point: rows (m, d), values (m,) and noise (m, m) [mm].

    `radius_at` and `reach_of` are of the opening, `figure_of` of its figure without waves. Moved
    back into the
    seat's frame a point lies at reach q along a direction; that q equals the opening's radius
    there is the equation. A point off by e along the normal n of the edge is off by e / (n . u)
    along its ray u, with n / (n . u) = u - (r' / r) u' as for radii. A shift and a turn move the
    point against the figure alone, as the waves go with it.
    """
    frame = here[[at[name] for name in FRAME]]
    back = _back(frame)
    seen = (trace.places - frame[:2]) @ back.T
    angle, reach = np.arctan2(seen[:, 1], seen[:, 0]), np.hypot(*seen.T)
    there, slopes = radius_at(angle)
    ray = seen / reach[:, None]
    across = np.column_stack([-ray[:, 1], ray[:, 0]])
    bend, bend_of_figure = (_bend(of, angle, reach)[:, None] for of in (reach_of, figure_of))
    normal = ray - bend_of_figure * across
    rows = slopes.copy()
    rows[:, [at["trace_x_mm"], at["trace_y_mm"]]] = normal @ back
    rows[:, at["trace_turn_deg"]] = -bend_of_figure[:, 0] * reach * np.deg2rad(1)
    rows[:, at["trace_scale_pct"]] = reach / (100 + frame[3])
    values = rows @ here - (there - reach)
    return rows, values, _noise(trace, np.hypot(1.0, bend[:, 0]))


def _bend(radius_of: Reach, angle: Array, reach: Array) -> Array:
    """Slope of the radius by the direction, over the reach (m,)."""
    step = 1e-4
    before, after = np.split(radius_of(np.concatenate([angle - step, angle + step])), 2)
    bend: Array = (after - before) / (2 * step) / reach
    return bend


def _noise(trace: Trace, slant: Array) -> Array:
    """Covariance of the points along their rays (m, m) [mm2]."""
    u = trace.point_u_mm
    own = np.maximum(OWN_PART * u**2, trace.residual_u_mm**2) / trace.counts
    apart = np.abs(trace.along_mm[:, None] - trace.along_mm)
    apart = np.minimum(apart, trace.perimeter_mm - apart)
    # The exponential of the way round a closed line is a covariance whatever its length.
    shared = NEAR_PART * np.exp(-apart / NEAR_MM) + COMMON_PART
    noise: Array = (np.diag(own) + u**2 * shared) * np.outer(slant, slant)
    return noise


def learned_tau_mm(
    rows: Array, off: Array, noise: Array, spread: Array, waves: Waves, usual_mm: float
) -> float:
    """How irregular the points show the opening to be: the most plausible tau [mm].

    The likelihood of the points with everything else integrated out, times a prior about what is
    usual for the make. `rows` (m, d), `off` (m,) values less what the priors predict, `spread`
    (d,) of the priors, `waves` those of the opening.
    """
    columns, number = waves.columns, waves.number
    others = np.setdiff1d(np.arange(rows.shape[1]), columns)
    rest = (rows[:, others] * spread[others] ** 2) @ rows[:, others].T + noise
    lower = np.linalg.cholesky(rest)
    wave = np.linalg.solve(lower, rows[:, columns] / number)
    # Of the wave's rows only as many directions as there are waves carry anything.
    turned, size, _ = np.linalg.svd(wave, full_matrices=False)
    seen = turned.T @ np.linalg.solve(lower, off)
    tau = np.geomspace(LEAST_TAU_MM, MOST_TAU_MM, 150)
    variance = 1 + (tau[:, None] * size) ** 2
    plausible = -0.5 * (np.log(variance) + seen**2 / variance).sum(axis=1)
    usual = max(usual_mm, LEAST_TAU_MM)
    plausible -= 0.5 * (np.log(tau / usual) / np.log(USUAL_WITHIN)) ** 2
    return float(tau[plausible.argmax()])
