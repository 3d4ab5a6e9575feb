"""Candidates for one mounting, judged alike and ranked: seat, price, mass, and what it takes.

Every stone is judged as `solver.check` judges one. Of a long table that would take minutes, so
each stone has a first look with fewer draws, many of them placed at once, and only the best are
judged in full; which is which stays visible (`Compared.check` is None after a first look).

Nothing here says what a stone is. A mass that does not go with a size says that stone, cut or
readings are not as offered; what somebody states of a stone is repeated with who states it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.budgeting.budget import POINT_CT
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.judge import VERDICTS, Verdict, judge, stands
from fitsolver.fitting.security import Security, not_held, security
from fitsolver.fitting.setting import Alteration, alterations
from fitsolver.fitting.sizes import as_read, stone_sizes
from fitsolver.fitting.solver import Check, check
from fitsolver.market.candidate import Candidate
from fitsolver.market.reservation import questions, rank_of, reservations
from fitsolver.readings.reading import rectangular_u
from fitsolver.readings.uncertainty import Estimate
from fitsolver.seats.allowance import Allowances
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.form import form
from fitsolver.text.layout import per_cent
from fitsolver.units import document_weight_ct
from fitsolver.weighing.consistency import Consistency, consistency
from fitsolver.weighing.evidence import HALF_WIDTHS, Evidence, evidence_of
from fitsolver.weighing.makes import mixture_of
from fitsolver.weighing.weight import log_normal, weigh_evidence

Array = NDArray[np.float64]
Progress = Callable[[int, int], None]
Within = Literal["under", "over", "perhaps"]

IN_FULL = 40
"""So many stones at most are judged with all draws."""
FIRST_DRAWS = 96
# Stones placed at once, and how far their ratio may be off the figure's (2 % apart at most).
_BATCH = 32
_RATIO_STEP = 0.02


class Ceiling(Struct, frozen=True, kw_only=True):
    """What is left for the stone, in the buyer's currency, and what a carat may cost by it."""

    left: Decimal

    def per_ct(self, weight_ct: float) -> Decimal:
        """The most that a carat may cost in a stone of a weight [ct], cut off to a hundredth."""
        from fitsolver.market.money import ceiling_per_ct

        return ceiling_per_ct(self.left, _paid_ct(weight_ct))


class Look(Struct, frozen=True, kw_only=True):
    """The judgement on one stone as far as a table needs it; the margin is the binding one's.

    A stone that metal does not hold (`security`) does not seat, whatever its probability.
    """

    verdict: Verdict
    probability: float
    probability_after_alteration: float
    binding: str
    margin_mm: float
    margin_u_mm: float
    draws: int
    security: Security


class CandidateCost(Struct, frozen=True, kw_only=True):
    """What a stone costs, in the buyer's currency.

    A price per carat is paid by the weight on the document, which is cut off: totals and prices per
    carat are worked out with that. The ends `low` and `high` differ where the mass was not weighed:
    then they are those of the estimated weight. `within` compares the total with what is left; it
    and `ceiling_per_ct` are None where there is no ceiling.
    """

    total: float
    total_low: float
    total_high: float
    per_ct: float
    per_ct_low: float
    per_ct_high: float
    by_mass: bool
    ceiling_per_ct: float | None
    within: Within | None


class Compared(Struct, frozen=True, kw_only=True):
    """One candidate with everything a buyer lays side by side.

    `check` is the full judgement, None where only a first look was taken; `alterations` are then
    not worked out. `agreement` is None where the mass was not weighed. `reasons` say why it ranks
    where it does, `reservations` what speaks against it and `questions` what to ask before buying
    it (`reservation.RULE`).
    """

    rank: int
    candidate: Candidate
    look: Look
    check: Check | None
    alterations: tuple[Alteration, ...]
    weight_ct: Estimate
    warnings: tuple[str, ...]
    agreement: Consistency | None
    cost: CandidateCost | None
    reasons: tuple[str, ...] = ()
    reservations: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()

    @property
    def alteration_mm(self) -> float:
        """Metal to move beyond ordinary setting, all alterations together, at most [mm]."""
        return sum(work.at_most_mm for work in self.alterations)

    @property
    def mass_agrees(self) -> bool | None:
        """Whether the mass belongs to the size in the material offered; None if not weighed."""
        offered = None if self.agreement is None else self.agreement.offered
        return None if offered is None else offered.compatible


