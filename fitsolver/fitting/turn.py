"""Turns of a stone in its seat that are worth trying."""

from __future__ import annotations

import numpy as np

from fitsolver.fitting.bench import Bench
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form

# Openings and stones less long than this, in widths, may take a stone at an odd turn.
ALIKE_SIDES = 1.15
# Odd turns are looked at so far apart [deg], and so many of the most even ones tried.
TURN_STEP_DEG = 5.0
MOST_ODD_TURNS = 2


def turns(style: CutStyle, length_ratio: float) -> tuple[float, ...]:
    """Turns [rad] worth trying: quarter turns that the outline's symmetry does not make equal."""
    from fitsolver.stones.outline import family

    kind = family(style.family)
    if kind.name == "round" and abs(length_ratio - 1) < 1e-3:
        return (0.0,)
    quarter = (0.0, np.pi / 2) if length_ratio < 1.15 or not kind.half_turn else (0.0,)
    return quarter if kind.half_turn else (*quarter, np.pi, -np.pi / 2)


def about_as_wide(ready: Bench) -> bool:
    """Whether the opening is about as wide as it is long."""
    length, width = ready.belief.mean[:2]
    return bool(1 / ALIKE_SIDES < length / width < ALIKE_SIDES)


def turns_in(ready: Bench, figure: Form) -> tuple[float, ...]:
    """Turns [rad] worth trying in this seat: quarter turns, and the one that follows it best.

    In an opening about as wide as it is long an odd turn may suit claws or irregular metal better:
    over the whole round, every 5 degrees, the outline is held against the metal, and turns at which
    it would touch all round most nearly at once are tried too.
    """
    quarter = turns(figure.style, figure.length_ratio)
    round_stone = len(quarter) == 1 and figure.length_ratio < ALIKE_SIDES
    if round_stone or figure.length_ratio >= ALIKE_SIDES or not about_as_wide(ready):
        return quarter
    angle = np.deg2rad(np.arange(0.0, 360.0, TURN_STEP_DEG))
    c, s = np.cos(angle), np.sin(angle)
    points = ready.best.opening[0]
    points = points - (points.max(axis=0) + points.min(axis=0)) / 2
    x, y = points.T
    turned = np.stack([np.outer(c, x) + np.outer(s, y), np.outer(c, y) - np.outer(s, x)], axis=2)
    metal = figure.fold(turned.reshape(-1, 2))
    touch = (metal @ (figure.normals / figure.reach[:, None]).T).max(axis=1)
    uneven = np.ptp(touch.reshape(len(angle), -1), axis=1)
    # Rounded, so that turns that are equal but for rounding keep their order on every machine.
    uneven = np.round(uneven, 6)
    usual = [round(np.rad2deg(turn) / TURN_STEP_DEG) % len(angle) for turn in quarter]
    # Hollows: claws may stand at an outline's corners as evenly as at its sides.
    hollow = (uneven <= np.roll(uneven, 1)) & (uneven <= np.roll(uneven, -1))
    order = np.flatnonzero(hollow)
    order = order[np.argsort(uneven[order], kind="stable")]
    # Of turns that the quarter turns make alike only one.
    alike = round(
        (quarter[1] - quarter[0] if len(quarter) > 1 else np.pi) / np.deg2rad(TURN_STEP_DEG)
    )
    seen, odd = {k % alike for k in usual}, []
    for k in order.tolist():
        if k % alike not in seen:
            seen.add(k % alike)
            odd.append(float(angle[k]))
    return (*quarter, *odd[:MOST_ODD_TURNS])
