"""Angles as readings: what was read, how often, and how sure it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt
from statistics import fmean

from msgspec import Struct

ANGLE_U_DEG = 2.0
"""Standard uncertainty of an angle read by protractor or eye [deg]; common practice."""
TOOLS_U_DEG: Mapping[str, float] = {
    "eye": ANGLE_U_DEG,
    "protractor": ANGLE_U_DEG,
    "microscope": 0.5,
}
"""The same by instrument [deg]; common practice."""
# Part of an angle's doubt (as variance) that a repeat brings again, as with lengths: half.
SHARED_PART = 0.5


class Angle(Struct, frozen=True, kw_only=True):
    """An angle that was read [deg], and its standard uncertainty."""

    value_deg: float
    u_deg: float = ANGLE_U_DEG
    repeats: int = 1
    note: str = ""


def angle(
    read_deg: Sequence[float],
    *,
    half_width_deg: float | None = None,
    tool: str = "protractor",
    note: str = "",
) -> Angle:
    """Return the mean of the repeats of an angle.

    A stated half-width h stands for the instrument: u = h / sqrt(3), all values within it being
    alike (JCGM 100:2008, 4.3.7). Of n repeats u^2 (1 / 2 + 1 / 2 n) is left.

    >>> angle([4, 6]).value_deg, round(angle([4, 6]).u_deg, 2)
    (5.0, 1.73)
    """
    u = TOOLS_U_DEG[tool] if half_width_deg is None else half_width_deg / sqrt(3)
    left = SHARED_PART + (1 - SHARED_PART) / len(read_deg)
    return Angle(value_deg=fmean(read_deg), u_deg=u * sqrt(left), repeats=len(read_deg), note=note)
