"""Seats whose truth is known: drawn from the stated priors, then read as a caliper would.

Nothing here linearises or conditions anything: the true opening is a polygon cut by rays, and
every reading is the truth plus errors drawn from what the instrument states.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.files.datafile import parse_toml
from fitsolver.readings.angle import ANGLE_U_DEG
from fitsolver.readings.mounting_key import KEYS
from fitsolver.seats import equation, usual_seat
from fitsolver.seats.belief import Belief
from fitsolver.seats.mounting import Mounting, mounting_from
from fitsolver.seats.seat import Seats, seats_of
from fitsolver.seats.usual_seat import WAVES
from fitsolver.stones import outline

Array = NDArray[np.float64]

# A caliper's figures (DIN 862, and common practice for the last two), as in the instrument table.
PERMISSIBLE_MM = {"outside": 0.02, "inside": 0.04, "depth": 0.04}
REPEATABILITY_MM = 0.01
JAW_FLAT_MM = 0.8
# The true seat has so many stations for each that a wall is judged at.
FINER = 3


def mounting(top: str = "", **seat: object) -> Mounting:
    """Build a mounting from TOML values; None leaves a line out, text is taken as it stands."""
    lines = "\n".join(f"{key} = {value}" for key, value in seat.items() if value is not None)
    return mounting_from(parse_toml(f'name = "Invented"\n{top}\n[seat]\n{lines}\n', name="m.toml"))


EXACT = """[instruments.exact]
permissible_error_mm = 0
source = "for tests: never off"
"""


def exact(**seat: object) -> dict[str, object]:
    """Let an instrument that is never off read every length of a seat given by numbers."""
    return {
        name: f"{{ read = {value}, with = 'exact' }}"
        if name.endswith("_mm") and name != "irregularity_mm" and isinstance(value, int | float)
        else value
        for name, value in seat.items()
    }


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


@dataclass(frozen=True, kw_only=True)
class Beyond:
    """What is true though no prior and no instrument says so; nothing by itself.

    The seat: irregular `wilder` times as much as its make says; fuller by `lopsided_mm` on three
    sides and leaner between them (once to the round would only shift it); `sheared` sideways by
    that part of its width. The stone: its girdle goes in and out, and up and down, by
    `wavy_girdle_mm`, 4 to 7 times to the round. The hand: `scatter` times what is stated;
    inside jaws in a bore read `bore_mm` less than the flat of the jaws explains.
    """

    wilder: float = 1.0
    lopsided_mm: float = 0.0
    sheared: float = 0.0
    wavy_girdle_mm: float = 0.0
    bore_mm: float = 0.0
    scatter: float = 1.0


class Caliper:
    """One caliper on one day: its zero and scale are the same for all readings of a kind."""

    def __init__(self, chance: np.random.Generator, beyond: Beyond | None = None) -> None:
        self.chance, self.beyond = chance, beyond or Beyond()
        self.shared = {kind: self._part(equation.SHARED_PART) for kind in PERMISSIBLE_MM}
        self.under = self._part(equation.SHARED_PART)

    def _part(self, variance: float) -> float:
        return float(np.sqrt(variance) * self.chance.uniform(-1, 1))

    def error_mm(
        self, kind: str, *, definition_mm: float = 0.0, bore_mm: float | None = None
    ) -> float:
        """Draw what a reading is off by, its scatter aside.

        `bore_mm` is the diameter of the curve that inside jaws touch, none on straight walls.
        """
        own = 1 - equation.SHARED_PART
        error = PERMISSIBLE_MM[kind] * (self.shared[kind] + self._part(own))
        error += self.beyond.scatter * definition_mm * self.chance.uniform(-1, 1)
        if bore_mm is not None:
            # From nothing to the most that flats can under-read in a bore.
            most = bore_mm - np.sqrt(bore_mm**2 - JAW_FLAT_MM**2)
            error -= most * (1 + self.under + self._part(own)) / 2 + self.beyond.bore_mm
        return float(error)

    def entry(self, value_mm: float, *, repeats: int = 1, definition_mm: float = 0.0) -> str:
        """Write a value, scatter added, as a reading of the file."""
        repeatability = self.beyond.scatter * REPEATABILITY_MM
        shown = value_mm + self.chance.normal(0, repeatability, repeats)
        numbers = ", ".join(f"{each:.2f}" for each in shown)
        return f"{{ read = [{numbers}], definition_mm = {definition_mm} }}"


# What a jeweller reads, and how: lows, highs and the caliper's measure. (Widths of the opening
# and its depths are in `_targets`.)
USUAL_MM = {
    "ledge_width_mm": (0.3, 0.6, "outside"),
    "wall_height_mm": (0.5, 1.3, "depth"),
    "wall_thickness_mm": (0.45, 1.0, "outside"),
    "claw_thickness_mm": (0.7, 1.2, "outside"),
    "claw_width_mm": (0.8, 1.3, "outside"),
    "claw_length_mm": (1.2, 2.2, "outside"),
    "notch_height_mm": (0.3, 0.6, "outside"),
}
USUAL_DEG = {"ledge_angle_deg": (25, 45), "wall_lean_deg": (-3, 6), "claw_lean_deg": (-4, 6)}
DEFINITION_MM = 0.03


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What kind of seat to draw, and how it is read.

    `unread` names what nobody measures; `places` in how many directions ledge width and wall
    height are read; `beyond` says what the truth has that nobody knows of.
    """

    family: str
    holds: str = "wall"
    state: str = "cut"
    make: str = "hand"
    level: str = "girdle"
    radii: int = 0
    claws_deg: tuple[float, ...] = (40, 140, 220, 320)
    unread: tuple[str, ...] = ()
    places: int = 0
    beyond: Beyond = Beyond()

    @property
    def cut(self) -> bool:
        """Whether the seat has its ledge or notches."""
        return self.state == "cut"

    @property
    def scalars(self) -> list[str]:
        """Names of the single lengths and angles of such a seat."""
        cut, claws = self.cut, self.holds == "claws"
        names = ["ledge_width_mm", "ledge_angle_deg"] if cut else []
        if claws:
            names += ["claw_thickness_mm", "claw_width_mm", "claw_lean_deg"]
            return names + (["claw_length_mm", "notch_height_mm"] if cut else [])
        return names + ["wall_thickness_mm", "wall_lean_deg"] + (["wall_height_mm"] if cut else [])


