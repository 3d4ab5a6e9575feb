"""Waves round a seat: which are told apart, how high they may be, and what they add where.

A field (ledge width, ledge height, wall height, lean) strays round the seat by a sum of waves, the
k-th going k times round with a standard deviation of spread / k. Where a field was read direction
by direction it may stray as far as those readings do among themselves, and in as many waves as
they can tell apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.seats.mounting import Mounting
from fitsolver.seats.parameter import Columns, Parameter
from fitsolver.seats.trace_evidence import TRACED_WAVES
from fitsolver.seats.usual_seat import LEAN_SPREAD_DEG, WAVES

Array = NDArray[np.float64]

# No more waves are told apart than this, however many directions were read.
MOST = 12


class Field(Struct, frozen=True, kw_only=True):
    """How a field may stray: `numbers` times round, the k-th with a spread of `spread` / k."""

    numbers: Sequence[int]
    spread: float

    @property
    def variance(self) -> float:
        """Variance at any one place: cosine and sine of a wave have (spread / k)^2 together."""
        return sum((self.spread / k) ** 2 for k in self.numbers)


def places(mounting: Mounting, name: str) -> list[tuple[float, float]]:
    """Direction [deg] and value of every reading of a scalar that was taken by direction.

    `name` is the scalar's own key (`ledge_width_mm`, `wall_lean_deg`), or `ledge_height_mm`.
    """
    if name == "wall_lean_deg":
        return list(mounting.wall_leans_deg)
    listed = getattr(mounting, name.removesuffix("_mm") + "s_mm", ())
    return [(at_deg, reading.value_mm) for at_deg, reading in listed]


def directions_read(mounting: Mounting) -> list[float]:
    """Directions [deg] in which ledge or wall were read."""
    names = ("ledge_width_mm", "ledge_height_mm", "wall_height_mm", "wall_lean_deg")
    return sorted({at_deg for name in names for at_deg, _ in places(mounting, name)})


def fields(mounting: Mounting, tau: float) -> dict[str, Field]:
    """Which fields of a seat stray, by name without unit, for an irregularity `tau` [mm].

    Claws have none but a traced edge: each stands where it stands. The lean's spread is in degrees.
    """
    traced = {}
    if mounting.opening_points is not None:
        traced["opening"] = Field(numbers=TRACED_WAVES, spread=tau)
    if mounting.holds == "claws":
        return traced
    cut = mounting.state == "cut"
    found: dict[str, Field] = {}
    for name, usual in WAVES.items():
        if not cut and name not in ("opening", "wall_height"):
            continue
        values = [value for _, value in places(mounting, f"{name}_mm")]
        if values and name != "opening":
            found[name] = Field(
                numbers=_told_apart(len(values), usual[-1]), spread=max(tau, float(np.std(values)))
            )
        else:
            found[name] = Field(numbers=usual, spread=tau)
    leans = [lean for _, lean in mounting.wall_leans_deg]
    if leans:
        spread = max(LEAN_SPREAD_DEG, float(np.std(leans)))
        found["wall_lean"] = Field(numbers=_told_apart(len(leans), 2), spread=spread)
    return found | traced


def _told_apart(count: int, least: int) -> range:
    return range(1, min(max(least, -(-count // 2)), MOST) + 1)


def parameters(field: str, numbers: Iterable[int]) -> list[Parameter]:
    """Parameters of a field's waves, cosine before sine."""
    return [Parameter(field, None, k, sine) for k in numbers for sine in (False, True)]


def rows(at: Columns, field: str, directions: Array) -> Array:
    """What a unit of every parameter adds to a field at directions [rad]: (n, d)."""
    found = np.zeros((len(directions), len(at)))
    waves = at.waves(field)
    found[:, waves.columns] = waves.at(directions)
    return found
