"""Calibrated sizes: the lengths and widths in which the trade sells stones ready cut."""

from __future__ import annotations

from collections.abc import Mapping

# Trade size tables (the same in several dealers' charts); hexagons and other rare outlines are
# not sold calibrated.
_ROUND = tuple((d, d) for d in (*(1 + 0.25 * k for k in range(9)),
                                *(3.5 + 0.5 * k for k in range(10)), 9.0, 10.0))  # fmt: skip
_OVAL = ((5, 3), (6, 4), (7, 5), (8, 6), (9, 7), (10, 8), (11, 9), (12, 10))
_PEAR = (*_OVAL, (8, 5), (9, 6), (10, 7))
_MARQUISE = ((4, 2), (5, 2.5), (6, 3), (7, 3.5), (8, 4), (10, 5), (12, 6))
_BY_MM = tuple((float(d), float(d)) for d in range(3, 13))

SIZES_MM: Mapping[str, tuple[tuple[float, float], ...]] = {
    "round": _ROUND,
    "oval": _OVAL,
    "octagon": (*_OVAL, *_BY_MM),
    "rectangle": _OVAL,
    "square": _BY_MM,
    "cushion": (*_BY_MM, *_OVAL),
    "pear": _PEAR,
    "marquise": _MARQUISE,
    "triangle": _BY_MM,
    "heart": _BY_MM,
}


def near(
    family: str, length_mm: float, width_mm: float, within_mm: float
) -> tuple[tuple[float, float], ...]:
    """Return the calibrated sizes of an outline family within a distance of a size [mm]."""
    return tuple(
        (float(length), float(width))
        for length, width in SIZES_MM.get(family, ())
        if abs(length - length_mm) <= within_mm and abs(width - width_mm) <= within_mm
    )