@dataclass(frozen=True, kw_only=True)
class Case:
    """A mounting as it was read, and the parameters of its true seat."""

    mounting: Mounting
    parameters: Mapping[str, float]
    family: str

    def truth(self, known: Belief) -> Seats:
        """Build the true seat, with the parameters and stations of what is known of it."""
        return true_seat(known, self.parameters, self.family)


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
    points: Array = outline.draw(family, length / width, shape) * width
    return points @ np.array([[1.0, 0.0], [parameters.get("sheared", 0.0), 1.0]])


def draw_case(chance: np.random.Generator, plan: Plan) -> Case:
    """Draw a reading and a true seat that go together.

    What has a prior of its own (waves, shape, all that is not read) is drawn from it. For what is
    flat before it is read, the reading is drawn over a jeweller's usual range and the truth is the
    reading less its error: that is what a flat prior means.
    """
    beyond = plan.beyond
    tau = usual_seat.IRREGULARITY_MM[plan.make] * beyond.wilder
    caliper, seat = Caliper(chance, beyond), dict[str, object]()
    true = {"sheared": beyond.sheared}
    toward = chance.uniform(0, 2 * np.pi)
    for name, usual in outline.family(plan.family).shape.items():
        spread = usual_seat.SHAPE_SPREAD_PCT[name]
        true[f"opening_{name}"] = max(0.0, usual + spread * chance.normal())
    if plan.holds == "claws":
        seat["claw_directions_deg"] = list(plan.claws_deg)
        for i, at_deg in enumerate(plan.claws_deg):
            fuller = beyond.lopsided_mm * np.cos(3 * np.deg2rad(at_deg) - toward)
            true[f"claw_face_{i}"] = fuller + chance.normal(0, tau)
    else:
        for field, numbers in WAVES.items():
            if plan.cut or field in ("opening", "wall_height"):
                for k in numbers:
                    true[f"{field}_cos_{k}"] = chance.normal(0, tau / k)
                    true[f"{field}_sin_{k}"] = chance.normal(0, tau / k)
        true["opening_cos_3"] += beyond.lopsided_mm * np.cos(toward)
        true["opening_sin_3"] += beyond.lopsided_mm * np.sin(toward)
    width = chance.uniform(4.5, 8.0)
    length = width * (1.0 if plan.family == "round" else chance.uniform(1.15, 1.5))
    depth = "depth_below_ledge_mm" if plan.cut else "depth_below_rim_mm"
    for name in [*plan.scalars, depth]:
        _read_scalar(chance, caliper, plan, name, (length, width), seat, true)
    _read_opening(chance, caliper, plan, (length, width), tau, seat, true)
    read = mounting(
        holds=f'"{plan.holds}"', state=f'"{plan.state}"', back='"open"', make=f'"{plan.make}"',
        opening_family=f'"{plan.family}"', opening_level=f'"{plan.level}"', **seat,
    )  # fmt: skip
    return Case(mounting=read, parameters=true, family=plan.family)


