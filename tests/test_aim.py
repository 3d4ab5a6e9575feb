"""The size to ask for stands where a buyer can miss it a little and still be right."""

from __future__ import annotations

import dataclasses
import json
from decimal import Decimal
from functools import cache
from itertools import product
from pathlib import Path

import pytest
from msgspec.structs import replace

from fitsolver import cli
from fitsolver.budgeting.budget import Bracket, Budget
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.proposal import Proposals, propose
from fitsolver.fitting.solver import check
from fitsolver.market.aim import Aimed, aim_all, aim_words
from fitsolver.seats.mounting import load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.weighing.weight import every_make, weigh_list

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


@cache
def ready(name: str) -> Bench:
    return bench(load_mounting(EXAMPLES / f"{name}.toml"))


@cache
def proposed(name: str, style: str) -> Proposals:
    return propose(ready(name), material("corundum"), styles=[cut(style)])


def with_money(total: int, per_ct: int) -> Aimed:
    quote = Bracket(
        from_ct=Decimal("0.50"), below_ct=None, low=Decimal(per_ct), high=Decimal(per_ct)
    )
    money = Budget(currency="EUR", total=Decimal(total), brackets=(quote,))
    known = ready("claw-ring")
    known = replace(known, mounting=dataclasses.replace(known.mounting, budget=money))
    return aim_all(known, proposed("claw-ring", "oval-mixed"))[1][0]


def test_the_middle_of_the_box_is_asked_for_and_is_surer_than_its_corner() -> None:
    found = proposed("claw-ring", "oval-mixed")
    told, (size,) = aim_all(ready("claw-ring"), found)
    item = told.proposals[0]
    assert told.proposals == found.proposals
    assert (size.aim, size.price, size.proposal) == ("middle", None, item)
    stone = item.ask.stone
    for value, side in (
        (stone.length_mm, item.length_mm),
        (stone.width_mm, item.width_mm),
        (stone.depth_mm, item.depth_mm),
    ):
        assert value == pytest.approx((side.low + side.high) / 2, abs=0.006)
    box = item.length_mm, item.width_mm, item.depth_mm
    for corner in product(*((side.low, side.high) for side in box)):
        assert item.probability >= check(ready("claw-ring"), item.style, *corner).probability


def test_its_judgement_and_weight_are_those_of_any_single_stone() -> None:
    item = aim_all(ready("claw-ring"), proposed("claw-ring", "oval-mixed"))[0].proposals[0]
    stone, stuff = item.ask.stone, material("corundum")
    sizes = (stone.length_mm, stone.width_mm, stone.depth_mm)
    again = check(ready("claw-ring"), item.style, *sizes)
    assert again.probability == item.probability
    names = ("length_mm", "width_mm", "depth_mm")
    weights = weigh_list(
        every_make(item.style, stuff),
        stuff,
        {name: [side] for name, side in zip(names, sizes, strict=True)},
    )
    assert item.ask_weight_ct == pytest.approx(float(weights.weight_ct[0]))


def test_a_size_that_needs_least_alteration_stays() -> None:
    found = proposed("old-cushion-collet", "old-mine")
    told, (size,) = aim_all(ready("old-cushion-collet"), found)
    assert size.aim == "least work"
    assert told.proposals == found.proposals


class TestMoney:
    def test_a_budget_that_does_not_bind_leaves_the_middle(self) -> None:
        size = with_money(5000, 700)
        assert size.aim == "middle"
        assert size.price is not None
        assert size.price.asked.price is not None

    def test_where_it_binds_the_largest_that_it_buys_leads(self) -> None:
        size = with_money(1050, 700)  # 1.50 ct at most, 1.58 in the middle
        stone, price = size.proposal.ask.stone, size.price
        assert size.aim == "money"
        assert price is not None
        assert price.affordable == price.asked
        assert price.asked.price is not None
        assert 1050 - 0.03 * 700 < price.asked.price.high <= 1050
        assert price.asked.width_mm == stone.width_mm
        assert size.proposal.width_mm.low <= stone.width_mm <= size.proposal.width_mm.high

    def test_where_it_buys_nothing_the_middle_stays(self) -> None:
        size = with_money(300, 700)
        assert size.aim == "middle"
        assert size.price is not None
        assert size.price.affordable is None


def test_words_name_the_ranks_only_where_sizes_differ_in_kind() -> None:
    assert aim_words(["middle", "middle"]) == "Ask for: the middle of the sizes that seat."
    assert aim_words(["least work"]) == "Ask for: the size that needs least alteration."
    assert aim_words(["nearest"]) == ""


def test_commands_ask_for_the_same_size(capsys: pytest.CaptureFixture[str]) -> None:
    asked = []
    for command, key in (("spec", "wanted"), ("propose", "proposals")):
        path = str(EXAMPLES / "claw-ring-budget.toml")
        assert cli.main([command, path, "--limit", "1", "--json"]) == 0
        (first,) = json.loads(capsys.readouterr().out)[key]
        asked.append([first["ask"][side] for side in ("length_mm", "width_mm", "depth_mm")])
    assert asked[0] == asked[1]
