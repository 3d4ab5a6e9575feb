"""The size spec: what to ask for in a mounting, what to refuse, and what that rests on.

One object that every face shows: it is judged once, by `proposal.propose`, and carries the
judgement along, so that no face has to ask again.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Iterator

from msgspec import Struct

from fitsolver.crew import Crew, alone
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.box import Box, Range
from fitsolver.fitting.judge import Verdict
from fitsolver.fitting.proposal import LIMIT, CalibratedSize, Proposals, propose
from fitsolver.fitting.requirement import KINDS
from fitsolver.fitting.setting import cautions
from fitsolver.fitting.solver import Check
from fitsolver.market.aim import Aim, Aimed, aim_all
from fitsolver.market.money import Money, PriceLimit, money
from fitsolver.market.refusal import NEAREST, Refusal, refusals, why
from fitsolver.seats.belief import Assumed
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.material import Material


class Tolerance(Struct, frozen=True, kw_only=True):
    """How far length and width may both be over (`plus`) or under (`minus`) a size [mm]."""

    plus: float
    minus: float


class Wanted(Struct, frozen=True, kw_only=True):
    """One cut to ask for, with the limits within which every size earns its verdict.

    `ask` is the judgement of the size to ask for, `aim` why it is that one (`aim.aimed`);
    `weight_ct` runs from the lightest stone of the smallest size to the heaviest of the largest.
    `after_alteration` is the box (length, width, depth) that alteration opens, where the size seats
    without. `price` is there where a budget is.
    """

    style: CutStyle
    verdict: Verdict
    probability: float
    ask: Check
    aim: Aim
    length_mm: Range
    width_mm: Range
    depth_mm: Range
    after_alteration: Box | None
    weight_ct: Range
    ask_weight_ct: float
    ask_weight_u_ct: float
    calibrated: tuple[CalibratedSize, ...]
    notes: tuple[str, ...]
    reasons: tuple[str, ...]
    price: PriceLimit | None

    @property
    def tolerance_mm(self) -> Tolerance:
        """How far the outline may stray from the size to ask for within the limits [mm]."""
        stone = self.ask.stone
        over = (self.length_mm.high - stone.length_mm, self.width_mm.high - stone.width_mm)
        under = (stone.length_mm - self.length_mm.low, stone.width_mm - self.width_mm.low)
        return Tolerance(plus=_room(over), minus=_room(under))


class ReadingLine(Struct, frozen=True, kw_only=True):
    """A reading of the mounting that the spec rests on, one-sided errors corrected."""

    name: str
    value_mm: float
    u_mm: float
    instrument: str
    level: str
    kind: str
    repeats: int
    note: str


class Change(Struct, frozen=True, kw_only=True):
    """What would have to change for a cut to seat, where none does.

    `short_by_mm` is how far its best size misses `requirement`; `work` the alteration that answers
    to it, `allowed_mm` how far bench practice goes with that and `caution` what to mind; empty and
    0 where there is none.
    """

    cut: str
    length_mm: float
    width_mm: float
    requirement: str
    why: str
    short_by_mm: float
    work: str
    allowed_mm: float
    caution: str


class Spec(Struct, frozen=True, kw_only=True, dict=True):
    """The size spec of a mounting on a day.

    `wanted` in order of preference, empty where nothing seats: then `changes` says what is in the
    way, nearest miss first. `tolerance_mm` is that of the first choice, None where there is none.
    `proposals` ask for the same sizes as `wanted`.
    """

    mounting: Mounting
    material: Material
    date: datetime.date
    wanted: tuple[Wanted, ...]
    refuse: tuple[Refusal, ...]
    tolerance_mm: Tolerance | None
    readings: tuple[ReadingLine, ...]
    assumed: tuple[Assumed, ...]
    cautions: tuple[str, ...]
    changes: tuple[Change, ...]
    money: Money | None
    proposals: Proposals

    @property
    def verdict(self) -> Verdict:
        """The best verdict that any cut earns."""
        order: tuple[Verdict, ...] = ("seats", "seats after alteration", "not decided")
        earned = {item.verdict for item in self.wanted}
        return next((verdict for verdict in order if verdict in earned), "does not seat")


def spec(
    bench: Bench,
    material: Material,
    *,
    date: datetime.date,
    limit: int = LIMIT,
    styles: Iterable[CutStyle] | None = None,
    progress: Callable[[int, int], None] | None = None,
    crew: Crew = alone,
) -> Spec:
    """Work out the size spec of a mounting.

    Parameters
    ----------
    bench : Bench
        The mounting made ready (`bench.bench`).
    material : Material
        What the stone is to be.
    date : datetime.date
        The day written on the spec; the caller's, so that the same readings give the same spec.
    limit : int
        How many cuts are worked out at most.
    styles : iterable of CutStyle, optional
        The cuts to judge, if not all.
    progress : callable, optional
        Told how much is done, of how much.
    crew : Crew
        Who judges the cuts.

    Returns
    -------
    Spec
        Without `wanted` where nothing seats.

    """
    found = propose(bench, material, styles=styles, limit=limit, progress=progress, crew=crew)
    budget = bench.mounting.budget
    found, sizes = aim_all(bench, found, crew)
    wanted = tuple(_wanted(size) for size in sizes)
    seating = [item for item in wanted if item.verdict != "not decided"] or wanted
    limits = [item.price for item in seating if item.price is not None]
    return Spec(
        mounting=bench.mounting,
        material=material,
        date=date,
        wanted=wanted,
        refuse=refusals(bench, found),
        tolerance_mm=wanted[0].tolerance_mm if wanted else None,
        readings=tuple(_readings(bench.mounting)),
        assumed=found.assumed,
        cautions=cautions(material, bench.mounting),
        changes=() if wanted else _changes(bench, found),
        money=None if budget is None else money(budget, limits),
        proposals=found,
    )


def _room(sides_mm: Iterable[float]) -> float:
    return max(0.0, round(min(sides_mm), 2))


def _wanted(size: Aimed) -> Wanted:
    item = size.proposal
    return Wanted(
        style=item.style,
        verdict=item.verdict,
        probability=item.probability,
        ask=item.ask,
        aim=size.aim,
        length_mm=item.length_mm,
        width_mm=item.width_mm,
        depth_mm=item.depth_mm,
        after_alteration=item.after_alteration,
        weight_ct=item.weight_ct,
        ask_weight_ct=item.ask_weight_ct,
        ask_weight_u_ct=item.ask_weight_u_ct,
        calibrated=item.calibrated,
        notes=item.notes,
        reasons=item.reasons,
        price=size.price,
    )


def _readings(mounting: Mounting) -> Iterator[ReadingLine]:
    for place, reading in mounting.readings.items():
        yield ReadingLine(
            name=str(place),
            value_mm=reading.value_mm,
            u_mm=reading.u_mm,
            instrument=reading.instrument,
            level=reading.level or "",
            kind=reading.kind,
            repeats=reading.repeats,
            note=reading.note,
        )


def _changes(ready: Bench, found: Proposals) -> tuple[Change, ...]:
    """What stops the nearest misses, and how far the bench may go against it."""
    claws = ready.mounting.holds == "claws"
    changes = []
    for left in found.left_out[:NEAREST]:
        kind = KINDS.get(left.requirement)
        work, caution = "", ""
        if kind is not None and left.room_mm > 0:
            work = kind.claw_alteration if claws and kind.claw_alteration else kind.alteration
            caution = kind.caution
        changes.append(
            Change(
                cut=left.cut,
                length_mm=left.length_mm,
                width_mm=left.width_mm,
                requirement=left.requirement,
                why=why(left.requirement, ready.mounting),
                short_by_mm=left.shortfall_mm,
                work=work,
                allowed_mm=left.room_mm,
                caution=caution,
            )
        )
    return tuple(changes)