def _read_scalar(
    chance: np.random.Generator,
    caliper: Caliper,
    plan: Plan,
    name: str,
    size: tuple[float, float],
    seat: dict[str, object],
    true: dict[str, float],
) -> None:
    if name in plan.unread:
        prior = KEYS[name].usual
        assert prior is not None
        usual = prior.of(*size)
        true[name] = usual + prior.u * chance.normal()
        if name.startswith(("depth", "claw_thickness")):
            seat[name] = '"not measured"'
    elif plan.places and name in ("ledge_width_mm", "wall_height_mm"):
        low, high, kind = USUAL_MM[name]
        true[name] = chance.uniform(low, high)
        field = name.removesuffix("_mm")
        at_deg = np.arange(plan.places) * 360 / plan.places
        shown = true[name] + wave(true, field, np.deg2rad(at_deg))
        if field == "wall_height":  # it is read from the ledge below
            shown = shown - wave(true, "ledge_height", np.deg2rad(at_deg))
        listed = (
            f"{{ at_deg = {at}, " + caliper.entry(
                value + caliper.error_mm(kind, definition_mm=DEFINITION_MM),
                definition_mm=DEFINITION_MM,
            ).removeprefix("{")
            for at, value in zip(at_deg, shown, strict=True)
        )  # fmt: skip
        seat[f"{field}s_mm"] = f"[{', '.join(listed)}]"
    elif name in USUAL_DEG:
        shown = round(chance.uniform(*USUAL_DEG[name]), 1)
        seat[name] = shown
        true[name] = shown + plan.beyond.scatter * chance.normal(0, ANGLE_U_DEG)
    else:
        if name.startswith("depth"):
            shares = (0.35, 0.75) if plan.cut else (0.6, 1.0)
            value, kind = chance.uniform(*shares) * size[1], "depth"
        else:
            low, high, kind = USUAL_MM[name]
            value = chance.uniform(low, high)
        seat[name] = caliper.entry(value, definition_mm=DEFINITION_MM)
        # At one place of the round, whichever the jaws reach.
        place = chance.uniform(0, 2 * np.pi)
        error = caliper.error_mm(kind, definition_mm=DEFINITION_MM)
        true[name] = value - error - float(wave(true, name.removesuffix("_mm"), place))


