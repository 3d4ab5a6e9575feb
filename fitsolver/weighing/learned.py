"""What a person's own weighed stones say of the cuts their sources sell: learned, kept, applied.

The log fill of a stone is r = ln(mass / estimate): how much fuller it is than the profile says.
With n stones of a cut, mean m and u the profile's own doubt of ln(weight) for them (rms):

    s^2     = (v u^2 + sum (r - m)^2) / (v + n - 1),  v = PRIOR_STONES
    shift   = m n / (n + s^2 / u^2)
    spread^2 = s^2 + 1 / (n / s^2 + 1 / u^2), widened to Student's t with v + n - 1 degrees

so that few stones leave the profile nearly as it is and many replace it (empirical Bayes: the
profile's u is the prior spread of the shift, and counts as v stones about the spread). A weight is
multiplied by exp(shift), its log doubt by spread / u: stones with fewer readings stay less sure.
Neglected: that shift and spread may change with size and material within a cut.

Source: Gelman, Carlin, Stern, Dunson, Vehtari and Rubin, Bayesian Data Analysis, 3rd ed. 2013,
2.5 (mean) and 3.3 (spread); the number of prior stones is a choice of this program.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray
from pydantic import BaseModel, Field

from fitsolver.errors import InputFaults
from fitsolver.files.datafile import STRICT, load
from fitsolver.files.document import file_fault
from fitsolver.readings.uncertainty import Estimate
from fitsolver.stones.cut import names
from fitsolver.weighing.weight import REACH, Weight

Array = NDArray[np.float64]

PRIOR_STONES = 8
"""As many stones the profile's doubt counts for when the spread of a cut is learned."""

LEAST_STONES = 3
"""Of fewer stones of a cut nothing is learned."""

MOST_OFF = 0.30
"""A mass further off its estimate, as a part of it, is taken to be another stone's."""


class Learned(Struct, frozen=True, kw_only=True):
    """What n weighed stones of a cut say: shift and spread of the log fill, and when.

    `profile_spread` is the doubt of ln(weight) that the profile had for the same stones.
    """

    shift: float
    spread: float
    profile_spread: float
    stones: int
    date: str

    def applied(self, value: Array, u: Array) -> tuple[Array, Array]:
        """Return weights [ct] and their u as these stones have them; any shape."""
        moved = value * math.exp(self.shift)
        return moved, moved * (u / value) * (self.spread / self.profile_spread)

    def told(self, cut_name: str) -> str:
        """Say that an answer was made with this."""
        stones = f"{self.stones} of your own stones, learned {self.date}"
        return (
            f"{cut_name} weighed with what {stones} say: {100 * math.expm1(self.shift):+.1f} % "
            f"on the profile, doubt x {self.spread / self.profile_spread:.2f}"
        )


def learned_of(mass: Array, value: Array, u: Array, date: str) -> Learned:
    """Learn from n stones of a cut: masses, estimates and their u, each (n,) in ct, n at least 3.

    >>> few = learned_of(np.array([1.1, 1.1, 1.1]), np.ones(3), 0.05 * np.ones(3), "2026-01-01")
    >>> 0 < few.shift < math.log(1.1)
    True
    """
    count = len(mass)
    if count < LEAST_STONES:
        raise ValueError(f"{count} stones: at least {LEAST_STONES} are needed")
    fill = np.log(mass / value)
    prior = float(np.mean((u / value) ** 2))
    mean, freedom = float(fill.mean()), PRIOR_STONES + count - 1
    within = (PRIOR_STONES * prior + float(np.sum((fill - mean) ** 2))) / freedom
    # Student's t over the normal at 95 %, to the second term of its expansion.
    fat = 1 + (REACH**2 + 1) / (4 * freedom)
    fat += (5 * REACH**4 + 16 * REACH**2 + 3) / (96 * freedom**2)
    spread = fat * math.sqrt(within + 1 / (count / within + 1 / prior))
    return Learned(
        shift=mean * count / (count + within / prior),
        spread=spread,
        profile_spread=math.sqrt(prior),
        stones=count,
        date=date,
    )


class _Entry(BaseModel):
    model_config = STRICT

    shift: Annotated[float, Field(ge=-0.36, le=0.36)]
    spread: Annotated[float, Field(gt=0, le=0.5)]
    profile_spread: Annotated[float, Field(gt=0.0005, le=0.5)]
    stones: Annotated[int, Field(ge=LEAST_STONES)]
    date: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]


class _File(BaseModel):
    model_config = STRICT

    cut: dict[str, _Entry]


def read_learned(path: Path | str) -> dict[str, Learned]:
    """Read what was learned, by cut; raises `InputFaults`."""
    entries = load(path, _File).cut
    strange = [
        file_fault(str(path), f"cut.{name} is no cut style", "Name it as `fitsolver cuts` does")
        for name in entries
        if name not in names()
    ]
    if strange:
        raise InputFaults([fault for error in strange for fault in error.faults])
    return {name: Learned(**entry.model_dump()) for name, entry in entries.items()}


