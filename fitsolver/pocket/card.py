"""The carry card: one file for the dealer's table, readable and reckoning without a network.

What the script of the card says comes from tables that the solver has filled (`size_table`); it
looks sizes up and never judges a seat by itself. Without scripts the spec and the drawing remain.
"""

from __future__ import annotations

import hashlib
import json
from functools import partial
from typing import Any

import numpy as np

from fitsolver.crew import Crew, alone
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.box import Range
from fitsolver.fitting.scan import depth_limits
from fitsolver.fitting.solver import Check, check
from fitsolver.market.spec import Spec
from fitsolver.pocket.numbers import Known, card_numbers
from fitsolver.pocket.size_table import CardCut, outline_of, size_tables
from fitsolver.stones.cut import cut
from fitsolver.stones.material import Material

# How many of the cuts left out the card knows too: the nearest misses.
NEAREST = 2
# So many cuts of one outline at most are laid out together: more would keep one processor at work
# when the others have done.
TOGETHER = 3

# What the spec says of a cut, in the list of cuts: no verdict on the stone in hand.
SAID = {
    "seats": "ask for",
    "seats after alteration": "ask for, alters",
    "not decided": "not decided",
    "left out": "left out",
}


def card_html(found: Spec, ready: Bench, material: Material, *, crew: Crew = alone) -> str:
    """Write the card of a size spec as one HTML page that needs nothing else.

    Parameters
    ----------
    found : Spec
        The size spec (`market.spec.spec`).
    ready : Bench
        The mounting it was worked out for.
    material : Material
        What the stones are said to be.

    Returns
    -------
    str
        The page. Its own style and script are allowed by their hashes, everything else, the
        network first of all, is barred by its content security policy.

    """
    cuts = _cuts(found)
    # Some cuts of one outline are laid out together; the longest work comes first.
    alike: dict[Any, list[int]] = {}
    for k, (style, *_) in enumerate(cuts):
        limits = style.length_ratio.low, style.length_ratio.high, style.length_ratio.typical
        alike.setdefault((outline_of(style), limits), []).append(k)
    some = (group[k : k + TOGETHER] for group in alike.values()
            for k in range(0, len(group), TOGETHER))  # fmt: skip
    groups = sorted(some, key=len, reverse=True)
    choices = [(style.name, style.title, SAID[said]) for style, _, said, _ in cuts]
    parts: list[Any] = [partial(_filled, ready, material, [cuts[k] for k in g]) for g in groups]
    parts.insert(1, partial(_page, found, ready, material, choices))
    done = crew(_done, parts)
    text, drawn = done.pop(1)
    tables: dict[int, Known] = {}
    for group, known in zip(groups, done, strict=True):
        tables |= dict(zip(group, known, strict=True))
    every = [tables[k] for k in range(len(cuts))]

    from fitsolver.pocket.wording import DATA, OWN

    data = _as_script(card_numbers(found, ready, material, every, drawn))
    # Cards of other readings do not share what was typed.
    own = hashlib.sha256(data.encode()).hexdigest()[:12]
    return str(text).replace(OWN, own).replace(DATA, data)


def known_cuts(found: Spec) -> list[str]:
    """Names of the cuts that a card judges: all of the spec, and the nearest of those left out."""
    left = found.proposals.left_out[:NEAREST]
    return [*(item.style.name for item in found.wanted), *(item.cut for item in left)]


def _cuts(found: Spec) -> list[Any]:
    """The cuts of a card: style, box, what the spec says of it and the stone asked for, if any."""
    wanted = [
        (item.style, tuple(map(_ends, (item.length_mm, item.width_mm, item.depth_mm))),
         item.verdict, item.ask)
        for item in found.wanted
    ]  # fmt: skip
    missed = []
    for left in found.proposals.left_out[:NEAREST]:
        style = cut(left.cut)
        depth = depth_limits(style)[1] * left.width_mm
        ask = np.round([left.length_mm, left.width_mm, depth], 2)
        missed.append((style, tuple((float(side), float(side)) for side in ask), "left out", None))
    return [*wanted, *missed]


def _done(part: Any) -> Any:
    return part()


def _page(*given: Any) -> Any:
    from fitsolver.pocket.wording import page_html

    return page_html(*given)


def _filled(ready: Bench, material: Material, cuts: list[Any]) -> list[Known]:
    """Fill the tables of cuts of one outline."""
    judged = [
        best or check(ready, style, *(side[0] for side in box), exact=False)
        for style, box, _, best in cuts
    ]
    asked = [
        CardCut(
            style=style,
            box=box,
            size=np.array([best.stone.length_mm, best.stone.width_mm, best.stone.depth_mm]),
            asked=said != "left out",
        )
        for (style, box, said, _), best in zip(cuts, judged, strict=True)
    ]
    return [
        Known(
            table=table,
            said=said,
            limits_mm={item.name: item.alteration_limit_mm for item in best.requirements},
            loose=_loose(best),
        )
        for table, (_, _, said, _), best in zip(
            size_tables(ready, asked, material), cuts, judged, strict=True
        )
    ]


def _loose(best: Check) -> str:
    """Why the claws do not hold a stone from sliding out, as the card's verdict; "" if they do."""
    reason = best.security.reason
    slides = "the stone can slide out sideways between the claws"
    return "can slide out between the claws" if reason == slides else reason


def _ends(side: Range) -> tuple[float, float]:
    return side.low, side.high


def _as_script(record: object) -> str:
    """JSON that cannot end the element it stands in."""
    text = json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
