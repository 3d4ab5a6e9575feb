"""The section on money: what is left for the stone, price ceilings, thresholds worth minding."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import ROUND_DOWN, ROUND_UP
from typing import Any

from fitsolver.budgeting.budget import Budget, rounded
from fitsolver.market.money import Money, PricedSize, StepDown
from fitsolver.market.spec import Spec, Wanted
from fitsolver.paper.leaf import GREY, SMALL, Leaves, bulleted, paragraph, table
from fitsolver.text.layout import words

_CELL = 7.6


def price_section(leaves: Leaves, spec: Spec) -> None:
    """Add what the budget means, where the mounting has one; its words are the user's own."""
    if spec.money is None:
        return
    found, wide = spec.money, leaves.column
    budget = found.budget
    items: list[Any] = [
        paragraph(f"Left for the stone: {budget.written(found.left)}", bold=True, own=True,
                  width=wide),
        paragraph(_sum(budget), own=True, width=wide),
    ]  # fmt: skip
    if found.short is not None:
        items += [0.8, paragraph(_short(found), bold=True, own=True, width=wide)]
    priced = [(rank, item) for rank, item in enumerate(spec.wanted, 1) if item.price is not None]
    if priced:
        items += [1.0, _ceilings(budget, priced, wide), 1.0]
        told = (
            "Ceiling: the price per carat at which the size to ask for costs all that is left, at "
            "its estimated weight; surely: even if it weighs the most that its size allows. Buys: "
            "the largest size of the limits at the dear end of the prices quoted; – where there "
            "is none or nobody quoted."
        )
        items.append(paragraph(told, size=SMALL, colour=GREY))
        steps = [
            _step(budget, rank, step)
            for rank, item in priced
            for step in (item.price.steps if item.price is not None else ())
        ]
        items += [0.8, *(paragraph(text, bullet="–", own=True, width=wide) for text in steps)]
        items += [paragraph(text, bullet="–", own=True, width=wide) for text in _unquoted(priced)]
    items += [0.8, *bulleted([f"{note}." for note in found.notes], size=SMALL)]
    leaves.section("Price", items)


def _sum(budget: Budget) -> str:
    costs = [
        f"{words(cost.name)} {budget.written(cost.amount)}"
        + (f" ({cost.pct:f} % of the total)" if cost.pct is not None else "")
        for cost in budget.costs
    ]
    return f"Total {budget.written(budget.total)}" + (f"; {', '.join(costs)}." if costs else ".")


def _short(found: Money) -> str:
    short, budget = found.short, found.budget
    assert short is not None
    return (
        "This budget buys no stone that seats, at the prices quoted: the cheapest, "
        f"{_size(short.at)} mm, costs {budget.about(short.short_by, ROUND_UP)} more than is left. "
        f"It would have to cost "
        f"{budget.about(short.holds_at_per_ct, ROUND_DOWN)} per carat at most."
    )


def _ceilings(budget: Budget, priced: Sequence[tuple[int, Wanted]], wide: float) -> Any:
    unit = wide / 144
    widths = [unit * w for w in (5, 35, 22, 26, 26, 30)]

    def cell(text: str, width: float) -> Any:
        return paragraph(text, own=True, width=width, size=_CELL, across="right")

    rows: list[Sequence[Any]] = [
        ["", "cut", "asked for, about", "ceiling per ct", "surely", "buys, mm and ct"]
    ]
    for rank, item in priced:
        limit = item.price
        assert limit is not None
        asked, buys = limit.asked, limit.affordable
        rows.append(
            [
                str(rank), item.style.title, f"{asked.document_ct:.2f} ct",
                cell(budget.about(asked.ceiling_per_ct, ROUND_DOWN), widths[3]),
                cell(budget.about(asked.safe_ceiling_per_ct, ROUND_DOWN), widths[4]),
                "–" if buys is None else f"{_size(buys)}, {buys.document_ct:.2f}",
            ]
        )  # fmt: skip
    return table(rows, widths, "<<>>>>", size=_CELL)


def _size(size: PricedSize) -> str:
    return f"{size.length_mm:.2f} × {size.width_mm:.2f}"


def _step(budget: Budget, rank: int, step: StepDown) -> str:
    low, high = sorted((step.saves.low, step.saves.high))
    saved = budget.about(high, ROUND_DOWN)
    if high != low:
        saved = f"{rounded(low, ROUND_DOWN)} to {saved}"
    return (
        f"{rank}: the price per carat jumps at {step.threshold_ct:f} ct. {_size(step.below)} mm, "
        f"just under it, saves {saved} and gives up {step.gives_up_ct:f} ct, "
        f"{step.gives_up_length_mm:.2f} mm in length and {step.gives_up_width_mm:.2f} mm in width."
    )


def _unquoted(priced: Sequence[tuple[int, Wanted]]) -> Iterator[str]:
    for rank, item in priced:
        for gap in item.price.unquoted if item.price is not None else ():
            yield f"{rank}: nobody quoted a price from {gap.low_ct:f} to {gap.high_ct:f} ct."
