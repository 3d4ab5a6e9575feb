"""Budgets: what a file may say, what is said about the faults in it, and exact amounts."""

from __future__ import annotations

from decimal import ROUND_DOWN, Decimal

import pytest

from fitsolver.budgeting.budget import Budget
from fitsolver.errors import InputFaults
from fitsolver.files.datafile import parse_toml
from fitsolver.market.money import ceiling_per_ct
from fitsolver.seats.mounting import mounting_from

SEAT = """\
name = "Test collet (invented)"
[seat]
holds = "wall"
state = "cut"
back = "open"
opening_family = "oval"
opening_level = "girdle"
opening_length_mm = 8.1
opening_width_mm = 6.1
ledge_width_mm = 0.4
depth_below_ledge_mm = 3.1
"""
# The lines below the seat begin at 12.
GOOD = """\
[budget]
currency = "EUR"
total = 2000
[budget.costs]
setting = 150
margin = "20 %"
[[budget.brackets]]
from_ct = 1
to_ct = 1.99
per_ct = { low = 400, high = 450 }
[[budget.brackets]]
from_ct = 2
per_ct = 600
"""


def budget(text: str = GOOD) -> Budget:
    found = mounting_from(parse_toml(SEAT + text, name="m.toml")).budget
    assert found is not None
    return found


def faults(text: str) -> dict[str, str]:
    """Fault texts by key, with the line in front."""
    with pytest.raises(InputFaults) as error:
        budget(text)
    return {item.key: f"{item.line}: {item.rule}. {item.remedy}." for item in error.value.faults}


def brackets(*rows: str) -> str:
    head = GOOD.partition("[[")[0]
    return head + "".join(f"[[budget.brackets]]\n{row}\n" for row in rows)


class TestFile:
    def test_a_mounting_needs_none(self) -> None:
        assert mounting_from(parse_toml(SEAT, name="m.toml")).budget is None

    def test_a_margin_may_be_a_share_of_the_total(self) -> None:
        found = budget()
        assert [(cost.name, cost.amount, cost.pct) for cost in found.costs] == [
            ("setting", Decimal(150), None),
            ("margin", Decimal(400), Decimal(20)),
        ]
        assert found.left == Decimal(1450)

    def test_a_budget_without_prices_is_a_budget(self) -> None:
        found = budget('[budget]\ncurrency = "kr"\ntotal = 900\n')
        assert found.left == 900
        assert found.most_ct("emerald") is None

    @pytest.mark.parametrize("typed", ['"1500,50"', "1500.5", '"1500.50"'])
    def test_comma_and_point_read_the_same(self, typed: str) -> None:
        assert budget(GOOD.replace("2000", typed)).total == Decimal("1500.5")

    def test_amounts_are_exact_as_typed(self) -> None:
        text = GOOD.replace("setting = 150", "a = 0.1\nb = 0.2").replace('"20 %"', "0.3")
        # In binary 0.1 + 0.2 + 0.3 is more than 0.6.
        assert budget(text).left == Decimal("1999.4")

    def test_a_bracket_ends_where_the_next_begins_however_it_is_written(self) -> None:
        for end in ("to_ct = 1.99", "to_ct = 2", ""):
            first, second = budget(GOOD.replace("to_ct = 1.99", end)).brackets
            assert first.below_ct == second.from_ct == 2

    def test_the_last_bracket_holds_up_to_the_weight_it_names(self) -> None:
        found = budget(brackets("from_ct = 1\nto_ct = 1.49\nper_ct = 400"))
        assert found.quote("emerald", Decimal("1.49")) is not None
        assert found.quote("emerald", Decimal("1.50")) is None
        assert found.quote("emerald", Decimal("0.99")) is None

    def test_the_order_of_brackets_does_not_matter(self) -> None:
        rows = ("from_ct = 1\nper_ct = 400", "from_ct = 2\nper_ct = 600")
        assert budget(brackets(*rows)).brackets == budget(brackets(*rows[::-1])).brackets

    def test_a_price_for_a_cut_goes_before_the_general_one(self) -> None:
        found = budget(
            brackets(
                "from_ct = 1\nper_ct = 400",
                'from_ct = 1\nper_ct = 500\ncut = "emerald"\nnote = "clean"\n'
                "quoted_on = 2024-05-02",
            )
        )
        own, general = (found.quote(cut, Decimal(1)) for cut in ("emerald", "princess"))
        assert own is not None
        assert general is not None
        assert (own.low, own.note, own.quoted_on) == (500, "clean", "2024-05-02")
        assert general.low == 400


