"""The judgement on one stone in one mounting: margins, probability, verdict, what to do next."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.errors import OutOfRange, UnknownName
from fitsolver.fitting.advice import Advice, advise
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.contact import Drop, drop
from fitsolver.fitting.judge import (
    Verdict,
    decide,
    directions_deg,
    first_to_fail,
    fitted,
    in_seat,
    middle_of,
    stands,
)
from fitsolver.fitting.placement import Placement
from fitsolver.fitting.requirement import KINDS, Requirements
from fitsolver.fitting.security import Security, security
from fitsolver.fitting.sizes import HEIGHTS, as_read, stone_sizes
from fitsolver.seats.allowance import Allowances
from fitsolver.seats.belief import Assumed
from fitsolver.seats.contradiction import Contradiction
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import form
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]

# Surfaces that stop a stone only when it has fallen through its seat.
FLOORS = ("", "finger", "back")


class Margin(Struct, frozen=True, kw_only=True):
    """One requirement's outcome.

    `margin_mm` in the middle of what the readings allow (the draws' median: a least over the round
    is smaller than in the best estimate, whose waves are flat), `best_estimate_mm` in the best
    estimate, as drawn; standard uncertainty `u_mm`; the probability that it holds by itself;
    where it is tightest, if at one place; what alteration would make it hold and by how much
    metal, if any is needed and possible; `alteration_limit_mm` how far it may go, 0 for none.
    """

    name: str
    meaning: str
    margin_mm: float
    best_estimate_mm: float
    u_mm: float
    threshold_mm: float
    source: str
    probability: float
    direction_deg: float | None
    alteration: str
    alteration_mm: float
    alteration_limit_mm: float


class Check(Struct, frozen=True, kw_only=True, dict=True):
    """The whole answer for one stone."""

    mounting: Mounting
    stone: Stone
    turn_deg: float
    shift_mm: tuple[float, float]
    verdict: Verdict
    probability: float
    probability_after_alteration: float
    rest_height_mm: float
    rests_on: str
    requirements: tuple[Margin, ...]
    binding: str
    advice: tuple[Advice, ...]
    assumed: tuple[Assumed, ...]
    contradictions: tuple[Contradiction, ...]
    gap_evenness: float
    face_up_fill: float
    girdle_bottom_mm: float
    security: Security


def check(
    ready: Bench,
    style: CutStyle,
    length_mm: float,
    width_mm: float,
    depth_mm: float,
    *,
    heights_mm: Mapping[str, float] | None = None,
    proportions: Mapping[str, float] | None = None,
    turn_rad: float | None = None,
    exact: bool = True,
) -> Check:
    """Judge one stone, known by its length, width and depth [mm], in a mounting.

    `heights_mm` are further readings of it (keys of `HEIGHTS`); `proportions` replaces some of
    the style's usual ones; without `turn_rad` the best turn is found.

    Raises `OutOfRange` for sizes that make no stone of the style, `UnknownName` for a height.
    """
    refuse_strange(style, length_mm, width_mm, depth_mm, heights_mm or {})
    figure = form(style, length_mm / width_mm, proportions)
    allowed = ready.allowances
    u, draws = allowed["stone_reading_u_mm"], ready.seats.count - 1
    sizes = stone_sizes(style, length_mm, width_mm, depth_mm, u, draws, heights_mm)
    stand = stands(
        ready, style, *np.array([[length_mm], [width_mm], [depth_mm]]), figure=figure,
        tried=None if turn_rad is None else (turn_rad,), heights_mm=heights_mm,
    )  # fmt: skip
    turn = float(stand.turn[0])
    placed, needs = fitted(
        figure, ready.seats, sizes, allowed, turn, float(stand.height[0]), draws=draws
    )
    probability = float(needs.holds()[1:].mean())
    after = max(probability, float(needs.holds(altered=True)[1:].mean()))
    x, y = in_seat(placed.shift[:1], turn)[0].tolist()
    shift = x, y
    stone = as_read(figure, sizes)
    holding = security(ready.best, stone, shift, turn, allowed)
    # Where claws stand is no matter of readings: a stone that can slide out does not seat.
    verdict = decide(probability, after, allowed) if holding.held else "does not seat"
    margins = tuple(_margin(name, needs, placed, allowed) for name in needs.margins)
    binding = margins[
        int(
            first_to_fail(
                tuple(needs.margins),
                np.array([item.probability for item in margins]),
                np.array([item.margin_mm for item in margins]),
                np.array([item.best_estimate_mm for item in margins]),
                allowed,
            )
        )
    ]
    rest = exact_rest(ready, stone, shift, turn) if exact else None
    even, filled = from_above(ready, stone, shift, turn)
    middle = rest.rest_z_mm if rest is not None else float(needs.girdle_bottom[0])
    return Check(
        mounting=ready.mounting,
        stone=stone,
        turn_deg=float(np.rad2deg(turn)),
        shift_mm=shift,
        verdict=verdict,
        probability=probability,
        probability_after_alteration=after,
        rest_height_mm=middle if rest is not None else middle + stone.girdle_mm / 2,
        rests_on=rest.on if rest is not None else _meant_support(ready.mounting),
        requirements=margins,
        binding=binding.name,
        advice=advise(
            ready.belief,
            ready.seats.parameters[1:],
            needs.margins[binding.name][1:],
            needs.holds()[1:],
            {name: getattr(sizes, name)[1:] for name in ("girdle", "crown", "pavilion")},
            allowed,
        ),
        assumed=ready.belief.assumed,
        contradictions=ready.belief.contradictions,
        gap_evenness=even,
        face_up_fill=filled,
        girdle_bottom_mm=float(needs.girdle_bottom[0]),
        security=holding,
    )


def refuse_strange(
    style: CutStyle,
    length_mm: float,
    width_mm: float,
    depth_mm: float,
    heights_mm: Mapping[str, float],
) -> None:
    """Raise what is wrong with the sizes of one stone [mm]; see `check`."""
    for name, value in (("length_mm", length_mm), ("width_mm", width_mm), ("depth_mm", depth_mm)):
        if not 0.5 <= value <= 100:
            raise OutOfRange(name, value, 0.5, 100, remedy="sizes are in millimetres")
    limits = style.length_ratio
    if not limits.low - 0.02 <= length_mm / width_mm <= limits.high + 0.02:
        raise OutOfRange(
            "length over width",
            length_mm / width_mm,
            limits.low,
            limits.high,
            unit="",
            remedy=f"{style.name}, length: {style.measuring['length']}",
        )
    if not 0.15 <= depth_mm / width_mm <= 1.3:
        raise OutOfRange(
            "depth over width",
            depth_mm / width_mm,
            0.15,
            1.3,
            unit="",
            remedy="depth is measured from table to culet",
        )
    for name, value in heights_mm.items():
        if name not in HEIGHTS:
            raise UnknownName("height of a stone", name, HEIGHTS)
        if not 0 <= value < depth_mm:
            raise OutOfRange(name, value, 0, depth_mm, remedy="a part is less than the whole depth")


def _meant_support(mounting: Mounting) -> str:
    if mounting.state == "uncut":
        return "bearing yet to be cut"
    return "notch" if mounting.holds == "claws" else "ledge"


def exact_rest(
    ready: Bench, stone: Stone, shift_mm: tuple[float, float], turn_rad: float
) -> Drop | None:
    """Lower the stone exactly into the best estimate; None for an uncut seat."""
    if ready.mounting.state == "uncut":
        return None
    return drop(stone, ready.metal, shift_mm=shift_mm, turn_rad=turn_rad)


def from_above(
    ready: Bench, stone: Stone, shift_mm: tuple[float, float], turn_rad: float
) -> tuple[float, float]:
    """How the stone looks in the opening from above: (evenness, fill), both 0 to 1.

    Evenness is the area that outline and opening share over the area they cover together, with
    the outline scaled to the opening's area: 1 = the same shape. Fill is the stone's area over
    the opening's, at most 1.
    """
    import shapely
    from shapely import affinity

    opening = shapely.Polygon(ready.belief.figure_mm() if ready.mounting.holds == "claws"
                              else ready.best.opening[0])  # fmt: skip
    outline = affinity.translate(
        affinity.rotate(stone.girdle_outline(), turn_rad, origin=(0, 0), use_radians=True),
        *shift_mm,
    )
    scale = (opening.area / outline.area) ** 0.5
    alike = affinity.scale(outline, scale, scale, origin=shift_mm)
    even = opening.intersection(alike).area / opening.union(alike).area
    return float(even), min(1.0, float(outline.area / opening.area))


def _margin(name: str, needs: Requirements, placed: Placement, allowed: Allowances) -> Margin:
    kind = KINDS[name]
    values = needs.margins[name]
    here = np.zeros(1, dtype=np.int64)
    direction = float(directions_deg(placed.seats, needs.stations(name, here), here)[0])
    draws = values[1:]
    middle = float(middle_of(draws))
    short = max(0.0, -middle)
    room = needs.room.get(name)
    words = kind.claw_alteration if placed.seats.holds == "claws" else ""
    # An alteration is offered only where the same move does not fail for another reason.
    helps = short > 0 and room is not None and float(middle_of(needs.altered[name][1:])) >= 0
    possible = (words or kind.alteration) if helps else ""
    return Margin(
        name=name,
        meaning=kind.meaning,
        margin_mm=middle,
        best_estimate_mm=float(values[0]),
        u_mm=float(draws.std()),
        threshold_mm=needs.thresholds[name],
        source=allowed.source(needs.set_by[name]),
        probability=float((draws >= 0).mean()),
        direction_deg=None if np.isnan(direction) else direction,
        alteration=possible,
        alteration_mm=short if possible else 0.0,
        alteration_limit_mm=0.0 if room is None else float(middle_of(room)),
    )
