"""What a budget allows: price ceilings, the largest stone it buys, and thresholds worth minding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from fitsolver.fitting.proposal import Proposal
from fitsolver.market.budget import Budget
from fitsolver.stones.material import Material

CENT = Decimal("0.01")


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """An interval of money or of a price per carat; both equal where one figure was quoted."""

    low: Decimal
    high: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedSize:
    """A size with its estimated weight, the ceiling there and, if quoted, its price.

    `weight_ct` is the estimate, `low_ct` to `high_ct` its interval, `document_ct` the estimate as a
    document writes it. `ceiling_per_ct` holds at that weight, `safe_ceiling_per_ct` even at the
    heavy end of the interval; both are cut off to a hundredth.
    """

    length_mm: float
    width_mm: float
    depth_mm: float
    weight_ct: float
    low_ct: float
    high_ct: float
    document_ct: Decimal
    ceiling_per_ct: Decimal
    safe_ceiling_per_ct: Decimal
    per_ct: Amounts | None
    price: Amounts | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDown:
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Unquoted:
    """Document weights of the seating range that no bracket covers, both ends included [ct]."""

    low_ct: Decimal
    high_ct: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Short:
    """By how much the cheapest stone that seats exceeds what is left, and what price would hold."""

    cut: str
    at: PricedSize
    short_by: Decimal
    holds_at_per_ct: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceLimit:
    """What the budget means for one cut over its seating range.

    `smallest`, `asked` and `largest` are the ends of the range and the size to ask for.
    `affordable` is the largest size of the range that what is left buys at the dear end of the
    quotes, by its estimated weight; `affordable_surely` the same by the heavy end of its weight;
    `affordable_at_best` by the cheap end of the quotes; None where there is none or nobody quoted.
    `most_ct` is the heaviest document weight it buys (dear end), `most_at_best_ct` (cheap end).
    """

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Money:
    """The budget, what of it is left for the stone, and whether that buys any stone that seats.

    `short` is there where it does not buy the cheapest one, `notes` say what was not reckoned with.
    """

    budget: Budget
    left: Decimal
    short: Short | None
    notes: tuple[str, ...]


def price_limit(budget: Budget, item: Proposal, material: Material) -> PriceLimit:
    """Say what a budget means for a proposed cut."""
    raise NotImplementedError


def money(budget: Budget, limits: Sequence[PriceLimit]) -> Money:
    """Sum a budget up over the cuts that seat."""
    raise NotImplementedError