def _read_opening(
    chance: np.random.Generator,
    caliper: Caliper,
    plan: Plan,
    size: tuple[float, float],
    tau: float,
    seat: dict[str, object],
    true: dict[str, float],
) -> None:
    height, lean = (
        ("claw_length_mm", "claw_lean_deg")
        if plan.holds == "claws"
        else ("wall_height_mm", "wall_lean_deg")
    )
    narrower = 0.0
    if plan.cut and plan.level == "rim":
        narrower = true[height] * np.tan(np.deg2rad(true[lean]))
        narrower += true["ledge_width_mm"] if plan.holds == "claws" else 0.0
    goals = {}
    for name, span, across in (
        ("opening_length_mm", *size), ("opening_width_mm", *reversed(size))
    ):  # fmt: skip
        true[name] = span
        if plan.family == "round" and plan.holds == "wall" and name == "opening_width_mm":
            continue
        bore = {"octagon": None, "oval": across**2 / span}.get(plan.family, span)
        seat[name] = caliper.entry(span, repeats=2)
        goals[name] = span - caliper.error_mm("inside", bore_mm=bore) + 2 * narrower
    out_of_round = chance.normal(0, tau)
    around = np.arange(720) * np.pi / 360
    for _ in range(4):
        if "opening_width_mm" not in goals:
            true["opening_width_mm"] = true["opening_length_mm"] + out_of_round
        spans = _spans(plan, true, around)
        for name, goal in goals.items():
            true[name] += goal - spans[name]
    if plan.radii:
        # Read about a centre found by eye, at the seat's own level.
        whole = polar(figure(true, plan.family), around) + wave(true, "opening", around)
        edge = whole[:, None] * np.column_stack([np.cos(around), np.sin(around)])
        at_deg = np.arange(plan.radii) * 360 / plan.radii
        reach = polar(edge - chance.normal(0, 0.05, 2), np.deg2rad(at_deg))
        listed = (
            f"{{ at_deg = {at}, level = 'girdle', "
            + caliper.entry(value + caliper.error_mm("outside")).removeprefix("{")
            for at, value in zip(at_deg, reach, strict=True)
        )
        seat["opening_radii_mm"] = f"[{', '.join(listed)}]"


def _spans(plan: Plan, true: Mapping[str, float], around: Array) -> dict[str, float]:
    """Length and width that jaws would find at the seat's own level [mm]."""
    if plan.holds == "claws":
        faces = np.array([true[f"claw_face_{i}"] for i in range(len(plan.claws_deg))])
        angle = np.deg2rad(plan.claws_deg)
        # Over two pairs of claws: each end of a span stands halfway between its pair.
        return {
            name: true[name] + faces[side > 0].mean() + faces[side < 0].mean()
            for name, side in (
                ("opening_length_mm", np.cos(angle)), ("opening_width_mm", np.sin(angle))
            )
        }  # fmt: skip
    reach = polar(figure(true, plan.family), around) + wave(true, "opening", around)
    if plan.family == "octagon":
        # Jaws lie along straight sides, and are set at their middle; elsewhere they are rocked.
        quarter = reach[:: len(around) // 4]
        return {
            "opening_length_mm": float(quarter[0] + quarter[2]),
            "opening_width_mm": float(quarter[1] + quarter[3]),
        }
    return {
        "opening_length_mm": float(np.ptp(reach * np.cos(around))),
        "opening_width_mm": float(np.ptp(reach * np.sin(around))),
    }


def true_seat(known: Belief, true: Mapping[str, float], family: str) -> Seats:
    """Build the one true seat: the parameters as they are, the opening by rays.

    Of what is known only the parameters' names and the stations are taken, and between those of a
    wall two more each.
    """
    parameters = np.array([true.get(name, 0.0) for name in known.names])
    directions = known.directions
    if known.mounting.holds == "wall":
        gaps = np.diff(directions, append=directions[0] + 2 * np.pi)
        directions = (directions[:, None] + gaps[:, None] * np.arange(FINER) / FINER).ravel()
    radius = polar(figure(true, family), directions)
    if known.mounting.holds == "claws":
        radius = radius + [true[f"claw_face_{i}"] for i in range(len(radius))]
    else:
        radius = radius + wave(true, "opening", directions)
    exact = replace(
        known, mean=parameters, directions=directions, radius=radius,
        slopes=np.zeros((len(directions), len(parameters))), bends=(),
    )  # fmt: skip
    return seats_of(exact, parameters[None])
