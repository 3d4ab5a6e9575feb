"""Seats whose truth is known: drawn from the stated priors, then read as a caliper would.

Nothing here linearises or conditions anything: the true opening is a polygon cut by rays, and
every reading is the truth plus errors drawn from what the instrument states.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitsolver import belief as seat_belief
from fitsolver import outline
from fitsolver.cut import CutStyle
from fitsolver.datafile import parse_toml
from fitsolver.form import form
from fitsolver.mounting import Mounting, mounting_from
from fitsolver.prior import heights_given_depth
from fitsolver.seat import Seats, seats_of
from fitsolver.solver import Bench, Sizes, bench, best_turn, fitted, stone_sizes

Array = NDArray[np.float64]

# A caliper's figures (DIN 862, and common practice for the last two), as in the instrument table.
PERMISSIBLE_MM = {"outside": 0.02, "inside": 0.04, "depth": 0.04}
REPEATABILITY_MM = 0.01
JAW_FLAT_MM = 0.8
FINE_STATIONS = 180


def mounting(top: str = "", **seat: object) -> Mounting:
    """Build a mounting from TOML values; None leaves a line out, text is taken as it stands."""
    lines = "\n".join(f"{key} = {value}" for key, value in seat.items() if value is not None)
    return mounting_from(parse_toml(f'name = "Invented"\n{top}\n[seat]\n{lines}\n', name="m.toml"))


def polar(points: Array, directions: Array) -> Array:
    """Distance from the origin to a polygon about it, along each direction: by crossing edges."""
    start, stop = points, np.roll(points, -1, axis=0)
    turn = np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(np.mod(turn, 2 * np.pi))
    sector = np.searchsorted(np.mod(turn, 2 * np.pi)[order], np.mod(directions, 2 * np.pi), "right")
    edge = order[sector - 1]
    a, b = start[edge], stop[edge]
    ray = np.column_stack([np.cos(directions), np.sin(directions)])
    way = b - a
    cross = ray[:, 0] * way[:, 1] - ray[:, 1] * way[:, 0]
    return (a[:, 0] * way[:, 1] - a[:, 1] * way[:, 0]) / cross


class Caliper:
    """One caliper on one day: its zero and scale are the same for all readings of a kind."""

    def __init__(self, chance: np.random.Generator) -> None:
        self.chance = chance
        self.zero = {kind: self._split(size) for kind, size in PERMISSIBLE_MM.items()}
        self.under = self._split(1.0)

    def _split(self, half_width: float) -> float:
        # Half of the variance is shared, half is each reading's own: as the belief states.
        return float(np.sqrt(seat_belief.SHARED_PART) * self.chance.uniform(-1, 1) * half_width)

    def read(
        self,
        kind: str,
        truth: float,
        *,
        repeats: int = 1,
        definition_mm: float = 0.0,
        bore_mm: float | None = None,
    ) -> str:
        """Return a reading, or a list of repeats at one place, as text for the file.

        `bore_mm` is the diameter of the curve that inside jaws touch, none on straight walls.
        """
        own = np.sqrt(1 - seat_belief.SHARED_PART) * self.chance.uniform(-1, 1)
        value = truth + self.zero[kind] + own * PERMISSIBLE_MM[kind]
        value += self.chance.uniform(-definition_mm, definition_mm)
        if bore_mm is not None:
            # From nothing to the most that flats can under-read in a bore.
            most = bore_mm - np.sqrt(bore_mm**2 - JAW_FLAT_MM**2)
            own = np.sqrt(1 - seat_belief.SHARED_PART) * self.chance.uniform(-1, 1)
            value -= most * (1 + self.under + own) / 2
        shown = value + self.chance.normal(0, REPEATABILITY_MM, repeats)
        numbers = ", ".join(f"{max(each, 0.06):.2f}" for each in shown)
        return f"{{ read = [{numbers}], definition_mm = {definition_mm} }}"


@dataclass(frozen=True, kw_only=True)
class Case:
    """A mounting as it was read, and its true seat (one sample)."""

    mounting: Mounting
    truth: Seats
    parameters: Mapping[str, float]


def _true_parameters(
    chance: np.random.Generator, family: str, *, holds: str, cut: bool, tau: float, claws: int
) -> dict[str, float]:
    """Draw a seat from the priors; what is flat there is drawn over a jeweller's usual range."""
    width = chance.uniform(4.5, 8.0)
    ratio = 1.0 if family in ("round", "square") else chance.uniform(1.15, 1.5)
    found = {"opening_length_mm": width * ratio, "opening_width_mm": width}
    if ratio == 1.0:
        found["opening_width_mm"] += chance.normal(0, tau)
    for name, usual in outline.family(family).shape.items():
        found[f"opening_{name}"] = max(
            0.0, usual + seat_belief.SHAPE_SPREAD_PCT[name] * chance.normal()
        )
    found |= {
        "ledge_width_mm": chance.uniform(0.25, 0.55),
        "ledge_angle_deg": chance.uniform(25, 45),
        "depth_below_ledge_mm": chance.uniform(0.35, 0.75) * width,
        "depth_below_rim_mm": chance.uniform(0.6, 1.0) * width,
        "wall_height_mm": chance.uniform(0.5, 1.3),
        "wall_thickness_mm": chance.uniform(0.35, 0.9),
        "wall_lean_deg": chance.uniform(-3, 6),
        "claw_thickness_mm": chance.uniform(0.7, 1.2),
        "claw_width_mm": chance.uniform(0.8, 1.3),
        "claw_length_mm": chance.uniform(1.2, 2.2),
        "claw_lean_deg": chance.uniform(-4, 6),
        "notch_height_mm": chance.uniform(0.3, 0.6),
    }
    if holds == "claws":
        found |= {f"claw_face_{i}": chance.normal(0, tau) for i in range(claws)}
        return found
    for field, numbers in seat_belief.WAVES.items():
        if cut or field in ("opening", "wall_height"):
            for k in numbers:
                found[f"{field}_cos_{k}"] = chance.normal(0, tau / k)
                found[f"{field}_sin_{k}"] = chance.normal(0, tau / k)
    return found


