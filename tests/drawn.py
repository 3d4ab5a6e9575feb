"""Invented mountings, and stones for them, drawn at random from a seed.

The sizes are those of ordinary rings; nothing here describes a real piece.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from msgspec.structs import replace

from fitsolver.readings.angle import Angle
from fitsolver.readings.reading import Reading, direct
from fitsolver.seats.belief import belief
from fitsolver.seats.mounting import Claw, Mounting
from fitsolver.seats.seat import Seats, seats
from fitsolver.stones.cut import CutStyle, cuts
from fitsolver.stones.form import Form, form, heights
from fitsolver.stones.stone import Stone

# Usual length over width of an opening.
OPENINGS = {
    "round": 1.0,
    "oval": 1.3,
    "cushion": 1.15,
    "octagon": 1.35,
    "rectangle": 1.5,
    "square": 1.0,
    "marquise": 2.0,
    "pear": 1.5,
    "triangle": 1.0,
}
CLAWS_DEG = {
    "octagon": (38.0, 142.0, 218.0, 322.0),
    "round": tuple(60.0 * k for k in range(6)),
    "oval": (40.0, 140.0, 220.0, 320.0),
}


def mounting(
    rng: np.random.Generator,
    family: str | None = None,
    holds: str | None = None,
    state: str = "cut",
    **changes: Any,
) -> Mounting:
    """A seat of ordinary size; `changes` replace what was drawn."""
    family = family or str(rng.choice(list(OPENINGS)))
    holds = holds or str(rng.choice(["wall", "claws"]))
    width = rng.uniform(4, 9)
    ratio = OPENINGS[family]
    if family not in ("round", "square"):
        ratio *= rng.uniform(0.9, 1.1)
    drawn: dict[str, Any] = {
        "name": "Drawn at random (invented)",
        "holds": holds,
        "state": state,
        "back": str(rng.choice(["open", "closed"])),
        "irregularity_mm": float(rng.uniform(0.02, 0.07)),
        "opening_family": family,
        "opening_level": "girdle" if state == "cut" else "rim",
        "opening_length_mm": direct(width * ratio),
        "opening_width_mm": direct(width),
    }
    if state == "cut":
        drawn["ledge_width_mm"] = direct(rng.uniform(0.25, 0.6))
        drawn["ledge_angle_deg"] = float(rng.uniform(15, 50))
        drawn["depth_below_ledge_mm"] = direct(0.7 * width)
    else:
        drawn["depth_below_rim_mm"] = direct(0.9 * width)
    if holds == "claws":
        drawn["claw_directions_deg"] = CLAWS_DEG.get(family, (45.0, 135.0, 225.0, 315.0))
        drawn["claw_thickness_mm"] = direct(1.0)
        drawn["claw_width_mm"] = direct(1.1)
        drawn["claw_lean_deg"] = 0.0
        if state == "cut":
            drawn |= {"claw_length_mm": direct(1.5), "notch_height_mm": direct(0.5)}
    else:
        drawn["wall_thickness_mm"] = direct(0.7)
        drawn["wall_lean_deg"] = float(rng.uniform(0, 8))
        if state == "cut":
            drawn["wall_height_mm"] = direct(1.0)
    return Mounting(**{**drawn, **changes})


# Directions of the corners of the openings above that are sharp.
CORNERS_DEG = {"marquise": (0.0, 180.0), "pear": (0.0,)}


def uneven(rng: np.random.Generator, plain: Mounting) -> Mounting:
    """The same seat, worn: read by direction, a ledge with gaps, claws with their own sizes."""
    at_deg = np.arange(8) * 45.0

    def places(low: float, high: float) -> tuple[tuple[float, Reading], ...]:
        return tuple((float(at), direct(rng.uniform(low, high))) for at in at_deg)

    if plain.holds == "wall":
        starts = np.sort(rng.uniform(0, 360, int(rng.integers(1, 3))))
        gaps = tuple((float(start), float(start + rng.uniform(15, 70))) for start in starts)
        if len(gaps) == 2 and gaps[0][1] > gaps[1][0] - 20:
            gaps = gaps[:1]
        if gaps[-1][1] - 360 > gaps[0][0] and len(gaps) == 2:
            gaps = gaps[1:]
        return dataclasses.replace(
            plain,
            ledge_width_mm=None,
            ledge_widths_mm=places(0.25, 0.6),
            ledge_heights_mm=places(5.0, 5.2),
            ledge_missing_deg=gaps,
            wall_height_mm=None,
            wall_heights_mm=places(0.6, 1.2),
            wall_lean_deg=None,
            wall_leans_deg=tuple((float(at), float(rng.uniform(-3, 8))) for at in at_deg),
        )
    length, width = plain.opening_length_mm, plain.opening_width_mm
    assert length is not None
    assert width is not None
    corner = np.rad2deg(np.arctan2(width.value_mm, length.value_mm))
    sharp = CORNERS_DEG.get(plain.opening_family, ())
    if plain.opening_family in ("rectangle", "square"):
        sharp = tuple(float(at) for at in (corner, 180 - corner, 180 + corner, 360 - corner))
    free = (
        at
        for at in plain.claw_directions_deg
        if all(abs((at - to + 180) % 360 - 180) > 30 for to in sharp)
    )
    places_deg = sorted({*sharp, *free})
    claws = tuple(
        Claw(
            at_deg=at,
            thickness_mm=direct(rng.uniform(0.8, 1.3)),
            width_mm=direct(rng.uniform(1.6, 2.2) if at in sharp else rng.uniform(0.8, 1.3)),
            length_mm=direct(rng.uniform(1.0, 1.8)),
            notch_depth_mm=direct(rng.uniform(0.25, 0.5)),
            notch_level_mm=direct(rng.uniform(4.0, 4.1)),
            lean_deg=Angle(value_deg=float(rng.uniform(-3, 6))),
            corner=at in sharp,
        )
        for at in places_deg
    )
    return dataclasses.replace(plain, claw_directions_deg=tuple(places_deg), claws=claws)


def stone_of(shape: Form, width_mm: float) -> Stone:
    """A stone of that width as the form's own proportions have it."""
    crown, girdle, pavilion = heights(shape.style, shape.proportions)
    return Stone(
        form=shape,
        width_mm=width_mm,
        crown_height_mm=float(crown) * width_mm,
        girdle_mm=float(girdle) * width_mm,
        pavilion_depth_mm=float(pavilion) * width_mm,
    )


