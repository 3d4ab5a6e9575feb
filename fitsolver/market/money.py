"""What a budget allows: price ceilings, the largest stone it buys, and thresholds worth minding."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import ROUND_DOWN, Decimal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.budgeting.budget import CENT, POINT_CT, Bracket, Budget
from fitsolver.fitting.proposal import Proposal
from fitsolver.stones.material import Material
from fitsolver.units import document_weight_ct
from fitsolver.weighing.weight import every_make, weigh_list

Array = NDArray[np.float64]


class Amounts(Struct, frozen=True, kw_only=True):
    """An interval of money or of a price per carat; both equal where one figure was quoted."""

    low: Decimal
    high: Decimal


class PricedSize(Struct, frozen=True, kw_only=True):
    """A size with its estimated weight, the ceiling there and, if quoted, its price.

    `weight_ct` is the estimate, `low_ct` to `high_ct` its interval, `document_ct` the estimate as a
    document writes it, `heavy_document_ct` the heavy end. `ceiling_per_ct` holds at the estimate,
    `safe_ceiling_per_ct` even at the heavy end; both are cut off to a hundredth.
    """

    length_mm: float
    width_mm: float
    depth_mm: float
    weight_ct: float
    low_ct: float
    high_ct: float
    document_ct: Decimal
    heavy_document_ct: Decimal
    ceiling_per_ct: Decimal
    safe_ceiling_per_ct: Decimal
    per_ct: Amounts | None
    price: Amounts | None


class StepDown(Struct, frozen=True, kw_only=True):
    """A threshold at which the price per carat jumps, where a little less is the better buy.

    `below` is the largest size that still weighs less, `above` the one it is compared with:
    the size to ask for where that lies a little over the threshold, else the first at it.
    """

    threshold_ct: Decimal
    below: PricedSize
    above: PricedSize
    saves: Amounts
    gives_up_ct: Decimal
    gives_up_length_mm: float
    gives_up_width_mm: float


class Unquoted(Struct, frozen=True, kw_only=True):
    """Document weights of the seating range that no bracket covers, both ends included [ct]."""

    low_ct: Decimal
    high_ct: Decimal


class Short(Struct, frozen=True, kw_only=True):
    """By how much the cheapest stone that seats exceeds what is left, and what price would hold."""

    cut: str
    at: PricedSize
    short_by: Decimal
    holds_at_per_ct: Decimal


class PriceLimit(Struct, frozen=True, kw_only=True):
    """What the budget means for one cut over its seating range.

    `smallest`, `asked` and `largest` are the ends of the range and the size to ask for.
    `affordable` is the largest size of the range that what is left buys at the dear end of the
    quotes, by its estimated weight; `affordable_surely` the same by the heavy end of its weight;
    `affordable_at_best` by the cheap end of the quotes; None where there is none or nobody quoted.
    `most_ct` is the heaviest document weight it buys (dear end), `most_at_best_ct` (cheap end).
    """

    cut: str
    smallest: PricedSize
    asked: PricedSize
    largest: PricedSize
    affordable: PricedSize | None
    affordable_surely: PricedSize | None
    affordable_at_best: PricedSize | None
    most_ct: Decimal | None
    most_at_best_ct: Decimal | None
    steps: tuple[StepDown, ...]
    unquoted: tuple[Unquoted, ...]
    short: Short | None


class Money(Struct, frozen=True, kw_only=True):
    """The budget, what of it is left for the stone, and whether that buys any stone that seats.

    `short` is there where it does not buy the cheapest one, `notes` say what was not reckoned with.
    """

    budget: Budget
    left: Decimal
    short: Short | None
    notes: tuple[str, ...]


# Nobody sees a stone that is a tenth lighter: it is 3 % narrower. Common practice.
NEARLY = Decimal("1.1")
# Steps from one end of the range to the size asked for, and on to the other end, at most.
STEPS = 200
STEP_MM = 0.01

NOTES = (
    "All prices are as quoted in the mounting file; the tool knows none",
    "A price goes by the weight on the document: two decimals, cut off. Near a threshold the "
    "balance decides, not the caliper",
    "Treatment, origin and growth change a price per carat: compare like with like, as stated in "
    "writing, and leave them to a laboratory",
    "Not reckoned with: a stone lost in setting or recutting, tax, insurance, changes of price",
)


def price_limit(budget: Budget, item: Proposal, material: Material) -> PriceLimit:
    """Say what a budget means for a proposed cut.

    Sizes run from the smallest corner of its box through the size to ask for to the largest, in
    steps of a hundredth of a millimetre, so that outline and depth grow together.
    """
    cut = item.style.name
    sizes, asked = _sizes(item)
    row = _priced(budget, item, material, sizes)
    smallest, largest = row[0], row[-1]

    def buys(size: PricedSize) -> bool:
        return size.price is not None and size.price.high <= budget.left

    def surely(size: PricedSize) -> bool:
        heaviest = size.heavy_document_ct
        quote = budget.quote(cut, heaviest)
        return buys(size) and quote is not None and heaviest * quote.high <= budget.left

    def at_best(size: PricedSize) -> bool:
        return size.price is not None and size.price.low <= budget.left

    return PriceLimit(
        cut=cut,
        smallest=smallest,
        asked=row[asked],
        largest=largest,
        affordable=next(filter(buys, reversed(row)), None),
        affordable_surely=next(filter(surely, reversed(row)), None),
        affordable_at_best=next(filter(at_best, reversed(row)), None),
        most_ct=budget.most_ct(cut),
        most_at_best_ct=budget.most_ct(cut, dear=False),
        steps=tuple(_steps(budget.brackets_for(cut), row, row[asked])),
        unquoted=tuple(_unquoted(budget.brackets_for(cut), smallest, largest)),
        short=_short(budget, cut, row),
    )


def money(budget: Budget, limits: Sequence[PriceLimit]) -> Money:
    """Sum a budget up over the cuts that seat."""
    quoted = [item for item in limits if item.smallest.price or item.largest.price or item.short]
    short = [item.short for item in quoted if item.short is not None]
    none_holds = bool(short) and len(short) == len(quoted)
    return Money(
        budget=budget,
        left=budget.left,
        short=min(short, key=lambda item: item.short_by) if none_holds else None,
        notes=NOTES,
    )


def _sizes(item: Proposal) -> tuple[Array, int]:
    """Sizes from the smallest through the one to ask for to the largest: ((n, 3), its row)."""
    stone = item.ask.stone
    box = (item.length_mm, item.width_mm, item.depth_mm)
    middle = np.round([stone.length_mm, stone.width_mm, stone.depth_mm], 2)
    low = np.minimum([side.low for side in box], middle)
    high = np.maximum([side.high for side in box], middle)
    down, up = _leg(low, middle)[:-1], _leg(middle, high)
    return np.round(np.concatenate([down, up]), 2), len(down)


def _leg(start: Array, end: Array) -> Array:
    steps = min(round(float((end - start).max()) / STEP_MM), STEPS)
    return start + np.linspace(0.0, 1.0, steps + 1)[:, None] * (end - start) if steps else end[None]


def _priced(
    budget: Budget, item: Proposal, material: Material, sizes: Array
) -> tuple[PricedSize, ...]:
    """Weigh the sizes (n, 3) as the proposal does, and price them."""
    names = ("length_mm", "width_mm", "depth_mm")
    weights = weigh_list(
        every_make(item.style, material), material, dict(zip(names, sizes.T, strict=True))
    )
    row = []
    for k, (length, width, depth) in enumerate(sizes):
        weight, heavy = float(weights.weight_ct[k]), float(weights.high_ct[k])
        document = _document_ct(weight)
        quote = budget.quote(item.style.name, document)
        row.append(
            PricedSize(
                length_mm=float(length),
                width_mm=float(width),
                depth_mm=float(depth),
                weight_ct=weight,
                low_ct=float(weights.low_ct[k]),
                high_ct=heavy,
                document_ct=document,
                heavy_document_ct=_document_ct(heavy),
                ceiling_per_ct=ceiling_per_ct(budget.left, document),
                safe_ceiling_per_ct=ceiling_per_ct(budget.left, _document_ct(heavy)),
                per_ct=None if quote is None else Amounts(low=quote.low, high=quote.high),
                price=None
                if quote is None
                else Amounts(low=document * quote.low, high=document * quote.high),
            )
        )
    return tuple(row)


def ceiling_per_ct(left: Decimal, document_ct: Decimal) -> Decimal:
    """Highest price per carat at which a stone of a document weight costs no more than `left`.

    Formula: left / weight, cut off to a hundredth.

    >>> ceiling_per_ct(Decimal(1000), Decimal("1.50"))
    Decimal('666.66')
    """
    return (left / document_ct).quantize(CENT, rounding=ROUND_DOWN)


def _document_ct(weight_ct: float) -> Decimal:
    """Weight as a document writes it [ct]; at least a point, so that it can be divided by."""
    return max(document_weight_ct(weight_ct), POINT_CT)


def _steps(
    brackets: Sequence[Bracket], row: Sequence[PricedSize], asked: PricedSize
) -> Iterator[StepDown]:
    """Thresholds within the range where a little less weight costs less at both ends."""
    for bracket in brackets[1:]:
        threshold = bracket.from_ct
        under = [size for size in row if size.document_ct < threshold]
        over = [size for size in row if bracket.holds(size.document_ct)]
        if not under or not over:
            continue
        below, above = under[-1], over[0]
        if bracket.holds(asked.document_ct) and asked.document_ct <= threshold * NEARLY:
            above = asked
        if below.price is None or above.price is None:
            continue
        saves = Amounts(
            low=above.price.low - below.price.low, high=above.price.high - below.price.high
        )
        # Merely lighter is no better buy: the price of a carat has to jump.
        jumps = bracket.low > below.per_ct.low if below.per_ct is not None else False
        if jumps and min(saves.low, saves.high) > 0:
            yield StepDown(
                threshold_ct=threshold,
                below=below,
                above=above,
                saves=saves,
                gives_up_ct=above.document_ct - below.document_ct,
                gives_up_length_mm=round(above.length_mm - below.length_mm, 2),
                gives_up_width_mm=round(above.width_mm - below.width_mm, 2),
            )


def _unquoted(
    brackets: Sequence[Bracket], smallest: PricedSize, largest: PricedSize
) -> Iterator[Unquoted]:
    """Document weights of the range below the first bracket and above the last."""
    if not brackets:
        return
    low, high = smallest.document_ct, largest.document_ct
    first, end = brackets[0].from_ct, brackets[-1].below_ct
    if low < first:
        yield Unquoted(low_ct=low, high_ct=min(high, first - POINT_CT))
    if end is not None and high >= end:
        yield Unquoted(low_ct=max(low, end), high_ct=high)


def _short(budget: Budget, cut: str, row: Sequence[PricedSize]) -> Short | None:
    """Say by how much the cheapest stone of a row exceeds what is left; None if it does not."""
    costs = [(size.price.low, size) for size in row if size.price is not None]
    if not costs:
        return None
    price, size = min(costs, key=lambda pair: pair[0])
    if price <= budget.left:
        return None
    return Short(
        cut=cut,
        at=size,
        short_by=price - budget.left,
        holds_at_per_ct=size.ceiling_per_ct,
    )