def wave(parameters: Mapping[str, float], field: str, directions: Array | float) -> Any:
    """Add up a field's waves along directions [mm]."""
    total = np.zeros_like(np.asarray(directions, dtype=np.float64))
    for name, size in parameters.items():
        if name.startswith(f"{field}_cos_"):
            total = total + size * np.cos(int(name.rpartition("_")[2]) * directions)
        elif name.startswith(f"{field}_sin_"):
            total = total + size * np.sin(int(name.rpartition("_")[2]) * directions)
    return total


def figure(parameters: Mapping[str, float], family: str) -> Array:
    """Return the opening's own figure [mm], without its waves."""
    length, width = parameters["opening_length_mm"], parameters["opening_width_mm"]
    shape = {name: parameters[f"opening_{name}"] for name in outline.family(family).shape}
    return outline.draw(family, length / width, shape) * width


def draw_case(
    chance: np.random.Generator,
    family: str,
    *,
    holds: str = "wall",
    state: str = "cut",
    make: str = "hand",
    level: str = "girdle",
    radii: int = 0,
    claws_deg: tuple[float, ...] = (40, 140, 220, 320),
    unread: tuple[str, ...] = (),
    opening_tau_factor: float = 1.0,
) -> Case:
    """Draw a true seat and read it: opening, ledge, wall or claws and depth, `unread` left out.

    `opening_tau_factor` makes the truth more or less irregular than the file says.
    """
    cut = state == "cut"
    tau = seat_belief.IRREGULARITY_MM[make]
    true = _true_parameters(
        chance, family, holds=holds, cut=cut, tau=tau * opening_tau_factor, claws=len(claws_deg)
    )
    for name in unread:
        prior = seat_belief.PRIORS[name]
        size = true["opening_length_mm"], true["opening_width_mm"]
        usual = prior.value(*size) if callable(prior.value) else prior.value
        true[name] = max(0.05, usual + prior.u * chance.normal())
    seat = _read_seat(chance, true, family, holds, state, level, radii, claws_deg, unread)
    read = mounting(
        holds=f'"{holds}"', state=f'"{state}"', back='"open"', make=f'"{make}"',
        opening_family=f'"{family}"', opening_level=f'"{level}"', **seat,
    )  # fmt: skip
    return Case(mounting=read, truth=true_seat(read, true, family), parameters=true)


