"""Seats and stones drawn for the referee, and its answer beside the program's.

Readings are exact and the seats pure figures, so that the program's best estimate is the truth.
The program is asked by its own door: a mounting file's text in, margins out.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import seat_referee as referee
import shapely

from fitsolver.files.datafile import data_folder, parse_toml
from fitsolver.fitting.bench import bench
from fitsolver.fitting.solver import Check, check
from fitsolver.seats.allowance import allowances
from fitsolver.seats.mounting import mounting_from
from fitsolver.stones.cut import cut

STYLES = {
    "round": ("round-brilliant", "round-step", "round-cabochon", "old-european"),
    "oval": ("oval-brilliant", "oval-step"),
    "cushion": ("cushion-brilliant", "cushion-step"),
    "octagon": ("emerald", "octagon-scissor"),
    "rectangle": ("baguette",),
    "square": ("princess", "square-step"),
    "marquise": ("marquise-brilliant", "marquise-step"),
    "pear": ("pear-brilliant",),
    "triangle": ("triangle-brilliant", "triangle-step"),
}
KINDS = (
    "wall", "wall in", "wall out", "wall arcs", "wall rail", "claws", "claws in", "claws out",
    "claws corner", "claws pair", "claws rail", "uncut wall", "uncut wall in", "uncut claws",
    "uncut claws out", "uncut claws rail", "uncut claws corner",
)  # fmt: skip
CORNERED = ("square", "rectangle", "marquise", "pear")
SHAPES = ("corner_pct", "side_bulge_pct", "fullness_pct", "head_pct")
# Margins that fall as the raw length grows.
FALLS = ("closing gap", "bearing match", "notch ceiling")
ALLOWED = allowances()


@dataclass(frozen=True, kw_only=True)
class Asked:
    """One stone in one seat."""

    kind: str
    seat: referee.Seat
    style: str
    length: float
    width: float
    depth: float
    shape: dict[str, float]

    def answer(self) -> Check:
        """What the program says."""
        mounting = mounting_from(parse_toml(self.seat.file(), name="m.toml"))
        return check(
            bench(mounting, samples=2), cut(self.style), self.length, self.width, self.depth,
            proportions=self.shape or None, exact=False,
        )  # fmt: skip

    def gem(self, answer: Check) -> referee.Gem:
        """The stone as published, with an outline of the referee's own."""
        stone, profile = answer.stone, profile_of(self.style)
        usual = profile["proportions"]
        shape = {name: usual[name]["typical"] for name in SHAPES if name in usual} | self.shape
        normals, offsets, _ = stone.half_spaces
        figure = referee.outline(
            profile["outline"]["family"], stone.length_mm, stone.width_mm, shape
        )
        return referee.Gem(
            normals=normals, offsets=offsets, figure=figure, crown=stone.crown_height_mm,
            girdle=stone.girdle_mm, pavilion=stone.pavilion_depth_mm,
        )  # fmt: skip

    def measured(self, answer: Check) -> dict[str, float]:
        """The referee's lengths, at the program's pose."""
        gem, turn = self.gem(answer), float(np.deg2rad(answer.turn_deg))
        if self.seat.state == "cut":
            return referee.measure(self.seat, gem, turn, answer.shift_mm)
        close = ALLOWED["claw_top_share"] * gem.crown
        if self.seat.holds == "wall":
            dome = "_cabochon" if "cabochon" in self.style else ""
            close = ALLOWED[f"edge_above_girdle{dome}_mm"]
        needs = {
            "close": close,
            "culet": ALLOWED[f"culet_clearance_{self.seat.back}_mm"],
            "gallery": ALLOWED["gallery_clearance_mm"],
        }
        return referee.measure_uncut(self.seat, gem, turn, answer.shift_mm, needs)


def profile_of(style: str) -> dict[str, Any]:
    return tomllib.loads((data_folder() / "cuts" / f"{style}.toml").read_text())


def compared(asked: Asked, answer: Check) -> Iterator[tuple[str, float, float, float]]:
    """Of every margin: its name, what the program says, what the referee finds, its threshold.

    As margins [mm]: thresholds and bends are those of the answer. Left out: how much of a ledge is
    missing, which is an angle, and the entry of an uncut wall, which its bearing decides.
    """
    found, uncut = asked.measured(answer), asked.seat.state == "uncut"
    claws = asked.seat.holds == "claws"
    for item in answer.requirements:
        name, threshold = item.name, item.threshold_mm
        if name == "ledge arc" or (name == "entry" and uncut and not claws):
            continue
        if uncut and claws and name in ("entry", "notch ceiling"):
            threshold += ALLOWED["claw_bend_out_mm"]
        if uncut and claws and name == "notch floor":
            threshold -= ALLOWED["claw_bend_in_mm"]
        sign = -1.0 if name in FALLS else 1.0
        limit = threshold if name == "entry" else -sign * threshold
        yield name, item.best_estimate_mm, sign * found[name] + limit, item.threshold_mm


