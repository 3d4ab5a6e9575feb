"""Laws of money: more of it never buys less, and no figure exceeds what is left."""

from __future__ import annotations

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from fitsolver.budgeting.budget import POINT_CT, Bracket, Budget
from fitsolver.market.money import ceiling_per_ct

WEIGHTS = st.decimals("0.05", "30", places=2)
AMOUNTS = st.decimals("1", "100000", places=2)


@st.composite
def brackets(draw: st.DrawFn) -> tuple[Bracket, ...]:
    """Brackets without overlap or hole; prices may rise or fall."""
    starts = sorted(draw(st.sets(WEIGHTS, min_size=1, max_size=5)))
    prices = draw(st.lists(AMOUNTS, min_size=len(starts), max_size=len(starts)))
    last = draw(st.one_of(st.none(), st.just(starts[-1] + 1)))
    return tuple(
        Bracket(from_ct=start, below_ct=below, low=price, high=price * 2)
        for start, below, price in zip(starts, (*starts[1:], last), prices, strict=True)
    )


def budget(total: Decimal, rows: tuple[Bracket, ...]) -> Budget:
    return Budget(currency="EUR", total=total, brackets=rows)


@given(brackets(), AMOUNTS, AMOUNTS)
def test_more_money_never_buys_a_lighter_stone(
    rows: tuple[Bracket, ...], total: Decimal, more: Decimal
) -> None:
    poor, rich = budget(total, rows).most_ct(""), budget(total + more, rows).most_ct("")
    assert poor is None or (rich is not None and rich >= poor)


@given(brackets(), AMOUNTS)
def test_the_heaviest_stone_is_paid_for_and_one_point_more_is_not(
    rows: tuple[Bracket, ...], total: Decimal
) -> None:
    known = budget(total, rows)
    most = known.most_ct("")
    if most is None:
        assert all(item.from_ct * item.high > total for item in rows)
        return
    quote = known.quote("", most)
    assert quote is not None
    assert most * quote.high <= total
    heavier = known.quote("", most + POINT_CT)
    assert heavier is None or (most + POINT_CT) * heavier.high > total


@given(brackets(), AMOUNTS)
def test_the_cheap_end_never_buys_less_than_the_dear_one(
    rows: tuple[Bracket, ...], total: Decimal
) -> None:
    known = budget(total, rows)
    dear, cheap = known.most_ct(""), known.most_ct("", dear=False)
    assert dear is None or (cheap is not None and cheap >= dear)


@given(AMOUNTS, WEIGHTS, WEIGHTS)
def test_ceilings_fall_with_weight(left: Decimal, one: Decimal, other: Decimal) -> None:
    light, heavy = sorted((one, other))
    assert ceiling_per_ct(left, light) >= ceiling_per_ct(left, heavy)
    assert ceiling_per_ct(left, heavy) * heavy <= left