class TestFaults:
    @pytest.mark.parametrize(
        ("text", "key", "said"),
        [
            (GOOD.replace('currency = "EUR"\n', ""), "budget.currency", "12: is missing"),
            (GOOD.replace('"EUR"', '"  "'), "budget.currency", "13: is blank"),
            (GOOD.replace("total = 2000\n", ""), "budget.total", "12: is missing"),
            (GOOD.replace("2000", "0"), "budget.total", "14: must be more than 0"),
            (GOOD.replace("2000", "-2000"), "budget.total", "14: must be 0 or more"),
            (GOOD.replace("2000", "inf"), "budget.total", "14: is not a finite number"),
            (GOOD.replace("2000", "true"), "budget.total", "14: must be one number"),
            (GOOD.replace("2000", '"2,000"'), "budget.total", "14: may mean thousands or decimals"),
            (GOOD.replace("2000", '"2000 EUR"'), "budget.total", "without the currency"),
            (GOOD.replace("= 150", "= -150"), "budget.costs.setting", "16: must be 0 or more"),
            (GOOD.replace("20 %", "120 %"), "budget.costs.margin", "17: must be less than 100 %"),
            (GOOD.replace("= 150", "= 1600"), "budget.costs", "15: come to 2000 of 2000: nothing"),
            (GOOD.replace("total", "totl"), "budget.totl", "14: is not known here. Perhaps total"),
            (GOOD.replace("to_ct", "upto_ct"), "budget.brackets[0].upto_ct", "Perhaps to_ct"),
            (GOOD.replace("low = 400", "low = 500"), "budget.brackets[0].per_ct",
             "21: must have low no more than high"),
            (GOOD.replace("per_ct = 600", "per_ct = 0"), "budget.brackets[1].per_ct",
             "24: must be more than 0"),
            (GOOD.replace("from_ct = 1\n", "from_ct = 0.995\n"), "budget.brackets[0].from_ct",
             "19: has more than two decimals"),
            (GOOD.replace("1.99", "0.5"), "budget.brackets[0]", "must have to_ct more than from"),
            (GOOD.replace("per_ct = 600", 'per_ct = 600\ncut = "emrald"'),
             "budget.brackets[1].cut", "25: is not the name of a cut style. Perhaps emerald"),
            (GOOD.replace("1.99", "2.2"), "budget.brackets[1].from_ct",
             "23: overlaps the bracket of 1 to 2.2 ct"),
            (GOOD.replace("from_ct = 2", "from_ct = 1"), "budget.brackets[1].from_ct",
             "23: overlaps"),
            (GOOD.replace("1.99", "1.5"), "budget.brackets[1].from_ct",
             "23: leaves a hole: no bracket holds from 1.5 to 2 ct"),
        ],
    )  # fmt: skip
    def test_each_is_named_with_line_rule_and_remedy(self, text: str, key: str, said: str) -> None:
        found = faults(text)
        matching = [value for name, value in found.items() if name.startswith(key)]
        assert matching, found
        assert said in matching[0]

    def test_all_are_told_at_once_with_those_of_the_seat(self) -> None:
        text = GOOD.replace('currency = "EUR"\n', "").replace("= 150", "= -1").replace("1.99", "3")
        with pytest.raises(InputFaults) as error:
            mounting_from(parse_toml(SEAT.replace("8.1", "-8.1") + text, name="m.toml"))
        keys = [item.key for item in error.value.faults]
        assert set(keys) == {
            "seat.opening_length_mm", "budget.currency", "budget.costs.setting",
            "budget.brackets[1].from_ct",
        }  # fmt: skip
        assert [item.line for item in error.value.faults] == sorted(
            item.line or 0 for item in error.value.faults
        )

    def test_a_wrong_total_is_not_missing_as_well(self) -> None:
        assert list(faults(GOOD.replace("2000", "-2"))) == ["budget.total"]


class TestMoney:
    def test_the_heaviest_stone_it_buys(self) -> None:
        # 1450 at 450 a carat would be 3.22 ct, but from 2 ct a carat costs 600: 2.41 ct.
        assert budget().most_ct("emerald") == Decimal("2.41")
        # At 1100 left, 600 a carat buys no 2 ct: the bracket below ends at 1.99.
        poorer = budget(GOOD.replace("2000", "1562.5"))
        assert poorer.left == 1100
        assert poorer.most_ct("emerald") == Decimal("1.99")
        assert budget(GOOD.replace("2000", "500")).most_ct("emerald") is None

    def test_a_price_that_falls_with_weight_is_reckoned_with_too(self) -> None:
        found = budget(brackets("from_ct = 1\nper_ct = 1600", "from_ct = 3\nper_ct = 400"))
        # 1450 buys nothing below 3 ct, and 3.62 ct above.
        assert found.most_ct("emerald") == Decimal("3.62")

    def test_a_ceiling_never_exceeds_what_is_left(self) -> None:
        left = Decimal("1450.37")
        for points in range(1, 400, 7):
            weight = Decimal(points) / 100
            ceiling = ceiling_per_ct(left, weight)
            assert ceiling * weight <= left < (ceiling + Decimal("0.01")) * weight

    @pytest.mark.parametrize(
        ("currency", "stands", "shown"),
        [
            ("EUR", "after", "1450 EUR"),
            ("kr.", "after", "1450 kr."),
            ("CHF", "before", "CHF 1450"),
            ("$", "before", "$1450"),
            ("€", "before", "€1450"),
        ],
    )
    def test_the_currency_stands_as_the_user_writes_it(
        self, currency: str, stands: str, shown: str
    ) -> None:
        text = GOOD.replace('"EUR"', f'"{currency}"\ncurrency_stands = "{stands}"')
        assert budget(text).written(Decimal(1450)) == shown

    def test_worked_out_amounts_are_rounded_the_safe_way(self) -> None:
        found = budget()
        assert found.about(Decimal("697.99"), ROUND_DOWN) == "697 EUR"
        assert found.about(Decimal("69.799"), ROUND_DOWN) == "69.79 EUR"
        assert found.written(Decimal("85.5")) == "85.50 EUR"
