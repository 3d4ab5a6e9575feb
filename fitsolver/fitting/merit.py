"""What speaks for a stone that seats: the parts of its rank, in numbers and in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from fitsolver.fitting.bench import Bench
from fitsolver.fitting.solver import Check
from fitsolver.seats.seat import FACE_POINTS
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.material import Material
from fitsolver.stones.stone import Stone
from fitsolver.text.layout import words

# Altering a mounting is worth avoiding: what it gains counts for less.
ALTERED_COUNTS = 0.7
# Less than this nobody alters [mm].
LEAST_MM = 0.005
# Outlines that share under this part of their area look foreign to each other.
LEAST_ALIKE = 0.7
# Parts that differ by less are equal to the eye; by more than the second, worth a word.
EQUAL, TELLING = 0.03, 0.12
AS_GOOD = {
    "probability": "as sure to seat as any",
    "evenness": "follows the metal as evenly as any",
    "fill": "fills the opening as well as any",
    "period": "of the mounting's time",
}
AS_GOOD_IN_ALL = "as good as any in every part"
LESS_GOOD = {
    "probability": "less sure to seat",
    "evenness": "follows the metal less evenly, or its points stand free",
    "fill": "leaves more of the opening empty",
    "period": "not of the mounting's time",
}


def parts(
    ready: Bench, style: CutStyle, ordinary: float, altered: float, even: float, filled: float
) -> dict[str, float]:
    """Parts of the rank, each 0 to 1, as named in `ranking.PARTS`.

    `ordinary` and `altered` are probabilities, `even` the likeness of the shapes with the tips
    guarded, `filled` the share of the opening's area. Without a period in the mounting's file
    that part is neutral.
    """
    year = ready.mounting.period
    period = 0.5
    if year is not None:
        ended = style.period_to if style.period_to is not None else 9999
        period = 1.0 if style.period_from <= year <= ended else 0.0
    return {
        "probability": ordinary + ALTERED_COUNTS * (max(altered, ordinary) - ordinary),
        "evenness": max(0.0, (even - LEAST_ALIKE) / (1 - LEAST_ALIKE)),
        "fill": filled,
        "period": period,
    }


def parts_of(ready: Bench, ask: Check) -> dict[str, float]:
    """Parts of the rank of a judged stone."""
    even = ask.gap_evenness * tips_guarded(ready, ask.stone, turn_of(ask))
    return parts(
        ready, ask.stone.form.style, ask.probability, ask.probability_after_alteration,
        even, ask.face_up_fill,
    )  # fmt: skip


def reasons(
    own: Mapping[str, float], every: Sequence[Mapping[str, float]], *, period: bool
) -> tuple[str, ...]:
    """Say in words what puts a cut where it stands among those proposed.

    `period` says whether the mounting's file gives one; otherwise that part is not spoken of.
    """
    found = []
    for name, value in own.items():
        if name == "period" and not period:
            continue
        best = max(other[name] for other in every)
        if value >= best - EQUAL and (name != "period" or value > 0):
            found.append(AS_GOOD[name])
        elif value < best - TELLING or name == "period":
            found.append(LESS_GOOD[name])
    if (
        len(found) > 1
        and all(word in AS_GOOD.values() for word in found)
        and (len(found) == len(own) - (not period))
    ):
        return (AS_GOOD_IN_ALL,)
    return tuple(found)


def turn_of(ask: Check) -> float:
    """Turn of a judged stone in the seat [rad]."""
    return float(np.deg2rad(ask.turn_deg))


def tips_guarded(ready: Bench, stone: Stone, turn_rad: float) -> float:
    """Share of an outline's sharp tips that lie under metal, 1 where there is no tip or no claw.

    A tip counts as guarded within half a claw's width of a claw's middle: points bear no load and
    chip when they stand free (GIA: points are relieved and covered).
    """
    from fitsolver.stones.outline import tips

    if ready.mounting.holds == "wall":
        return 1.0
    points = tips(stone.form.outline) * stone.width_mm
    if not len(points):
        return 1.0
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    points = points @ np.array([[c, s], [-s, c]])
    claws = ready.best.opening[0].reshape(-1, FACE_POINTS, 2)[:, FACE_POINTS // 2]
    faces = ready.best.opening[0].reshape(-1, FACE_POINTS, 2)
    thickness = ready.best.thickness[0]
    reach = 0.5 * np.linalg.norm(np.ptp(faces, axis=1), axis=1)
    reach += thickness[:: min(FACE_POINTS, len(thickness))] / 2
    apart = np.linalg.norm(points[:, None] - claws[None], axis=2)
    return float((apart <= reach).any(axis=1).mean())


def notes(ready: Bench, ask: Check, material: Material) -> Iterator[str]:
    """Say what to look out for in a stone, and what the bench would do."""
    style = ask.stone.form.style
    year = ready.mounting.period
    if year is not None and style.period_from > year:
        yield f"cut from {style.period_from} on; the mounting is of {year}"
    if tips_guarded(ready, ask.stone, turn_of(ask)) < 1:
        yield "its points stand free between the claws: they chip easily, look for guarded points"
    slope = pavilion_angle_deg(ask)
    if material.transparency == "transparent" and 0 < slope < material.critical_angle_deg:
        yield (
            f"window: the pavilion's flattest main facets are at {slope:.0f} deg, below the "
            f"critical angle of {material.critical_angle_deg:.1f} deg for {material.name}"
        )
    for item in ask.requirements:
        if item.alteration and item.alteration_mm >= LEAST_MM:
            yield f"{item.alteration} by about {item.alteration_mm:.2f} mm ({item.name})"
    if ask.verdict == "not decided" and ask.advice:
        again = ask.advice[0]
        word = "take again" if again.measured else "measure"
        yield f"not decided: {word} {words(again.reading)}"


def pavilion_angle_deg(ask: Check) -> float:
    """Angle, across the width, of the facets that reach the culet or keel [deg]; 0: a flat back."""
    stone = ask.stone
    facets = stone.form.pavilion
    if len(facets.slopes) == 0 or stone.pavilion_depth_mm == 0:
        return 0.0
    # Of the facets that face across the width, those that are lowest near the keel.
    across = np.abs(facets.normals[:, 1]) > 0.9
    if not across.any():
        return 0.0
    side = np.array([[0.0, 0.08]])
    share = (facets.offsets - side @ facets.normals.T)[0] / facets.slopes
    lowest = np.flatnonzero(across)[int(share[across].argmin())]
    run = float(facets.slopes[lowest]) * stone.width_mm
    return float(np.rad2deg(np.arctan2(stone.pavilion_depth_mm, run)))
