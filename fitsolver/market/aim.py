"""The size to ask for at market: that of the proposal, or what the money buys."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from fitsolver.crew import Crew, alone
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.proposal import Proposal, Proposals
from fitsolver.fitting.solver import Check, check
from fitsolver.market.money import PricedSize, PriceLimit, price_limit
from fitsolver.stones.material import Material
from fitsolver.weighing.weight import every_make, weigh_list

Aim = Literal["middle", "money", "least work", "nearest"]
"""Why a size is asked for: the middle of those that seat, the largest that what is left buys (as
estimated, at the dear end of the quotes), where least metal has to move, the nearest to seating."""

_WORDS: dict[Aim, str] = {
    "middle": "the middle of the sizes that seat",
    "money": "the largest that what is left buys",
    "least work": "the size that needs least alteration",
}


class Aimed(Struct, frozen=True, kw_only=True, dict=True):
    """A proposal whose `ask` is the size to ask for, why it is that one, and what it may cost."""

    proposal: Proposal
    aim: Aim
    price: PriceLimit | None


def aimed(ready: Bench, item: Proposal, material: Material) -> Aimed:
    """Choose the size to ask for within the box of a proposal.

    Parameters
    ----------
    ready : Bench
        The mounting made ready; its mounting's budget, if it has one, says what the money buys.
    item : Proposal
        From `proposal.propose`. Its rank was found at the size it asks for, and stays.
    material : Material
        What the stone is to be.

    Returns
    -------
    Aimed
        The size is judged with all draws, like any single stone. Where what the money buys does
        not earn the verdict of the box, the proposal's own size stays.

    """
    budget = ready.mounting.budget
    aim: Aim = "nearest" if item.verdict == "not decided" else "least work"
    if item.verdict == "seats":
        aim = "middle"
    if budget is None:
        return Aimed(proposal=item, aim=aim, price=None)
    price = price_limit(budget, item, material)
    buys, asked = price.affordable, price.asked
    dear = asked.price is not None and asked.price.high > budget.left
    if item.verdict == "seats" and dear and buys is not None:
        bought = _at(ready, item, material, _sides(buys))
        if bought is not item:
            return Aimed(proposal=bought, aim="money", price=replace(price, asked=buys))
    return Aimed(proposal=item, aim=aim, price=price)


def aim_all(
    ready: Bench, found: Proposals, crew: Crew = alone
) -> tuple[Proposals, tuple[Aimed, ...]]:
    """Choose the size to ask for of every proposal; the proposals come back with them.

    `crew` does the proposals, which do not depend on one another.
    """
    sizes = tuple(crew(partial(aimed, ready, material=found.material), found.proposals))
    return replace(found, proposals=tuple(size.proposal for size in sizes)), sizes


def aim_words(aims: Iterable[Aim]) -> str:
    """Say in one sentence why the sizes asked for, in order of rank, are the ones they are.

    >>> aim_words(["money", "middle", "middle", "nearest"])
    'Ask for: the middle of the sizes that seat; of 1 the largest that what is left buys.'
    """
    ranks: dict[Aim, list[str]] = {}
    for rank, aim in enumerate(aims, 1):
        ranks.setdefault(aim, []).append(str(rank))
    parts: list[str] = []
    for aim, text in _WORDS.items():
        if aim in ranks:
            which = f"of {', '.join(ranks[aim])} " if parts else ""
            parts.append(which + text)
    return f"Ask for: {'; '.join(parts)}." if parts else ""


def _sides(size: PricedSize) -> tuple[float, ...]:
    return size.length_mm, size.width_mm, size.depth_mm


def _at(ready: Bench, item: Proposal, material: Material, sides_mm: tuple[float, ...]) -> Proposal:
    """Return the proposal with another size to ask for, itself if that one is not as good."""
    length, width, depth = sides_mm
    turn = float(np.deg2rad(item.ask.turn_deg))
    found: Check = check(ready, item.style, length, width, depth, turn_rad=turn, exact=False)
    if found.verdict != item.verdict:
        return item
    weights = weigh_list(
        every_make(item.style, material),
        material,
        {"length_mm": [length], "width_mm": [width], "depth_mm": [depth]},
    )
    return replace(
        item,
        ask=found,
        ask_weight_ct=float(weights.weight_ct[0]),
        ask_weight_u_ct=float(weights.u_ct[0]),
    )
