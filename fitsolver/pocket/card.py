"""The carry card: one file for the dealer's table, readable and reckoning without a network.

What the script of the card says comes from tables that the solver has filled (`size_table`); it
looks sizes up and never judges a seat by itself. Without scripts the spec and the drawing remain.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Sequence
from decimal import ROUND_DOWN
from functools import partial
from importlib.resources import files
from typing import Any

import numpy as np
from msgspec import Struct

from fitsolver.crew import Crew, alone
from fitsolver.fitting.box import Range
from fitsolver.fitting.scan import depth_limits
from fitsolver.fitting.solver import Bench, Check, Verdict, check
from fitsolver.market.budget import rounded
from fitsolver.market.money import PricedSize
from fitsolver.market.refusal import Refusal
from fitsolver.market.spec import Spec, Wanted
from fitsolver.pocket.numbers import Known, card_numbers
from fitsolver.pocket.size_table import Asked, outline_of, size_tables
from fitsolver.pocket.view import View, view
from fitsolver.stones.cut import cut
from fitsolver.stones.material import Material
from fitsolver.telling.layout import per_cent, plain, words
from fitsolver.telling.report import NAMES, headline, seat_words, size_words
from fitsolver.units import document_weight_ct
from fitsolver.weighing.weight import every_make, weigh_list

# How many of the cuts left out the card knows too: the nearest misses.
NEAREST = 2
# So many cuts of one outline at most are laid out together: more would keep one processor at work
# when the others have done.
TOGETHER = 3
MARKS: dict[Verdict, str] = {
    "seats": "yes",
    "seats after alteration": "work",
    "not decided": "open",
    "does not seat": "no",
}

# What the spec says of a cut, in the list of cuts: no verdict on the stone in hand.
SAID = {
    "seats": "ask for",
    "seats after alteration": "ask for, alters",
    "not decided": "not decided",
    "left out": "left out",
}


class Row(Struct, frozen=True, kw_only=True):
    """One size of a cut as written on the card."""

    label: str
    size: str
    weight: str
    ceiling: str


class Ask(Struct, frozen=True, kw_only=True):
    """One cut as written on the card; `mark` names the sign of its verdict."""

    title: str
    name: str
    verdict: str
    mark: str
    chance: str
    rows: tuple[Row, ...]
    depths: str
    weights: str
    calibrated: str
    altered: str
    notes: tuple[str, ...]
    refusals: tuple[str, ...]


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
    import jinja2

    folder = files("fitsolver.pocket")
    style, script = (_text(folder / name) for name in ("card.css", "card.js"))
    drawn, tables = drawing_and_tables(found, ready, material, crew)
    numbers = card_numbers(found, ready, material, tables, drawn)
    budget = ready.mounting.budget
    page = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(_text(folder / "card.html"))
    data = _as_script(numbers)
    return page.render(
        policy=(
            "default-src 'none'; base-uri 'none'; form-action 'none'; "
            f"style-src '{_hash(style)}'; script-src '{_hash(script)}'"
        ),
        style=style,
        script=script,
        data=data,
        # Cards of other readings do not share what was typed.
        own=hashlib.sha256(data.encode()).hexdigest()[:12],
        name=plain(found.mounting.name),
        story=plain(found.mounting.story or ""),
        seat=seat_words(found.mounting),
        material=material.name,
        date=found.date.isoformat(),
        headline=_capital(headline(found.proposals).lower()),
        asks=list(_asks(found, material)),
        money=None if budget is None else budget.written(budget.left),
        currency=plain(budget.currency) if budget is not None else "",
        refusals=[_refused(item) for item in found.refuse if not item.cut or item.kind == "cut"],
        changes=[
            f"{item.cut}, at best {size_words(item.length_mm, item.width_mm)} mm: {item.why}"
            + (f", by {item.short_by_mm:.2f} mm" if item.short_by_mm >= 0.005 else "")
            + (f". The bench may {item.work} by {item.allowed_mm:.2f} mm" if item.work else "")
            for item in found.changes
        ],
        readings=[
            (words(item.name), f"{item.value_mm:.2f} ± {item.u_mm:.2f} mm")
            for item in found.readings
        ],
        assumed=[
            (words(item.name), f"{item.value:z.2f} ± {item.u:.2f} {item.unit}".replace("pct", "%"))
            for item in found.assumed
        ],
        cautions=found.cautions,
        drawn=drawn,
        claws=found.mounting.holds == "claws",
        choices=[(one.table.style.name, one.table.style.title, SAID[one.said]) for one in tables],
    )


def known_cuts(found: Spec) -> list[str]:
    """Names of the cuts that a card judges: all of the spec, and the nearest of those left out."""
    left = found.proposals.left_out[:NEAREST]
    return [*(item.style.name for item in found.wanted), *(item.cut for item in left)]


def drawing_and_tables(
    found: Spec, ready: Bench, material: Material, crew: Crew = alone
) -> tuple[View | None, list[Known]]:
    """Draw the first choice; fill the tables of `known_cuts`, with what the spec says of them."""
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
        best = check(ready, style, *ask.tolist(), exact=False)
        box = tuple((float(side), float(side)) for side in ask)
        missed.append((style, box, "left out", best))
    cuts = [*wanted, *missed]
    # Some cuts of one outline are laid out together; the longest work comes first.
    alike: dict[Any, list[int]] = {}
    for k, (style, *_) in enumerate(cuts):
        limits = style.length_ratio.low, style.length_ratio.high, style.length_ratio.typical
        alike.setdefault((outline_of(style), limits), []).append(k)
    some = (group[k : k + TOGETHER] for group in alike.values()
            for k in range(0, len(group), TOGETHER))  # fmt: skip
    groups = sorted(some, key=len, reverse=True)
    parts: list[Check | list[Any]] = [[cuts[k] for k in group] for group in groups]
    if found.wanted:
        parts.insert(1, found.wanted[0].ask)
    done = crew(partial(_part, ready, material), parts)
    drawn = done.pop(1) if found.wanted else None
    tables: dict[int, Known] = {}
    for group, known in zip(groups, done, strict=True):
        tables |= dict(zip(group, known, strict=True))
    return drawn, [tables[k] for k in range(len(cuts))]


def _part(ready: Bench, material: Material, part: Check | list[Any]) -> Any:
    """Draw a judged stone, or fill the tables of cuts of one outline."""
    return _filled(ready, material, part) if isinstance(part, list) else view(ready, part)


def _filled(ready: Bench, material: Material, cuts: list[Any]) -> list[Known]:
    asked = [
        Asked(
            style=style,
            box=box,
            size=np.array([best.stone.length_mm, best.stone.width_mm, best.stone.depth_mm]),
            asked=said != "left out",
        )
        for style, box, said, best in cuts
    ]
    return [
        Known(
            table=table,
            said=said,
            limits_mm={item.name: item.alteration_limit_mm for item in best.requirements},
            loose=_loose(best),
        )
        for table, (_, _, said, best) in zip(size_tables(ready, asked, material), cuts, strict=True)
    ]


def _loose(best: Check) -> str:
    """Why the claws do not hold a stone from sliding out, as the card's verdict; "" if they do."""
    reason = best.security.reason
    slides = "the stone can slide out sideways between the claws"
    return "can slide out between the claws" if reason == slides else reason


