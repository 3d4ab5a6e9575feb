"""The judgement on one stone in one mounting: margins, probability, verdict, what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.errors import Fault, InputFaults, OutOfRange, UnknownName
from fitsolver.fitting.advice import Advice, advise
from fitsolver.fitting.contact import Drop, drop
from fitsolver.fitting.placement import Placement, place
from fitsolver.fitting.requirement import KINDS, Requirements, bounds, requirements
from fitsolver.fitting.security import Security, security
from fitsolver.fitting.sizes import HEIGHTS, Sizes, as_read, stone_sizes
from fitsolver.seats.allowance import Allowances, allowances
from fitsolver.seats.belief import Assumed, Belief, belief
from fitsolver.seats.contradiction import REFUSED_U, Contradiction
from fitsolver.seats.metal import Surface, metal
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.ranking import Ranking, ranking
from fitsolver.seats.seat import FACE_POINTS, Seats, seats, seats_of
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.form import Form, form
from fitsolver.stones.stone import Stone

Array = NDArray[np.float64]
Verdict = Literal["seats", "seats after alteration", "does not seat", "not decided"]

SAMPLES = 512
# Surfaces that stop a stone only when it has fallen through its seat.
FLOORS = ("", "finger", "back")
# Stations for the drawing and the exact drop of the best estimate.
FINE_STATIONS = 180
# Openings and stones less long than this, in widths, may take a stone at an odd turn.
ALIKE_SIDES = 1.15
# Odd turns are looked at so far apart [deg], and so many of the most even ones tried.
TURN_STEP_DEG = 5.0
MOST_ODD_TURNS = 2


class Bench(Struct, frozen=True, kw_only=True, dict=True):
    """A mounting made ready for questions: what is believed of its seat, and the draws of it."""

    mounting: Mounting
    allowances: Allowances
    ranking: Ranking
    belief: Belief
    seats: Seats
    best: Seats

    @cached_property
    def fine(self) -> Seats:
        """The best estimate, finely divided, for the exact drop and the pose."""
        fine = belief(self.mounting, FINE_STATIONS)
        return seats_of(fine, fine.mean[None])

    @cached_property
    def metal(self) -> tuple[Surface, ...]:
        """Its surfaces."""
        return metal(self.fine)


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


def bench(mounting: Mounting, *, samples: int = SAMPLES) -> Bench:
    """Make a mounting ready: condition on its readings, draw possible seats.

    Raises `UnknownName` or `OutOfRange` for an allowance of the file that makes no sense, and for
    less than one draw; `InputFaults` for readings that contradict one another.
    """
    if samples < 1:
        raise OutOfRange("samples", samples, 1, 2**16, unit="draws")
    known = belief(mounting)
    faults = [_fault(mounting, pair) for pair in known.contradictions if pair.refused]
    if faults:
        raise InputFaults(faults)
    drawn = seats(known, samples)
    return Bench(
        mounting=mounting,
        allowances=allowances(mounting.allowances),
        ranking=ranking(mounting.ranking),
        belief=known,
        seats=drawn.single(),
        best=drawn.rows(np.array([0])),
    )


def _fault(mounting: Mounting, pair: Contradiction) -> Fault:
    """Name both readings of a contradiction, with their lines, and how far apart they are."""

    def line_of(key: str) -> int | None:
        return None if mounting.document is None else mounting.document.line_of(key)

    key = mounting.written_as(pair.first)
    against = "what all others say together"
    remedy = "Take it again"
    if pair.second is not None:
        other = mounting.written_as(pair.second)
        line = line_of(other)
        against = other if line is None else f"{other} (line {line})"
        remedy = "Take both again"
    return Fault(
        file=mounting.name if mounting.document is None else mounting.document.name,
        line=line_of(key),
        key=key,
        value=None,
        rule=f"contradicts {against}: they are {pair.apart_u:.1f} standard uncertainties apart, "
        f"and no answer is given from {REFUSED_U:g} on",
        remedy=f"{remedy}, or say how well each could be read (half_width_mm, definition_mm, "
        "irregularity_mm)",
    )


def fitted(
    figure: Form,
    spots: Seats,
    sizes: Sizes,
    allowed: Allowances,
    turn_rad: float,
    girdle_z: float | Array | None = None,
    nominal: int = 0,
    strained: bool = False,
) -> tuple[Placement, Requirements]:
    """Place a form and work out its requirements, leaning metal judged at `girdle_z`."""
    placed = place(
        figure, spots, sizes.length, sizes.width, sizes.girdle, bounds(spots, allowed),
        turn_rad=turn_rad, girdle_z=girdle_z, nominal=nominal, strained=strained,
    )  # fmt: skip
    return placed, requirements(placed, sizes.crown, sizes.girdle, sizes.pavilion, allowed)


def best_turn(
    ready: Bench, figure: Form, sizes: Sizes, tried: tuple[float, ...] | None = None
) -> tuple[float, Array]:
    """Choose the turn for given sizes (s,) in the best estimate: (turn, girdle's lower plane (s,)).

    `tried` are the turns to try, if not all that differ by the outline's symmetry. The best is
    the one whose smallest margin is widest for any of the sizes.
    """
    found = []
    for turn in tried if tried is not None else turns_in(ready, figure):
        scores, height = turn_scores(ready, figure, sizes, turn)
        found.append((float(scores.max()), turn, height))
    _, turn, height = max(found, key=lambda item: item[0])
    return turn, height


def turn_scores(ready: Bench, figure: Form, sizes: Sizes, turn_rad: float) -> tuple[Array, Array]:
    """Smallest margin [mm] of given sizes (s,) at one turn in the best estimate, (s,).

    Beside it the heights of the girdle's lower plane (s,) [mm].
    """
    middle = len(sizes.width) // 2
    height: Array | None = None
    # Leaning metal is judged at the girdle's height, which the first round finds.
    for _ in range(2 if np.abs(ready.best.lean).max() > 0.005 else 1):
        _, needs = fitted(
            figure, ready.best, sizes, ready.allowances, turn_rad, height, nominal=middle
        )
        height = needs.girdle_bottom
    assert height is not None
    scores: Array = np.min(list(needs.margins.values()), axis=0)
    return scores, height


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
    tried = None if turn_rad is None else (turn_rad,)
    turn, height = best_turn(ready, figure, sizes.rows(np.array([0])), tried)
    placed, needs = fitted(figure, ready.seats, sizes, allowed, turn, float(height[0]))
    probability = float(needs.holds()[1:].mean())
    after = max(probability, float(needs.holds(altered=True)[1:].mean()))
    shift = _in_seat(placed, turn)
    stone = as_read(figure, sizes)
    holding = security(ready.best, stone, shift, turn, allowed)
    # Where claws stand is no matter of readings: a stone that can slide out does not seat.
    verdict = decide(probability, after, allowed) if holding.held else "does not seat"
    margins = tuple(_margin(name, needs, placed, allowed) for name in needs.margins)
    binding = min(margins, key=_order)
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


def _in_seat(placed: Placement, turn_rad: float) -> tuple[float, float]:
    """Shift of the best estimate in the seat's own frame."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    x, y = np.array([[c, -s], [s, c]]) @ placed.shift[0]
    return float(x), float(y)


def _margin(name: str, needs: Requirements, placed: Placement, allowed: Allowances) -> Margin:
    kind = KINDS[name]
    values = needs.margins[name]
    station = needs.station(name)
    draws = values[1:]
    middle = float(np.median(draws))
    short = max(0.0, -middle)
    room = needs.room.get(name)
    words = kind.claw_alteration if placed.seats.holds == "claws" else ""
    # An alteration is offered only where the same move does not fail for another reason.
    helps = short > 0 and room is not None and float(np.median(needs.altered[name][1:])) >= 0
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
        direction_deg=direction_deg(placed.seats, station),
        alteration=possible,
        alteration_mm=short if possible else 0.0,
        alteration_limit_mm=0.0 if room is None else float(np.median(room)),
    )


def direction_deg(spots: Seats, station: int, sample: int = 0) -> float | None:
    """Direction of a station [deg], of the middle of its claw; None for no station (-1)."""
    found = float(directions_deg(spots, np.array([station]), np.array([sample]))[0])
    return None if np.isnan(found) else found


def directions_deg(spots: Seats, stations: NDArray[np.int64], samples: NDArray[np.int64]) -> Array:
    """The same of stations (k,), each in its sample (k,); NaN for no station."""
    known = np.maximum(stations, 0)
    if spots.holds == "claws":
        known = known // FACE_POINTS * FACE_POINTS + FACE_POINTS // 2
    x, y = spots.opening[samples, known].astype(np.float64).T
    return np.where(stations < 0, np.nan, np.rad2deg(np.arctan2(y, x)) % 360)


def _order(item: Margin) -> tuple[float, bool, float]:
    """What decides comes first: the least likely, then the shortest; cover, where there is none."""
    falls = item.name == "ledge cover" and item.best_estimate_mm + item.threshold_mm < 0
    return item.probability, not falls, item.margin_mm
