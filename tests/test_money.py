"""Thresholds that are worth minding, and weights nobody quoted for, at their very ends."""

from __future__ import annotations

from decimal import ROUND_UP, Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from fitsolver.budgeting.budget import Bracket, Budget
from fitsolver.fitting.box import Range
from fitsolver.market.money import PriceLimit, price_limit
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material

CORUNDUM = material("corundum")
POINT = Decimal("0.01")


def item(low: float = 7.0, asked: float = 8.0, high: float = 8.6) -> Any:
    """A proposed oval by the lengths of its box; three quarters as wide, 0.45 as deep."""
    sides = {
        name: Range(low=part * low, high=part * high)
        for name, part in (("length_mm", 1.0), ("width_mm", 0.75), ("depth_mm", 0.45))
    }
    stone = SimpleNamespace(length_mm=asked, width_mm=0.75 * asked, depth_mm=0.45 * asked)
    return SimpleNamespace(style=cut("oval-brilliant"), ask=SimpleNamespace(stone=stone), **sides)


def bracket(from_ct: Decimal | str, below_ct: Decimal | str | None, per_ct: int) -> Bracket:
    end = None if below_ct is None else Decimal(below_ct)
    return Bracket(from_ct=Decimal(from_ct), below_ct=end, low=Decimal(per_ct),
                   high=Decimal(per_ct))  # fmt: skip


def limit(*brackets: Bracket, **sizes: float) -> PriceLimit:
    budget = Budget(currency="EUR", total=Decimal(5000), brackets=brackets)
    return price_limit(budget, item(**sizes), CORUNDUM)


def stepped(threshold: Decimal) -> PriceLimit:
    return limit(bracket("0.01", threshold, 400), bracket(threshold, None, 600))


class TestStepDown:
    ASKED = limit(bracket("0.01", None, 400)).asked.document_ct

    def test_a_size_to_ask_for_up_to_a_tenth_over_a_threshold_is_compared_itself(self) -> None:
        threshold = (self.ASKED / Decimal("1.1")).quantize(POINT, rounding=ROUND_UP)
        found = stepped(threshold)
        (step,) = found.steps
        assert step.above == found.asked
        assert step.below.document_ct < threshold

    def test_beyond_a_tenth_the_first_size_at_the_threshold_is(self) -> None:
        threshold = (self.ASKED / Decimal("1.1")).quantize(POINT, rounding=ROUND_UP) - POINT
        (step,) = stepped(threshold).steps
        assert threshold <= step.above.document_ct <= threshold + POINT
        assert step.above.document_ct < self.ASKED

    def test_it_saves_what_the_two_cost_more_and_less(self) -> None:
        (step,) = stepped(self.ASKED - POINT).steps
        above, below = step.above.document_ct, step.below.document_ct
        assert step.saves.low == step.saves.high == 600 * above - 400 * below
        assert step.gives_up_ct == above - below
        assert step.gives_up_length_mm == pytest.approx(step.above.length_mm - step.below.length_mm)

    def test_no_step_where_a_carat_costs_no_more(self) -> None:
        same = limit(bracket("0.01", self.ASKED, 400), bracket(self.ASKED, None, 400))
        assert same.steps == ()


class TestUnquoted:
    SMALLEST, LARGEST = (
        getattr(limit(bracket("0.01", None, 400)), end).document_ct
        for end in ("smallest", "largest")
    )

    def test_the_last_bracket_ends_below_its_end(self) -> None:
        (rest,) = limit(bracket("0.01", self.LARGEST, 400)).unquoted
        assert (rest.low_ct, rest.high_ct) == (self.LARGEST, self.LARGEST)
        assert limit(bracket("0.01", self.LARGEST + POINT, 400)).unquoted == ()

    def test_from_the_end_of_the_last_bracket_to_the_largest(self) -> None:
        end = self.LARGEST - 5 * POINT
        (rest,) = limit(bracket("0.01", end, 400)).unquoted
        assert (rest.low_ct, rest.high_ct) == (end, self.LARGEST)

    def test_from_the_smallest_to_a_point_below_the_first_bracket(self) -> None:
        first = self.SMALLEST + 5 * POINT
        (rest,) = limit(bracket(first, None, 400)).unquoted
        assert (rest.low_ct, rest.high_ct) == (self.SMALLEST, first - POINT)
        assert limit(bracket(self.SMALLEST, None, 400)).unquoted == ()

    def test_a_bracket_beyond_all_of_them_leaves_all_unquoted(self) -> None:
        (rest,) = limit(bracket(self.LARGEST + 1, None, 400)).unquoted
        assert (rest.low_ct, rest.high_ct) == (self.SMALLEST, self.LARGEST)

    def test_nobody_who_quoted_nothing_is_told_what_is_missing(self) -> None:
        assert limit().unquoted == ()


class TestWhatIsLeftBuys:
    def test_to_the_very_amount(self) -> None:
        """A stone that costs exactly what is left is bought; with a cent less it is not."""
        largest = limit(bracket("0.01", None, 400)).largest
        price = 400 * largest.document_ct
        for total, buys in ((price, True), (price - POINT, False)):
            budget = Budget(currency="EUR", total=total, brackets=(bracket("0.01", None, 400),))
            found = price_limit(budget, item(), CORUNDUM)
            assert (found.affordable == found.largest) is buys

    def test_surely_by_the_heavy_end_of_the_weight(self) -> None:
        budget = Budget(currency="EUR", total=Decimal(600), brackets=(bracket("0.01", None, 400),))
        found = price_limit(budget, item(), CORUNDUM)
        assert found.affordable is not None
        assert found.affordable_surely is not None
        assert 400 * found.affordable_surely.heavy_document_ct <= 600
        assert found.affordable_surely.length_mm < found.affordable.length_mm

    def test_what_the_cheapest_is_too_dear_by(self) -> None:
        budget = Budget(currency="EUR", total=Decimal(100), brackets=(bracket("0.01", None, 400),))
        found = price_limit(budget, item(), CORUNDUM)
        assert found.short is not None
        assert found.short.short_by == 400 * found.smallest.document_ct - 100
        assert found.short.at == found.smallest
