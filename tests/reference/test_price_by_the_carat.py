"""Prices by the carat, held against what is published of weights and thresholds.

- R. Cartier FGA, "Weighty Considerations" (the rule attributed there to CIBJO): a document cuts a
  weight off at the second decimal and rounds up only from a nine in the third.
- Price of a stone = carats x price per carat, and the price per carat jumps at whole carats:
  common practice. The prices below are invented.
- J. Sweaney, 2012: a stone of 1.63 ct was recut on its pavilion alone to 1.45 ct.
"""

from __future__ import annotations

from decimal import Decimal
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from fitsolver.budgeting.budget import Bracket, Budget
from fitsolver.fitting.box import Range
from fitsolver.fitting.sizes import nominal_stone
from fitsolver.market.money import PriceLimit, price_limit
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.units import document_weight_ct

if TYPE_CHECKING:
    from fitsolver.fitting.proposal import Proposal


def budget(total: str, *prices: tuple[str, str | None, str]) -> Budget:
    rows = tuple(
        Bracket(
            from_ct=Decimal(start),
            below_ct=None if below is None else Decimal(below),
            low=Decimal(price),
            high=Decimal(price),
        )
        for start, below, price in prices
    )
    return Budget(currency="EUR", total=Decimal(total), brackets=rows)


JUMPS = (("0.50", "1", "300"), ("1", "2", "700"), ("2", "3", "900"))


@pytest.mark.parametrize(
    ("balance_ct", "per_ct"),
    # The document decides, not the balance's third decimal, save a nine.
    [("0.998", 300), ("0.999", 700), ("1.998", 700), ("1.999", 900), ("2.004", 900)],
)
def test_the_bracket_goes_by_the_weight_on_the_document(balance_ct: str, per_ct: int) -> None:
    quote = budget("2000", *JUMPS).quote("", document_weight_ct(Decimal(balance_ct)))
    assert quote is not None
    assert quote.low == per_ct


def test_under_a_whole_carat_the_stone_is_dearer_by_the_jump() -> None:
    """By hand: 2.02 x 900 = 1818, 1.98 x 700 = 1386; 0.04 ct cost 432."""
    known = budget("1500", *JUMPS)
    prices = []
    for weight in (Decimal("1.98"), Decimal("2.02")):
        quote = known.quote("", weight)
        assert quote is not None
        prices.append(weight * quote.low)
    assert prices == [Decimal("1386.00"), Decimal("1818.00")]
    # 1500 would be 2.14 ct at 700 a carat and 1.66 ct at 900: it buys 1.99 ct.
    assert known.most_ct("") == Decimal("1.99")


def found(*prices: tuple[str, str | None, str]) -> PriceLimit:
    """Say what a budget of 2000 means for round sapphires of some 0.9 to 2.2 ct."""
    style = cut("round-brilliant")
    asked = SimpleNamespace(stone=nominal_stone(style, 6.9, 6.9, 4.2))
    item = SimpleNamespace(
        style=style,
        ask=asked,
        length_mm=Range(low=5.9, high=7.9),
        width_mm=Range(low=5.9, high=7.9),
        depth_mm=Range(low=3.6, high=4.9),
    )
    return price_limit(budget("2000", *prices), cast("Proposal", item), material("sapphire"))


def test_the_jump_at_a_whole_carat_is_found_in_a_range_of_sizes() -> None:
    """Whole carats are where the price jumps: common practice; 1.99 ct at 700 is 1393."""
    limit = found(*JUMPS)
    assert [step.threshold_ct for step in limit.steps] == [1, 2]
    for step, lighter, dearer in zip(limit.steps, (300, 700), (700, 900), strict=True):
        # A step of a hundredth of a millimetre is about a hundredth of a carat here.
        assert 0 < step.threshold_ct - step.below.document_ct <= Decimal("0.02")
        assert 0 <= step.above.document_ct - step.threshold_ct <= Decimal("0.02")
        dear = step.above.document_ct * dearer
        assert step.saves.low == step.saves.high == dear - step.below.document_ct * lighter
        assert step.saves.low > step.threshold_ct * (dearer - lighter)


def test_without_a_jump_nothing_is_the_better_buy() -> None:
    assert found(("0.50", "1", "300"), ("1", "2", "300"), ("2", "3", "280")).steps == ()


def test_a_recut_across_a_threshold_is_a_jump_too() -> None:
    """1.63 ct recut to 1.45 ct, with a threshold at 1.5 ct between the two."""
    (step,) = found(("0.50", "1.5", "560"), ("1.5", None, "690")).steps
    assert step.threshold_ct == Decimal("1.5")
    assert Decimal("1.45") < step.below.document_ct < step.threshold_ct
    assert step.threshold_ct <= step.above.document_ct < Decimal("1.63")