class Comparison(Struct, frozen=True, kw_only=True):
    """Candidates for one mounting, the best first."""

    mounting: Mounting
    stones: tuple[Compared, ...]
    has_ceiling: bool

    def count(self, verdict: Verdict, *, reserved: bool = False) -> int:
        """Count the stones of a verdict, or those of them that have a reservation."""
        return sum(
            stone.look.verdict == verdict and (bool(stone.reservations) or not reserved)
            for stone in self.stones
        )

    @property
    def clear(self) -> Compared | None:
        """The first choice: the first that seats, as it is or altered, without a reservation."""
        return next(
            (stone for stone in self.stones
             if VERDICTS.index(stone.look.verdict) <= 1 and not stone.reservations),
            None,
        )  # fmt: skip


def compare(
    ready: Bench,
    candidates: Sequence[Candidate],
    *,
    ceiling: Ceiling | None = None,
    in_full: int = IN_FULL,
    progress: Progress | None = None,
) -> Comparison:
    """Judge candidates for one mounting and rank them.

    Parameters
    ----------
    ready : Bench
        The mounting made ready, with all its draws.
    candidates : sequence of Candidate
        Sound rows, from `read_candidates`.
    ceiling : Ceiling, optional
        What is left to be spent, from `ceiling_of`.
    in_full : int
        How many stones are judged with all draws; of more, the best after a first look.
    progress : callable, optional
        Is told how many stones are done, of how many.

    Returns
    -------
    Comparison
        Ranked by verdict, reservations (`reservation.RULE`), probability in whole per cent, metal
        to move (of those that do not seat, what is missing), budget, mass, row.

    """
    told = progress or (lambda done, total: None)
    weights = _weights(candidates)
    known: dict[int, Compared] = {}

    def noted(k: int, found: Look, whole: Check | None) -> None:
        weight, said, agreement = weights[k]
        cost = _cost(candidates[k], weight, ceiling)
        offered = None if agreement is None else agreement.offered
        against = reservations(
            candidates[k],
            mass_agrees=None if offered is None else offered.compatible,
            over_ceiling=cost is not None and cost.within == "over",
        )
        known[k] = Compared(
            rank=0,
            candidate=candidates[k],
            look=found,
            check=whole,
            alterations=() if whole is None else alterations(whole),
            weight_ct=weight,
            warnings=said,
            agreement=agreement,
            cost=cost,
            reservations=tuple(against),
            questions=tuple(questions(candidates[k])),
        )

    total = len(candidates)
    waiting = set(range(total))
    if total > in_full:
        for k, found in _first_looks(ready, candidates):
            noted(k, found, None)
            told(len(known), total + in_full)
    else:
        for k in sorted(waiting):
            noted(k, *_in_full(ready, candidates[k]))
            told(len(known), total)
        waiting.clear()
    # A full judgement may change the order, so the best are looked up anew until all have one.
    judged = 0
    while waiting and judged < in_full:
        best = sorted(known, key=lambda k: _key(known[k]))[:in_full]
        chosen = next((k for k in best if k in waiting), None)
        if chosen is None:
            break
        noted(chosen, *_in_full(ready, candidates[chosen]))
        waiting.remove(chosen)
        judged += 1
        told(total + judged, total + in_full)
    order = sorted(known.values(), key=_key)
    return Comparison(
        mounting=ready.mounting,
        stones=tuple(
            replace(stone, rank=rank, reasons=tuple(_reasons(stone)))
            for rank, stone in enumerate(order, start=1)
        ),
        has_ceiling=ceiling is not None,
    )


def ceiling_of(ready: Bench) -> Ceiling | None:
    """What is left of the mounting's budget; None without a budget."""
    budget = ready.mounting.budget
    return None if budget is None else Ceiling(left=budget.left)


def _key(stone: Compared) -> tuple[int, int, int, float, int, int, int]:
    look = stone.look
    altered = look.verdict != "seats"
    chance = look.probability_after_alteration if altered else look.probability
    within = None if stone.cost is None else stone.cost.within
    # Of those that do not seat the nearest miss comes first.
    metal = -look.margin_mm if look.verdict == "does not seat" else stone.alteration_mm
    return (
        VERDICTS.index(look.verdict),
        rank_of(bool(stone.reservations)),
        -round(100 * chance),
        round(metal, 2),
        {"under": 0, "over": 2}.get(within or "", 1),
        {True: 0, None: 1, False: 2}[stone.mass_agrees],
        stone.candidate.row,
    )