@dataclass(frozen=True, kw_only=True)
class Case:
    """Possible seats of one mounting, the best estimate first, and a stone at a turn."""

    number: int
    style: CutStyle
    seats: Seats
    stone: Stone
    turn_rad: float

    def __str__(self) -> str:
        """Say which case it is, to find it again."""
        mounting_ = self.seats.belief.mounting
        return f"{self.number}: {self.style.name} in {mounting_.opening_family} {mounting_.holds}"


def case(
    number: int,
    seed: int,
    *,
    samples: int = 0,
    state: str = "cut",
    play_mm: tuple[float, float] = (-0.25, 0.0),
    stations: int | None = None,
    worn: bool = False,
) -> Case:
    """Case `number` of a seed: every style in turn, mostly in an opening of its own family.

    The stone's width is the largest that passes centred inside the metal, changed by `play_mm`;
    now and then it is turned by up to 3 deg. A `worn` seat is `uneven`.
    """
    rng = np.random.default_rng([seed, number])
    styles = cuts()
    style = styles[number % len(styles)]
    own = style.family if rng.random() < 0.67 and style.family in OPENINGS else None
    held = mounting(rng, own, state=state)
    if worn:
        held = uneven(np.random.default_rng([seed, number, 1]), held)
    known = belief(held) if stations is None else belief(held, stations)
    possible = seats(known, samples)
    length, width = known.mean[:2]
    limits = style.length_ratio
    ratio = np.clip(
        max(length / width, width / length) * rng.uniform(0.95, 1.05), limits.low, limits.high
    )
    shape = form(style, float(ratio))
    turn = float(rng.choice([0.0, 0.0, rng.uniform(-0.05, 0.05)]))
    if length < 0.99 * width:
        turn += np.pi / 2
    points = shape.fold(possible.opening[0] @ turned(turn))
    gauge = float((points @ shape.normals.T / shape.reach).max(axis=1).min())
    size = max(gauge + rng.uniform(*play_mm), 1.0)
    return Case(
        number=number,
        style=style,
        seats=possible,
        stone=stone_of(shape, size),
        turn_rad=turn,
    )


def turned(turn_rad: float) -> np.ndarray:
    """The matrix that takes the stone's plan vectors to the seat's, and rows the other way."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return np.array([[c, -s], [s, c]])


# By which factors a style's outline is its own mirror image: across the length, but for half-moons,
# whose straight side runs along it.
ACROSS, ALONG = np.array([1.0, -1.0]), np.array([-1.0, 1.0])


def mirror_of(style: CutStyle) -> np.ndarray:
    """The mirror (2,), as factors of x and y, in which a style's outline looks the same."""
    return ALONG if style.family == "half-moon" else ACROSS


def mirrored_deg(direction_deg: float, mirror: np.ndarray) -> float:
    """A direction seen in a mirror [deg]."""
    return float((180.0 * (mirror[0] < 0) - direction_deg) % 360.0)


def mirrored(of: Seats, mirror: np.ndarray) -> Seats:
    """Seats in a mirror: the stations run the other way round, so that they stay in order."""

    def back(values: np.ndarray | None) -> np.ndarray | None:
        """By station (s, n), or the same for all (s, 1)."""
        return None if values is None else values[:, ::-1]

    def plan(points: np.ndarray | None) -> np.ndarray | None:
        return None if points is None else points[:, ::-1] * mirror

    return replace(
        of,
        opening=plan(of.opening),
        outward=of.outward[::-1] * mirror,
        folds=None
        if of.folds is None
        else replace(
            of.folds,
            stations=of.opening.shape[1] - 1 - of.folds.stations,
            off=of.folds.off * mirror,
        ),
        lean=back(of.lean),
        top=back(of.top),
        ledge_inner=plan(of.ledge_inner),
        ledge_inner_z=back(of.ledge_inner_z),
        ledge_outer_z=back(of.ledge_outer_z),
        ledge_after=np.roll(of.ledge_after[::-1], -1),
        gallery=plan(of.gallery),
        thickness=back(of.thickness),
        notch=back(of.notch),
        # Claws are numbered round the seat.
        claw=of.claw[-1] - of.claw[::-1] if of.holds == "claws" else of.claw,
    )