def _read_seat(
    chance: np.random.Generator,
    true: Mapping[str, float],
    family: str,
    holds: str,
    state: str,
    level: str,
    radii: int,
    claws_deg: tuple[float, ...],
    unread: tuple[str, ...],
) -> dict[str, object]:
    caliper, seat = Caliper(chance), dict[str, object]()
    cut, points = state == "cut", figure(true, family)
    around = np.arange(720) * np.pi / 360
    if holds == "claws":
        seat["claw_directions_deg"] = list(claws_deg)
        faces = np.array([true[f"claw_face_{i}"] for i in range(len(claws_deg))])
        angle = np.deg2rad(claws_deg)
        # Over two pairs of claws: each end of a span stands halfway between its pair.
        sides = ((np.cos(angle), "opening_length_mm"), (np.sin(angle), "opening_width_mm"))
        spans = {
            name: true[name] + faces[side > 0].mean() + faces[side < 0].mean()
            for side, name in sides
        }
        height, lean = "claw_length_mm", "claw_lean_deg"
    else:
        reach = polar(points, around) + wave(true, "opening", around)
        spans = {
            "opening_length_mm": float(np.ptp(reach * np.cos(around))),
            "opening_width_mm": float(np.ptp(reach * np.sin(around))),
        }
        height, lean = "wall_height_mm", "wall_lean_deg"
    narrower = true[height] * np.tan(np.deg2rad(true[lean])) if cut and level == "rim" else 0.0
    if holds == "claws" and narrower:
        narrower += true["ledge_width_mm"]
    if family == "round" and holds == "wall" and not radii:
        spans.pop("opening_width_mm")
    for name, span in spans.items():
        across = true["opening_width_mm" if "length" in name else "opening_length_mm"]
        bore = {"octagon": None, "oval": across**2 / span}.get(family, span)
        seat[name] = caliper.read("inside", span - 2 * narrower, repeats=2, bore_mm=bore)
    if radii:
        # Read off about a centre found by eye, at the seat's own level.
        centre = chance.normal(0, 0.05, 2)
        whole = (polar(points, around) + wave(true, "opening", around))[:, None]
        edge = whole * np.column_stack([np.cos(around), np.sin(around)]) - centre
        at_deg = np.arange(radii) * 360 / radii
        seat["opening_radii_mm"] = "[" + ", ".join(
            f"{{ at_deg = {at}, level = 'girdle', {caliper.read('outside', reach)[2:-2]} }}"
            for at, reach in zip(at_deg, polar(edge, np.deg2rad(at_deg)), strict=True)
        ) + "]"  # fmt: skip
    ways = {"wall_height_mm": "depth", "depth_below_ledge_mm": "depth",
            "depth_below_rim_mm": "depth"}  # fmt: skip
    names = ["ledge_width_mm", "depth_below_ledge_mm"] if cut else ["depth_below_rim_mm"]
    if holds == "claws":
        names += ["claw_thickness_mm", "claw_width_mm"]
        names += ["claw_length_mm", "notch_height_mm"] if cut else []
    else:
        names += ["wall_thickness_mm", *(["wall_height_mm"] if cut else [])]
    for name in names:
        if name not in unread:
            # At one place of the round, whichever the jaws reach.
            field, place = name.removesuffix("_mm"), chance.uniform(0, 2 * np.pi)
            value = true[name] + float(wave(true, field, place))
            seat[name] = caliper.read(ways.get(name, "outside"), value, definition_mm=0.03)
        elif name.startswith(("depth", "claw_thickness")):
            seat[name] = '"not measured"'
    for name in (["ledge_angle_deg"] if cut else []) + [lean]:
        if name not in unread:
            angle_read = true[name] + chance.normal(0, seat_belief.ANGLE_U_DEG)
            seat[name] = f"{max(angle_read, 0.0) if name == 'ledge_angle_deg' else angle_read:.1f}"
    return seat


def true_seat(read: Mounting, true: Mapping[str, float], family: str) -> Seats:
    """Build the one true seat: the parameters as they are, the opening by rays."""
    known = seat_belief.belief(read, FINE_STATIONS)
    parameters = np.array([true.get(name, 0.0) for name in known.names])
    radius = polar(figure(true, family), known.directions)
    if read.holds == "claws":
        radius = radius + [true[f"claw_face_{i}"] for i in range(len(radius))]
    else:
        radius = radius + wave(true, "opening", known.directions)
    exact = replace(known, mean=parameters, radius=radius)
    return seats_of(exact, parameters[None])


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What was predicted of one stone, and whether it did seat."""

    probability: float
    seats: bool
    binding: str


def try_stone(
    chance: np.random.Generator, case: Case, style: CutStyle, size: tuple[float, float, float],
    samples: int,
) -> Outcome:
    """Judge a stone of given size (as read) by the readings, and then by the true seat."""  # fmt: skip
    ready = bench(case.mounting, samples=samples)
    length, width, depth = size
    predicted, turn = _predicted(ready, style, size, samples)
    u = ready.allowances["stone_reading_u_mm"]
    mean, covariance = heights_given_depth(style, depth / width)
    axis_size, axes = np.linalg.eigh(covariance)
    shares = mean + axes @ (np.sqrt(np.clip(axis_size, 0, None)) * chance.normal(size=3))
    shares = np.where(mean <= 0, 0.0, np.maximum(shares, [0.02, 0.005, 0.02]))
    heights = shares / shares.sum() * (depth + u * chance.normal())
    true = Sizes(
        length=np.array([length + u * chance.normal()]),
        width=np.array([width + u * chance.normal()]),
        crown=heights[:1],
        girdle=heights[1:2],
        pavilion=heights[2:],
    )
    figure_ = form(style, length / width)
    height: Any = None
    for _ in range(3):
        _, needs = fitted(figure_, case.truth, true, ready.allowances, turn, height)
        height = needs.girdle_bottom
    margins = {name: float(values[0]) for name, values in needs.margins.items()}
    return Outcome(
        probability=predicted,
        seats=min(margins.values()) >= 0,
        binding=min(margins, key=lambda name: margins[name]),
    )


def _predicted(
    ready: Bench, style: CutStyle, size: tuple[float, float, float], samples: int
) -> tuple[float, float]:
    figure_ = form(style, size[0] / size[1])
    allowed = ready.allowances
    sizes = stone_sizes(style, *size, allowed["stone_reading_u_mm"], samples)
    turn, height = best_turn(ready, figure_, sizes.rows(np.array([0])))
    _, needs = fitted(figure_, ready.seats, sizes, allowed, turn, float(height[0]))
    return float(needs.holds()[1:].mean()), turn
