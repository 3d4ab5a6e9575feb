"""A stone laid into its seat before anything is opened: what it lies on, and what lets it down.

A stone jammed on a rim that leans inward, or on claw tips, is at rest too; but that is not seated.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.fitting.contact import highest
from fitsolver.fitting.seated import Seated, direction_deg
from fitsolver.fitting.zone import gaps
from fitsolver.seats.metal import Surface

Array = NDArray[np.float64]

# What is less is not told from resting in its seat [mm].
_LEAST_MM = 0.01


class Unopened(Struct, frozen=True, kw_only=True):
    """A stone as it lies before setting.

    `lies_on` the metal that stops it and `lies_z_mm` the height of its girdle's middle there;
    `still_down_mm` how far it must still go; `opening_mm` how far each side must be opened there
    for the girdle to pass, tightest at `opening_deg`; `gives_mm` what ordinary setting opens;
    `jammed` where that is too little, so that it stays on the rim or on the claws.
    """

    lies_on: str
    lies_z_mm: float
    still_down_mm: float
    opening_mm: float
    opening_deg: float | None
    gives_mm: float
    jammed: bool


def unopened(at: Seated, gives_mm: float) -> Unopened:
    """Lay the stone into the seat as it is; `gives_mm` is what ordinary setting opens a side."""
    overlap, where = _tightest(at)
    movable = _movable(at)
    # The girdle is the stone seen from above: what it passes, all of the stone passes. Else, the
    # stone being at its rest already, only what comes above that stops it sooner.
    down = -np.inf if overlap >= 0 else highest(at.bodies, movable.triangles, _LEAST_MM)[0]
    if down == -np.inf:
        return Unopened(
            lies_on="", lies_z_mm=at.z_mm, still_down_mm=0.0, opening_mm=0.0, opening_deg=None,
            gives_mm=gives_mm, jammed=False,
        )  # fmt: skip
    needed = max(0.0, -overlap)
    return Unopened(
        lies_on=movable.name,
        lies_z_mm=at.z_mm + down,
        still_down_mm=down,
        opening_mm=needed,
        opening_deg=float(direction_deg(where)) if needed > 0 else None,
        gives_mm=gives_mm,
        jammed=needed > gives_mm,
    )


def _notch(at: Seated) -> Array:
    """How much further in than its notch a cut claw stands above it, (n, 1) [mm]."""
    if at.seats.notch is None:
        return np.zeros((len(at.seats.claw), 1))
    return np.broadcast_to(at.seats.notch[0], at.seats.claw.shape)[:, None]


def _movable(at: Seated) -> Surface:
    """Rim or claw tips with the faces below them, as they stand unopened.

    Above its notch a cut claw stands further in, by the depth of the notch.
    """
    seats = at.seats
    notch = _notch(at) * seats.outward
    top = seats.top[0]
    foot = np.zeros_like(top) if seats.mouth is None else np.minimum(seats.mouth[0], top)
    rows = []
    for z in (foot, top):
        plan = at.face_at(z) - notch
        rows.append(np.column_stack([plan, z]))
    first, last = at.runs
    low, high = rows
    triangles = np.concatenate(
        [
            np.stack([low[first], low[last], high[last]], axis=1),
            np.stack([low[first], high[last], high[first]], axis=1),
        ]
    )
    return Surface(name="claw tips" if at.claws else "rim", role="movable", triangles=triangles)


def _tightest(at: Seated) -> tuple[float, Array]:
    """Least gap of the girdle on its way from the top down to its rest, and where.

    Faces are straight: it is at the top or at the girdle.
    """
    first, last = at.runs
    top = at.seats.top[0]
    notch = _notch(at) * at.seats.outward
    best, where = np.inf, np.zeros(2)
    for part in (0.0, 1.0):
        z = at.level_mm + part * np.maximum(top - at.level_mm, 0.0)
        face = at.face_at(z)
        if part > 0:
            face = face - notch
        gap, place = gaps(at, face[first], face[last])
        k = int(np.round(gap, 6).argmin())
        if gap[k] < best:
            best, where = float(gap[k]), place[k]
    return best, where
