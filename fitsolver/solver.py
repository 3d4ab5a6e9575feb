"""The judgement on one stone in one mounting: margins, probability, verdict, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitsolver.allowance import Allowances, allowances
from fitsolver.belief import Assumed, Belief, belief
from fitsolver.contact import Drop, drop
from fitsolver.cut import CutStyle
from fitsolver.form import Form, form
from fitsolver.metal import metal
from fitsolver.mounting import Mounting
from fitsolver.placement import Placement, place
from fitsolver.prior import heights_given_depth
from fitsolver.requirement import KINDS, Requirements, bounds, requirements
from fitsolver.seat import FACE_POINTS, SEED, Seats, seats, seats_of
from fitsolver.stone import Stone
from fitsolver.uncertainty import standard_normal_points

Array = NDArray[np.float64]
Verdict = Literal["seats", "seats after alteration", "does not seat", "not decided"]

SAMPLES = 512
# Stations for the drawing and the exact drop of the best estimate.
FINE_STATIONS = 180


@dataclass(frozen=True, kw_only=True)
class Bench:
    """A mounting made ready for questions: what is believed of its seat, and the draws of it."""

    mounting: Mounting
    allowances: Allowances
    belief: Belief
    seats: Seats
    best: Seats


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """One stone's lengths, s samples, the first as read [mm]: length, width and three heights."""

    length: Array
    width: Array
    crown: Array
    girdle: Array
    pavilion: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """One requirement's outcome.

    `margin_mm` in the best estimate, its standard uncertainty `u_mm`, the probability that it
    holds by itself; where it is tightest, if at one place; what alteration would make it hold and
    by how much metal, if any is needed and possible.
    """

    name: str
    meaning: str
    margin_mm: float
    u_mm: float
    threshold_mm: float
    source: str
    probability: float
    direction_deg: float | None
    alteration: str
    alteration_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """A reading to take (again): by how much it would narrow the binding margin's doubt."""

    reading: str
    measured: bool
    share: float
    u_now_mm: float
    u_then_mm: float


@dataclass(frozen=True, kw_only=True)
class Check:
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
    gap_evenness: float
    face_up_fill: float
    girdle_bottom_mm: float


def bench(mounting: Mounting, *, samples: int = SAMPLES) -> Bench:
    """Make a mounting ready: condition on its readings, draw possible seats.

    Raises `UnknownName` or `OutOfRange` for an allowance of the file that makes no sense.
    """
    known = belief(mounting)
    return Bench(
        mounting=mounting,
        allowances=allowances(mounting.allowances),
        belief=known,
        seats=seats(known, samples),
        best=seats(known, 0),
    )


def stone_sizes(
    style: CutStyle, length_mm: float, width_mm: float, depth_mm: float, u_mm: float, samples: int
) -> Sizes:
    """Sample a stone known by length, width and depth: reading errors, and how a known depth may
    be shared among crown, girdle and pavilion by the style's spreads.
    """
    points = np.zeros((samples + 1, 6))
    if samples:
        points[1:] = standard_normal_points(6, samples, SEED + 1)
    mean, covariance = heights_given_depth(style, depth_mm / width_mm)
    size, axes = np.linalg.eigh(covariance)
    drawn = mean + points[:, :3] @ (axes * np.sqrt(np.clip(size, 0, None))).T
    flat = mean <= 0
    drawn = np.where(flat, 0.0, np.maximum(drawn, [0.02, 0.005, 0.02]))
    width = width_mm + u_mm * points[:, 3]
    depth = depth_mm + u_mm * points[:, 5]
    crown, girdle, pavilion = (drawn / drawn.sum(axis=1, keepdims=True) * depth[:, None]).T
    return Sizes(
        length=length_mm + u_mm * points[:, 4],
        width=width,
        crown=crown,
        girdle=girdle,
        pavilion=pavilion,
    )


def fitted(
    figure: Form, spots: Seats, sizes: Sizes, allowed: Allowances, turn_rad: float,
    girdle_z: float | None = None,
) -> tuple[Placement, Requirements]:
    """Place a form and work out its requirements, leaning metal judged at the given height."""  # fmt: skip
    placed = place(
        figure, spots, sizes.length, sizes.width, sizes.girdle, bounds(spots, allowed),
        turn_rad=turn_rad, girdle_z=girdle_z,
    )  # fmt: skip
    return placed, requirements(placed, sizes.crown, sizes.girdle, sizes.pavilion, allowed)