# The seat


def _bench_for(ready: Bench, candidate: Candidate) -> Bench:
    """Give the bench the doubt of the instrument that took the stone's lengths."""
    if candidate.u_mm is None:
        return ready
    allowed = Allowances(
        {**ready.allowances, "stone_reading_u_mm": candidate.u_mm}, ready.allowances.overridden
    )
    return replace(ready, allowances=allowed)


def _in_full(ready: Bench, candidate: Candidate) -> tuple[Look, Check]:
    found = check(
        _bench_for(ready, candidate),
        candidate.style,
        *candidate.sizes_mm,
        heights_mm=candidate.heights_mm,
    )
    binding = next(item for item in found.requirements if item.name == found.binding)
    look = Look(
        verdict=found.verdict,
        probability=found.probability,
        probability_after_alteration=found.probability_after_alteration,
        binding=found.binding,
        margin_mm=binding.margin_mm,
        margin_u_mm=binding.u_mm,
        draws=ready.seats.count - 1,
        security=found.security,
    )
    return look, found


def _first_looks(ready: Bench, candidates: Sequence[Candidate]) -> Iterator[tuple[int, Look]]:
    """Look at every candidate over the first draws, those of a kind placed together."""
    kinds: dict[tuple[object, ...], list[int]] = {}
    for k, candidate in enumerate(candidates):
        length, width, _ = candidate.sizes_mm
        step = round(float(np.log(length / width)) / _RATIO_STEP)
        key = candidate.style.name, step, candidate.u_mm, tuple(candidate.heights_mm)
        kinds.setdefault(key, []).append(k)
    for kind in kinds.values():
        # Those of like size lie side by side: each starts where the middle one has centred.
        members = sorted(kind, key=lambda k: candidates[k].sizes_mm)
        for start in range(0, len(members), _BATCH):
            batch = members[start : start + _BATCH]
            yield from zip(
                batch, _look_together(ready, [candidates[k] for k in batch]), strict=True
            )


def _look_together(ready: Bench, stones: Sequence[Candidate]) -> Iterator[Look]:
    """Look at stones of one cut, nearly one ratio, one instrument and the same heights read."""
    ready = _bench_for(ready, stones[0])
    style, allowed = stones[0].style, ready.allowances
    length, width, depth = np.array([stone.sizes_mm for stone in stones]).T
    heights = {
        name: np.array([stone.heights_mm[name] for stone in stones])
        for name in stones[0].heights_mm
    }
    limits = style.length_ratio
    figure = form(style, float(np.clip(np.median(length / width), limits.low, limits.high)))
    stand = stands(
        ready, style, length, width, depth, figure=figure, heights_mm=heights, squeezed=True
    )
    found = judge(
        ready, style, length, width, depth[:, None], stand, draws=FIRST_DRAWS, figure=figure,
        heights_mm=heights, squeezed=True,
    )  # fmt: skip
    read = stone_sizes(style, length, width, depth, allowed["stone_reading_u_mm"], 0, heights)
    for k, which in enumerate(found.binding[:, 0].tolist()):
        stone = as_read(figure, read.rows(np.array([k])))
        x, y = found.shift[k].tolist()
        holding = security(ready.best, stone, (x, y), float(stand.turn[k]), allowed)
        yield Look(
            verdict=VERDICTS[found.verdict[k, 0]] if holding.held else "does not seat",
            probability=float(found.probability[k, 0]),
            probability_after_alteration=float(found.after[k, 0]),
            binding=found.names[which],
            margin_mm=float(found.median[k, 0, which]),
            margin_u_mm=float(found.margins[k, 0, which].std()),
            draws=found.margins.shape[-1],
            security=holding,
        )


# The weight

Weighed = tuple[Estimate, tuple[str, ...], Consistency | None]