def learned_text(learned: Mapping[str, Learned]) -> str:
    """Write what was learned as the file that `read_learned` reads."""
    lines = [
        "# What your own weighed stones say, by cut. Used only when it is named with --makes;",
        "# delete a cut or the file and it is forgotten. shift: ln(mass / weight by the profile),",
        "# shrunk towards 0 when stones are few; spread: of the same; profile_spread: as it was.",
    ]
    for name, each in sorted(learned.items()):
        lines += [
            "",
            f"[cut.{name}]",
            f"shift = {each.shift:.6f}",
            f"spread = {each.spread:.6f}",
            f"profile_spread = {each.profile_spread:.6f}",
            f"stones = {each.stones}",
            f'date = "{each.date}"',
        ]
    return "\n".join(lines) + "\n"


def reweighed(found: Weight, learned: Mapping[str, Learned]) -> Weight:
    """Return a weight as one's own stones have it, saying so; the same if none was of its cut."""
    own = learned.get(found.style)
    if own is None:
        return found
    was = found.weight_ct
    value, u = own.applied(np.array([was.value]), np.array([was.u]))
    factor = math.exp(REACH * float(u[0] / value[0]))
    ct = float(value[0])
    return replace(
        found,
        weight_ct=Estimate(value=ct, u=float(u[0]), low=ct / factor, high=ct * factor),
        coefficient=found.coefficient * math.exp(own.shift),
        warnings=(own.told(found.style), *found.warnings),
    )


class Held(Struct, frozen=True, kw_only=True):
    """How estimates and intervals held on n weighed stones of a cut and material.

    Errors are mass over estimate, in per cent of the mass: `mean_error_pct` without sign,
    `median_error_pct` with it. `width_over_scatter` is the middle interval over the one that 95 %
    of these stones would have needed. `handbook_error_pct` is the handbook's mean error on the
    stones that have all three sizes, None without coefficient; `own_error_pct` the program's on
    the same. `far_off` counts masses over 30 % off, which are in all figures.
    """

    material: str
    cut: str
    stones: int
    mean_error_pct: float
    median_error_pct: float
    holds_pct: float
    width_over_scatter: float | None
    handbook_error_pct: float | None
    own_error_pct: float | None
    far_off: int


def held_of(material: str, cut: str, mass: Array, value: Array, u: Array, handbook: Array) -> Held:
    """Judge n stones, each array (n,) in ct; `handbook` NaN where it says nothing."""
    fill, reach = np.log(mass / value), REACH * u / value
    error = 100 * (value - mass) / mass
    both = np.isfinite(handbook)
    # 95 % of so few stones is all of them: no figure below 20.
    scatter = float(np.quantile(np.abs(fill), 0.95)) if len(mass) >= 20 else 0.0
    return Held(
        material=material,
        cut=cut,
        stones=len(mass),
        mean_error_pct=float(np.mean(np.abs(error))),
        median_error_pct=float(np.median(error)),
        holds_pct=100 * float(np.mean(np.abs(fill) <= reach)),
        width_over_scatter=float(np.median(reach)) / scatter if scatter > 0 else None,
        handbook_error_pct=(
            float(np.mean(100 * np.abs(handbook[both] / mass[both] - 1))) if both.any() else None
        ),
        own_error_pct=float(np.mean(np.abs(error[both]))) if both.any() else None,
        far_off=int(np.sum(np.abs(mass / value - 1) > MOST_OFF)),
    )


class Weighed(Struct, frozen=True, kw_only=True):
    """Stones of a cut and material whose mass is known; arrays (n,), in ct but for `lines`."""

    material: str
    cut: str
    lines: NDArray[np.int64]
    mass: Array
    value: Array
    u: Array
    handbook: Array


def held_by_cut(parts: Sequence[Weighed]) -> tuple[Held, ...]:
    """Judge weighed stones by material and cut, in alphabetical order."""
    found = []
    for (material, cut), some in sorted(_by(parts, "material", "cut").items()):
        mass, value, u, handbook = (
            np.concatenate([getattr(part, name) for part in some])
            for name in ("mass", "value", "u", "handbook")
        )
        found.append(held_of(material, cut, mass, value, u, handbook))
    return tuple(found)


def learn(parts: Sequence[Weighed], date: str) -> tuple[dict[str, Learned], list[tuple[int, str]]]:
    """Learn by cut; and, by line, the stones that nothing was learned from, and why."""
    found: dict[str, Learned] = {}
    left: list[tuple[int, str]] = []
    for (name,), some in sorted(_by(parts, "cut").items()):
        lines, mass, value, u = (
            np.concatenate([getattr(part, key) for part in some])
            for key in ("lines", "mass", "value", "u")
        )
        near = np.abs(mass / value - 1) <= MOST_OFF
        left += [
            (int(lines[k]), f"nothing learned: mass_ct = {mass[k]:g} is over "
             f"{100 * MOST_OFF:.0f} % off the weight by size, {value[k]:.3g} ct; is it this "
             "stone's?")
            for k in np.flatnonzero(~near)
        ]  # fmt: skip
        if near.sum() < LEAST_STONES:
            few = f"nothing learned: fewer than {LEAST_STONES} weighed stones of {name}"
            left += [(int(line), few) for line in lines[near]]
        else:
            found[name] = learned_of(mass[near], value[near], u[near], date)
    return found, sorted(left)


def _by(parts: Sequence[Weighed], *keys: str) -> dict[tuple[str, ...], list[Weighed]]:
    found: dict[tuple[str, ...], list[Weighed]] = {}
    for part in parts:
        found.setdefault(tuple(getattr(part, key) for key in keys), []).append(part)
    return found
