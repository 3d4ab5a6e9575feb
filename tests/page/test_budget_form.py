"""Budget and ranking on the page: every field to the file and back, faults beside their fields."""

from __future__ import annotations

import datetime
import tomllib
from decimal import Decimal
from typing import Any

import pytest
from served import SEAT, SOUND

from fitsolver.page.budget_form import as_shown, field_names, filled, offered
from fitsolver.page.seat_form import complaints, data_of, fields_of, read
from fitsolver.page.seat_views import GROUPS, data_in, toml_of
from fitsolver.page.store import Page

# Invented: the amounts say how a budget is written, not what anything costs.
TEXT = SOUND["claw-ring-budget"].read_text(encoding="utf-8")


def old() -> dict[str, Any]:
    return data_in(Page(text=TEXT, revision=""))


def edited(**typed: str) -> tuple[str, dict[str, Any]]:
    """The file after some fields of its form were typed anew; __ stands for a full stop."""
    data = old()
    fields = fields_of(data) | {name.replace("__", "."): text for name, text in typed.items()}
    made = data_of(fields, data)
    text = toml_of(made, TEXT)
    assert tomllib.loads(text) == made
    return text, made


def lines_changed(text: str) -> tuple[list[str], list[str]]:
    before, after = TEXT.splitlines(), text.splitlines()
    return [each for each in before if each not in after], [
        each for each in after if each not in before
    ]


def test_one_amount_changes_one_line_and_keeps_every_comment() -> None:
    text, made = edited(budget__costs__1__amount="90,25")
    assert made["budget"]["costs"]["setting"] == "90,25"
    assert lines_changed(text) == (['setting = "85,50"'], ['setting = "90,25"'])
    text, made = edited(budget__costs__3__amount="25 %")
    assert lines_changed(text)[1][0].startswith('margin = "25 %"')
    assert "# of the total" in text


def test_one_price_changes_one_line() -> None:
    text, _ = edited(budget__brackets__1__high="800")
    assert lines_changed(text) == (
        ["per_ct = { low = 690, high = 780 }"],
        ["per_ct = { low = 690, high = 800 }"],
    )


def test_an_emptied_row_leaves_and_the_others_keep_their_text() -> None:
    gone = {f"budget__brackets__0__{part}": "" for part in (
        "from_ct", "low", "high", "note", "quoted_by", "quoted_on")}  # fmt: skip
    text, made = edited(**gone)
    assert [row["from_ct"] for row in made["budget"]["brackets"]] == [1.5, 2]
    assert "560" not in text
    assert text.count("[[budget.brackets]]") == 2
    assert "# of the total" in text


def test_a_row_is_added_behind_the_others_with_a_heading_of_its_own() -> None:
    text, made = edited(
        budget__brackets__3__from_ct="3", budget__brackets__3__low="1200",
        budget__brackets__3__quoted_on="2024-06-01", budget__costs__4__name="post",
        budget__costs__4__amount="12",
    )  # fmt: skip
    assert made["budget"]["brackets"][3] == {
        "from_ct": 3, "quoted_on": datetime.date(2024, 6, 1), "per_ct": 1200,
    }  # fmt: skip
    assert text.count("[[budget.brackets]]") == 4
    assert made["budget"]["costs"]["post"] == 12
    assert lines_changed(text)[0] == []


def test_a_budget_that_is_cleared_leaves_the_file_and_one_begun_comes_into_it() -> None:
    data = old()
    fields = {name: text for name, text in fields_of(data).items() if "budget." not in name}
    text = toml_of(data_of(fields | {"budget.total": ""}, data), TEXT)
    assert "budget" not in tomllib.loads(text)
    assert "# ring size 54" in text
    again = data_in(Page(text=text, revision=""))
    typed = {"budget.total": "1500,50", "budget.currency": "GBP", "budget.costs.0.name": "setting",
             "budget.costs.0.amount": "100"}  # fmt: skip
    mounting, found = read(data_of(fields_of(again) | typed, again))
    assert found == []
    assert mounting is not None
    assert mounting.budget is not None
    assert mounting.budget.left == Decimal("1400.50")


def test_a_form_without_a_budget_leaves_it_alone() -> None:
    data = old()
    fields = {name: text for name, text in fields_of(data).items() if "budget." not in name}
    assert data_of(fields, data) == data