def best_pose(
    ready: Bench, figure: Form, sizes: Sizes
) -> tuple[float, float, Placement, Requirements]:
    """Choose the turn for a stone's nominal sizes: (turn, girdle height, placement, requirements).

    Turns that the outline's symmetry makes equal are tried once. The best is the one whose
    smallest margin is widest in the best estimate.
    """
    nominal = Sizes(**{
        name: getattr(sizes, name)[:1] for name in ("length", "width", "crown", "girdle", "pavilion")
    })  # fmt: skip
    found = []
    for turn in turns(figure):
        height: float | None = None
        for _ in range(2 if abs(float(ready.best.lean[0])) > 0.01 else 1):
            placed, needs = fitted(figure, ready.best, nominal, ready.allowances, turn, height)
            height = float(needs.girdle_bottom[0])
        score = min(float(margin[0]) for margin in needs.margins.values())
        found.append((score, turn, height, placed, needs))
    _, turn, height, placed, needs = max(found, key=lambda item: item[0])
    assert height is not None
    return turn, height, placed, needs


def turns(figure: Form) -> tuple[float, ...]:
    """Turns [rad] worth trying: quarter turns that the outline's symmetry does not make equal."""
    from fitsolver.outline import family

    kind = family(figure.style.family)
    if kind.name == "round" and abs(figure.length_ratio - 1) < 1e-3:
        return (0.0,)
    quarter = (0.0, np.pi / 2) if figure.length_ratio < 1.15 or not kind.half_turn else (0.0,)
    return quarter if kind.half_turn else (*quarter, np.pi, -np.pi / 2)


def check(
    ready: Bench, style: CutStyle, length_mm: float, width_mm: float, depth_mm: float,
    proportions: Mapping[str, float] | None = None,
) -> Check:
    """Judge one stone, known by its length, width and depth [mm], in a mounting."""  # fmt: skip
    figure = form(style, length_mm / width_mm, proportions)
    allowed = ready.allowances
    sizes = stone_sizes(
        style, length_mm, width_mm, depth_mm, allowed["stone_reading_u_mm"], ready.seats.count - 1
    )
    turn, height, _, _ = best_pose(ready, figure, sizes)
    placed, needs = fitted(figure, ready.seats, sizes, allowed, turn, height)
    probability = float(needs.holds()[1:].mean())
    after = max(probability, float(needs.holds(altered=True)[1:].mean()))
    verdict = decide(probability, after, allowed)
    margins = tuple(_margin(name, needs, placed, allowed) for name in needs.margins)
    binding = min(margins, key=lambda item: (item.probability, item.margin_mm))
    stone = Stone(
        form=figure,
        width_mm=width_mm,
        crown_height_mm=float(sizes.crown[0]),
        girdle_mm=float(sizes.girdle[0]),
        pavilion_depth_mm=float(sizes.pavilion[0]),
    )
    shift = _in_seat(placed, turn)
    rest = exact_rest(ready, stone, shift, turn)
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
        rests_on=rest.on if rest is not None else "bearing yet to be cut",
        requirements=margins,
        binding=binding.name,
        advice=advise(ready, needs.margins[binding.name], sizes),
        assumed=ready.belief.assumed,
        gap_evenness=evenness(placed, allowed),
        face_up_fill=fill(ready, stone),
        girdle_bottom_mm=float(needs.girdle_bottom[0]),
    )


def decide(probability: float, after: float, allowed: Allowances) -> Verdict:
    """Apply the decision rule to the two probabilities.

    Seats from the upper level; after alteration if only that reaches it; does not seat if even
    alteration stays at or below the lower level; else not decided (JCGM 106, guarded acceptance).
    """
    if probability >= allowed["seats_from_probability"]:
        return "seats"
    if after >= allowed["seats_from_probability"]:
        return "seats after alteration"
    if after <= allowed["fails_to_probability"]:
        return "does not seat"
    return "not decided"


def exact_rest(
    ready: Bench, stone: Stone, shift_mm: tuple[float, float], turn_rad: float
) -> Drop | None:
    """Lower the stone exactly into the best estimate; None for an uncut seat."""
    if ready.mounting.state == "uncut":
        return None
    fine = belief(ready.mounting, FINE_STATIONS)
    return drop(
        stone, metal(seats_of(fine, fine.mean[None])), shift_mm=shift_mm, turn_rad=turn_rad
    )


