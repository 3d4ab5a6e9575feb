"""Where a stone centres: the shift in the plane that makes the least of its clearances widest."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Softness of the minimum, from first guess to a micrometre on a stone 6 mm wide [its widths].
SOFTNESS = (0.016, 0.0065, 0.0025, 0.001, 0.0004, 0.00016)


def widest_least(slack: Array, normal: Array) -> Array:
    """Shift (2, s) that makes the least of the slacks widest, where each is slack - normal . shift.

    `slack` (s, k) in widths of the stone, `normal` (2, s, k). Newton steps on the soft minimum
    -tau log sum exp(-slack / tau), tau falling through `SOFTNESS`; the minimum found is below the
    true one by at most tau log k.
    """
    shift = np.zeros((2, len(slack), 1), dtype=slack.dtype)
    x, y = normal
    for tau in SOFTNESS:
        now = slack - shift[0] * x - shift[1] * y
        weight = np.exp((now.min(axis=1, keepdims=True) - now) / tau)
        weight /= weight.sum(axis=1, keepdims=True)
        wx, wy = weight * x, weight * y
        mx, my = wx.sum(axis=1), wy.sum(axis=1)
        # A little stiffness keeps the step finite where all active normals agree.
        xx = np.einsum("sk,sk->s", wx, x) - mx**2 + 0.02
        yy = np.einsum("sk,sk->s", wy, y) - my**2 + 0.02
        xy = np.einsum("sk,sk->s", wx, y) - mx * my
        det = xx * yy - xy**2
        step = -tau / det * np.stack([yy * mx - xy * my, xx * my - xy * mx])
        size = np.hypot(*step)
        shift += (step * np.minimum(1.0, 4 * tau / np.maximum(size, 1e-12)))[..., None]
    found: Array = shift[..., 0]
    return found