def test_nothing_that_is_typed_is_lost_to_a_name_that_is_there_or_missing() -> None:
    typed = {"budget.total": "900", "budget.currency": "EUR", "budget.costs.0.amount": "10",
             "budget.costs.1.name": "setting", "budget.costs.1.amount": "20",
             "budget.costs.4.name": "setting", "budget.costs.4.amount": "30"}  # fmt: skip
    costs = data_of(SEAT | typed, {})["budget"]["costs"]
    assert costs == {"cost": 10, "setting": 20, "setting (2)": 30}


@pytest.mark.parametrize(
    ("typed", "beside"),
    [
        ({"budget.total": "1,500"}, "budget.total"),
        ({"budget.total": ""}, "budget.total"),
        ({"budget.currency": ""}, "budget.currency"),
        ({"budget.costs.2.amount": "ten"}, "budget.costs.2.amount"),
        ({"budget.costs.0.amount": "2399"}, "budget.costs"),
        ({"budget.brackets.1.low": "900"}, "budget.brackets.1.low"),
        ({"budget.brackets.1.low": "x"}, "budget.brackets.1.low"),
        ({"budget.brackets.2.from_ct": "1.5"}, "budget.brackets.2.from_ct"),
        ({"budget.brackets.0.cut": "no such"}, "budget.brackets.0.cut"),
        ({"budget.brackets.3.note": "no weight"}, "budget.brackets.3.from_ct"),
        ({"budget.brackets.5.from_ct": "3.001", "budget.brackets.5.low": "5"},
         "budget.brackets.5.from_ct"),
        ({"ranking.fill": "-1"}, "ranking.fill"),
        ({"ranking.fill": "much"}, "ranking.fill"),
        (dict.fromkeys(("ranking.fill", "ranking.period", "ranking.evenness",
                        "ranking.probability"), "0"), "ranking"),
    ],
)  # fmt: skip
def test_every_fault_stands_beside_a_field_that_is_shown(
    typed: dict[str, str], beside: str
) -> None:
    data = old()
    fields = fields_of(data) | typed
    found = complaints(data_of(fields, data))
    assert beside in [as_shown(each.key, fields) for each in found]
    shown = [*field_names(fields), *GROUPS, *(f"ranking.{name}" for name in (
        "probability", "evenness", "fill", "period"))]  # fmt: skip
    assert {as_shown(each.key, fields) for each in found} <= set(shown)


def test_the_form_always_offers_empty_rows() -> None:
    fields = fields_of(old())
    assert filled(fields, "brackets") == [0, 1, 2]
    assert list(offered(fields, "brackets")) == [0, 1, 2, 3, 4]
    assert list(offered({}, "costs")) == [0, 1]


def test_weights_of_the_ranking_come_back_and_change_in_place() -> None:
    text = TEXT.replace("[budget]", "[ranking]\nfill = 0.4      # a window spoils it\n\n[budget]")
    data = data_in(Page(text=text, revision=""))
    fields = fields_of(data)
    assert fields["ranking.fill"] == "0.4"
    new = toml_of(data_of(fields | {"ranking.fill": "0,6", "ranking.period": "0"}, data), text)
    assert "fill = 0.6      # a window spoils it" in new
    mounting, found = read(tomllib.loads(new))
    assert found == []
    assert mounting is not None
    assert dict(mounting.ranking) == {"fill": 0.6, "period": 0.0}


@pytest.mark.parametrize(
    "budget",
    [5, {"costs": 3, "total": 9, "currency": "EUR"}, {"brackets": [1, {"from_ct": 1}], "total": 2},
     {"brackets": [{"from_ct": k, "per_ct": 9} for k in range(90)], "currency": "EUR", "total": 9},
     {"total": [1], "currency": {"x": 1}, "other": True}],
)  # fmt: skip
def test_what_the_form_cannot_show_stays_in_the_file(budget: Any) -> None:
    data = {"name": "x", "seat": {"holds": "wall"}, "budget": budget, "ranking": 4}
    fields = fields_of(data)
    # As a browser sends it: every field that is shown, the empty ones too.
    shown = dict.fromkeys([*field_names(fields), "ranking.fill"], "") | fields
    assert data_of(shown, data)["budget"] == budget
    assert data_of(shown, data)["ranking"] == 4
    complaints(data_of(shown, data))