def evenness(placed: Placement, allowed: Allowances) -> float:
    """How even the gap looks from above, 1 = the same all round, 0 = uneven by the widest gap."""
    gap = placed.gap[0]
    return float(np.clip(1 - np.ptp(gap) / max(allowed["gap_max_mm"], 0.05) / 2, 0, 1))


def fill(ready: Bench, stone: Stone) -> float:
    """Share of the opening's area that the stone covers, seen from above."""
    from fitsolver import outline

    if ready.mounting.holds == "claws":
        at = ready.belief.mean
        family = outline.family(ready.mounting.opening_family)
        opening = outline.area(outline.draw(family.name, float(at[0] / at[1]))) * at[1] ** 2
    else:
        opening = outline.area(ready.best.opening[0])
    return float(outline.area(stone.outline_mm) / opening)


def _in_seat(placed: Placement, turn_rad: float) -> tuple[float, float]:
    """Shift of the best estimate in the seat's own frame."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    x, y = np.array([[c, -s], [s, c]]) @ placed.shift[0]
    return float(x), float(y)


def _margin(name: str, needs: Requirements, placed: Placement, allowed: Allowances) -> Margin:
    kind = KINDS[name]
    values = needs.margins[name]
    station = needs.stations[name]
    direction = None
    if station >= 0:
        seats_ = placed.seats
        if seats_.holds == "claws":
            station = station // FACE_POINTS * FACE_POINTS + FACE_POINTS // 2
        x, y = seats_.opening[0, station]
        direction = float(np.rad2deg(np.arctan2(y, x)) % 360)
    short = max(0.0, -float(values[0]))
    limit = allowed[kind.alteration_allowance] if kind.alteration_allowance else 0.0
    possible = kind.alteration if 0 < short <= limit else ""
    return Margin(
        name=name,
        meaning=kind.meaning,
        margin_mm=float(values[0]),
        u_mm=float(values[1:].std()) if len(values) > 1 else 0.0,
        threshold_mm=needs.thresholds[name],
        source=allowed.source(kind.allowance),
        probability=float((values[1:] >= 0).mean()) if len(values) > 1 else float(values[0] >= 0),
        direction_deg=direction,
        alteration=possible,
        alteration_mm=short if possible else 0.0,
    )


def advise(
    ready: Bench, margin: Array, sizes: Sizes, most: int = 3
) -> tuple[Advice, ...]:
    """Say which readings, taken once more or for the first time, would narrow a margin most.

    One more reading with row h and variance r takes (h c)^2 / (h C h + r) off the margin's
    variance, with C the parameters' covariance and c theirs with the margin (linear-Gaussian
    updating). For the stone's own heights a perfect reading is supposed.
    """
    known = ready.belief
    draws = ready.seats.parameters[1:] - known.mean
    values = margin[1:] - margin[1:].mean()
    total = float(values.var())
    if total < 1e-10:
        return ()
    weight = draws.T @ values / len(values)
    found = []
    for item in known.evidence:
        spread = float(item.row @ known.covariance @ item.row)
        saved = float(item.row @ weight) ** 2 / max(spread + item.variance, 1e-12)
        found.append(
            Advice(
                reading=item.name,
                measured=not item.assumed,
                share=min(saved / total, 1.0),
                u_now_mm=total**0.5,
                u_then_mm=max(total - saved, 0.0) ** 0.5,
            )
        )
    for name, label in (
        ("girdle", "girdle thickness of the stone"),
        ("crown", "crown height of the stone"),
        ("pavilion", "pavilion depth of the stone"),
    ):
        own = getattr(sizes, name)[1:]
        spread = float(own.std())
        if spread > 1e-9:
            saved = float(np.mean((own - own.mean()) * values) / spread) ** 2
            found.append(
                Advice(
                    reading=label,
                    measured=False,
                    share=min(saved / total, 1.0),
                    u_now_mm=total**0.5,
                    u_then_mm=max(total - saved, 0.0) ** 0.5,
                )
            )
    found.sort(key=lambda item: -item.share)
    return tuple(item for item in found[:most] if item.share > 0.03)