def _weights(candidates: Sequence[Candidate]) -> dict[int, Weighed]:
    """Weigh all candidates from their sizes, those of one cut and material together."""
    kinds: dict[tuple[object, ...], list[int]] = {}
    for k, candidate in enumerate(candidates):
        makes = tuple(made.make for made in candidate.styles)
        kinds.setdefault((candidate.style.name, makes, candidate.stuff.name), []).append(k)
    found: dict[int, Weighed] = {}
    for members in kinds.values():
        first = candidates[members[0]]
        evidence = _together([evidence_of(first.style, candidates[k].measured()) for k in members])
        value, u, remarks = weigh_evidence(first.styles, first.stuff, evidence)
        # Of a stone of density 1, as `consistency.implied_density` takes it.
        size = [item for item in evidence if item.name != "density_g_cm3"]
        unit, unit_u = mixture_of(first.styles, (1.0, 0.0), size).value_and_u("weight_ct")
        for row, k in enumerate(members):
            one = slice(row, row + 1)
            mass, agreement = candidates[k].mass_ct, None
            if mass is not None:
                doubt = rectangular_u(HALF_WIDTHS["_ct"]) / mass
                density = mass / unit[one]
                spread = density * np.hypot(doubt, unit_u[one] / unit[one])
                agreement = consistency(log_normal(density, spread), first.stuff)
            said = tuple(text for at, text in remarks if at == row)
            found[k] = log_normal(value[one], u[one]), said, agreement
    return found


def _together(stones: Sequence[Sequence[Evidence]]) -> list[Evidence]:
    """Lay the evidence on several stones side by side, NaN where a stone has no such reading."""
    names: dict[tuple[str, str | None, int], None] = {}
    each: list[dict[tuple[str, str | None, int], Evidence]] = []
    for stone in stones:
        own: dict[tuple[str, str | None, int], Evidence] = {}
        for item in stone:
            again = sum(key[0] == item.name for key in own)
            own[item.name, item.cause, again] = item
        names.update(dict.fromkeys(own))
        each.append(own)

    def column(key: tuple[str, str | None, int], part: str, empty: float) -> Array:
        return np.array([
            float(getattr(own[key], part)[0]) if key in own else empty for own in each
        ])  # fmt: skip

    return [
        Evidence(
            name=key[0],
            values=column(key, "values", np.nan),
            u_own=column(key, "u_own", 1.0),
            u_shared=column(key, "u_shared", 0.0),
            cause=key[1],
        )
        for key in names
    ]


# The price


def _paid_ct(weight_ct: float) -> Decimal:
    """Weight that is paid [ct]: that on the document, at least a point."""
    return max(document_weight_ct(weight_ct), POINT_CT)


def _cost(candidate: Candidate, weight: Estimate, ceiling: Ceiling | None) -> CandidateCost | None:
    mass = candidate.mass_ct
    middle = weight.value if mass is None else mass
    ends = (weight.low, middle, weight.high) if mass is None else (middle,) * 3
    paid = [_paid_ct(each) for each in ends]
    # Decimals as typed, so that a price that takes all that is left is within it.
    if candidate.price is not None:
        totals = [Decimal(str(candidate.price))] * 3
        rates = [totals[0] / each for each in reversed(paid)]
    elif candidate.price_per_ct is not None:
        rates = [Decimal(str(candidate.price_per_ct))] * 3
        totals = [rates[0] * each for each in paid]
    else:
        return None
    within: Within | None = None
    if ceiling is not None:
        held = {total <= ceiling.left for total in totals}
        within = "perhaps" if len(held) > 1 else "under" if True in held else "over"
    return CandidateCost(
        total=float(totals[1]),
        total_low=float(totals[0]),
        total_high=float(totals[2]),
        per_ct=float(rates[1]),
        per_ct_low=float(rates[0]),
        per_ct_high=float(rates[2]),
        by_mass=mass is not None,
        ceiling_per_ct=None if ceiling is None else float(ceiling.per_ct(middle)),
        within=within,
    )


# Why


def _reasons(stone: Compared) -> Iterator[str]:
    """Why a stone ranks where it does, in the order in which it counts."""
    look = stone.look
    altered = look.verdict != "seats"
    chance = look.probability_after_alteration if altered else look.probability
    after = " after alteration" if altered and look.verdict != "seats after alteration" else ""
    unheld = not_held(look.security)
    yield f"{look.verdict}: {unheld}" if unheld else f"{look.verdict}, {per_cent(chance)}{after}"
    if stone.check is None:
        yield f"a first look over {look.draws} draws, alterations not worked out"
    elif look.verdict == "seats":
        yield "no alteration"
    elif stone.alterations and look.verdict != "does not seat":
        yield f"up to {stone.alteration_mm:.2f} mm of metal to move"
    if stone.cost is not None and stone.cost.within is not None:
        yield {
            "under": "within the budget",
            "over": "over the budget",
            "perhaps": "perhaps within the budget, by its weight",
        }[stone.cost.within]
    if stone.mass_agrees is not None:
        yield "mass and size agree" if stone.mass_agrees else "mass and size do not agree"