def _ends(side: Range) -> tuple[float, float]:
    return side.low, side.high


def _asks(found: Spec, material: Material) -> Iterator[Ask]:
    for item in found.wanted:
        point = item.verdict == "not decided"
        chance = f"{per_cent(item.probability)} as the seat is"
        after = item.ask.probability_after_alteration
        if after - item.probability >= 0.005:
            chance += f", {per_cent(after)} after alteration"
        yield Ask(
            title=item.style.title,
            name=item.style.name,
            verdict=item.verdict,
            mark=MARKS[item.verdict],
            chance=chance,
            rows=tuple(_rows(item, material)),
            depths="" if point else _span(item.depth_mm, "mm"),
            weights=_span(item.weight_ct, "ct"),
            calibrated=", ".join(
                f"{size_words(size.length_mm, size.width_mm)} mm ({per_cent(size.probability)})"
                for size in item.calibrated
            ),
            altered=_box(item),
            notes=tuple(
                _capital(plain(NAMES.sub(lambda name: words(name[0]), note))) for note in item.notes
            ),
            refusals=tuple(
                _refused(line)
                for line in found.refuse
                if line.cut == item.style.name and line.kind != "cut"
            ),
        )


def _rows(item: Wanted, material: Material) -> Iterator[Row]:
    """The smallest size, the one to ask for and the largest, with their weights and ceilings."""
    stone = item.ask.stone
    sizes = {
        "smallest": (item.length_mm.low, item.width_mm.low, item.depth_mm.low),
        "ask for": (stone.length_mm, stone.width_mm, stone.depth_mm),
        "largest": (item.length_mm.high, item.width_mm.high, item.depth_mm.high),
    }
    if item.verdict == "not decided":
        sizes = {"comes closest": sizes["ask for"]}
    columns = np.array(list(sizes.values())).T
    weights = weigh_list(
        every_make(item.style, material),
        material,
        dict(zip(("length_mm", "width_mm", "depth_mm"), columns, strict=True)),
    )
    price = item.price
    priced: Sequence[PricedSize | None] = [None] * len(sizes)
    if price is not None:
        priced = [price.asked]
        if len(sizes) > 1:
            priced = [price.smallest, price.asked, price.largest]
    for k, (label, size) in enumerate(sizes.items()):
        at = priced[k]
        yield Row(
            label=label,
            size="\u2009×\u2009".join(f"{side:.2f}" for side in size),
            weight=f"{document_weight_ct(float(weights.weight_ct[k]))}",
            ceiling="" if at is None else rounded(at.ceiling_per_ct, ROUND_DOWN),
        )


def _box(item: Wanted) -> str:
    """The sizes that alteration opens besides."""
    if item.after_alteration is None or item.verdict != "seats":
        return ""
    return " × ".join(_span(side, "").strip() for side in item.after_alteration) + " mm"


def _refused(item: Refusal) -> str:
    return f"{_capital(plain(item.what))}: {plain(item.why)}"


def _span(side: Range, unit: str) -> str:
    if side.high - side.low < 0.005:
        return f"{side.low:.2f} {unit}"
    return f"{side.low:.2f} to {side.high:.2f} {unit}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _text(file: object) -> str:
    return str(file.read_text(encoding="utf-8"))  # type: ignore[attr-defined]


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _as_script(record: object) -> str:
    """JSON that cannot end the element it stands in."""
    text = json.dumps(record, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")