def drawn(chance: np.random.Generator, kind: str, family: str, style: str) -> Asked:
    """A seat of a kind, at sizes of the trade, and a stone that about fits."""
    words, usual = kind.split(), profile_of(style)
    claws, uncut = "claws" in words, "uncut" in words
    width = round(chance.uniform(4.5, 8.0), 2)
    ratio = usual["outline"]["length_ratio"]["typical"] * chance.uniform(0.97, 1.06)
    length = width if family in ("round", "square") else round(width * ratio, 2)
    shape: dict[str, float] = {}
    if family == "octagon":
        shape = {"corner_pct": round(chance.uniform(9, 22), 1)}
    if family == "cushion" and not claws:
        shape = {"corner_pct": round(chance.uniform(14, 24), 1), "side_bulge_pct": 7.0}
    lean = round(chance.uniform(1, 7), 1)
    seat = referee.Seat(
        family=family, length=length, width=width, shape=shape,
        holds="claws" if claws else "wall", state="uncut" if uncut else "cut",
        back="closed" if chance.uniform() < 0.3 else "open",
        lean=lean if "in" in words else -lean if "out" in words else 0.0,
        ledge=round(chance.uniform(0.3, 0.5), 2), slope=round(chance.uniform(25, 50), 1),
        height=round(chance.uniform(1.4, 2.2) if claws else chance.uniform(0.8, 1.4), 2),
        thickness=round(chance.uniform(0.8, 1.2), 2), depth=round(width * (0.8 + 0.2 * uncut), 2),
        breadth=round(chance.uniform(0.6, 1.1), 2),
        missing=((20.0, 60.0), (190.0, 230.0)) if "arcs" in words else (),
        gallery=(round(0.8 * length, 2), round(0.8 * width, 2), 1.0) if "rail" in words else None,
    )  # fmt: skip
    if claws:
        at = chance.uniform(30, 40)
        if family == "octagon":
            # On the cut corner: beside it the way over the claws would not tell how large that is.
            short = width * shape["corner_pct"] / 200
            at = float(np.rad2deg(np.arctan2(width / 2 - short, length / 2 - short)))
        places = [(each, False) for each in (at, 180 - at, 180 + at, 360 - at)]
        if "corner" in words and family in ("square", "rectangle"):
            ring = shapely.get_coordinates(seat.figure.exterior)[:-1]
            places = [(float(np.rad2deg(np.arctan2(y, x))) % 360, True) for x, y in ring]
        elif "corner" in words:
            tips = {"marquise": (0.0, 180.0), "pear": (0.0,)}[family]
            flat = {"marquise": (90.0, 270.0), "pear": (130.0, 230.0)}[family]
            places = [(each, each in tips) for each in (*tips, *flat)]
        if "pair" in words:
            places = [(each + off, False) for each, _ in places for off in (-5, 5)]
        broad = seat.breadth if "corner" not in words else max(seat.breadth, 2 * seat.ledge + 0.1)
        seat = replace(seat, claws=tuple(sorted(places)), pair="pair" in words, breadth=broad)
    gap = -chance.uniform(0.25, 0.4) if uncut else chance.uniform(0.02, 0.08)
    across = round(width - 2 * gap, 3)
    along = across if length == width else round(length - 2 * gap, 3)
    return Asked(
        kind=kind, seat=seat, style=style, length=along, width=across,
        depth=round(0.62 * across, 2),
        shape={name: value for name, value in shape.items() if name in usual["proportions"]},
    )  # fmt: skip


def combinations(count: int, seed: int) -> Iterator[Asked]:
    """So many, all kinds with all families in turn."""
    families = list(STYLES)
    for k in range(count):
        chance = np.random.default_rng([seed, k])
        kind = KINDS[k % len(KINDS)]
        choice = CORNERED if "corner" in kind else families
        family = choice[(k * 5 + k // len(KINDS)) % len(choice)]
        styles = STYLES[family]
        yield drawn(chance, kind, family, styles[k // 2 % len(styles)])
