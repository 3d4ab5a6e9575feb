"""Prices by the carat, held against what is published of weights and thresholds.

- R. Cartier FGA, "Weighty Considerations" (the rule attributed there to CIBJO): a document cuts a
  weight off at the second decimal and rounds up only from a nine in the third.
- Price of a stone = carats x price per carat, and the price per carat jumps at whole carats:
  common practice. The prices below are invented.
- J. Sweaney, 2012: a stone of 1.63 ct was recut on its pavilion alone to 1.45 ct.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from fitsolver.market.budget import Bracket, Budget
from fitsolver.units import document_weight_ct


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


def test_a_recut_costs_its_weight_and_may_cost_its_bracket() -> None:
    """1.63 -> 1.45 ct is 11.0 % of the weight; across a threshold more of the price."""
    before, after = Decimal("1.63"), Decimal("1.45")
    assert round(100 * (1 - after / before), 1) == Decimal("11.0")
    known = budget("2000", ("1", "1.5", "560"), ("1.5", None, "690"))
    first, second = known.quote("", before), known.quote("", after)
    assert first is not None
    assert second is not None
    loss = 1 - (after * second.low) / (before * first.low)
    assert float(loss) == pytest.approx(1 - 0.89 * 560 / 690, abs=0.001)
