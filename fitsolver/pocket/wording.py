"""The carry card's page in words: the spec, its drawing, and room for the numbers.

The numbers come last: they are put in where `page_html` left marks.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from decimal import ROUND_DOWN
from importlib.resources import files

import jinja2
import numpy as np
from msgspec import Struct

from fitsolver.budgeting.budget import rounded
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.box import Range
from fitsolver.fitting.judge import Verdict
from fitsolver.market.money import PricedSize
from fitsolver.market.refusal import Refusal
from fitsolver.market.spec import Spec, Wanted
from fitsolver.pocket.view import View, view
from fitsolver.stones.material import Material
from fitsolver.telling.report import headline, seat_words, size_words
from fitsolver.text.layout import per_cent, plain, words
from fitsolver.units import document_weight_ct
from fitsolver.weighing.weight import every_make, weigh_list

# Marks where the numbers and their own name belong; no text of a file can hold them.
DATA, OWN = "\x00data", "\x00own"
MARKS: dict[Verdict, str] = {
    "seats": "yes",
    "seats after alteration": "work",
    "not decided": "open",
    "does not seat": "no",
}


class CardRow(Struct, frozen=True, kw_only=True):
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
    rows: tuple[CardRow, ...]
    depths: str
    weights: str
    calibrated: str
    altered: str
    notes: tuple[str, ...]
    refusals: tuple[str, ...]


def page_html(
    found: Spec, ready: Bench, material: Material, choices: Sequence[tuple[str, str, str]]
) -> tuple[str, View | None]:
    """Write the page but for its numbers, and the view that is drawn on it.

    `choices` are the cuts that it knows: name, title and what the spec says of each.
    """
    folder = files("fitsolver.pocket")
    style, script = (_text(folder / name) for name in ("card.css", "card.js"))
    drawn = view(ready, found.wanted[0].ask) if found.wanted else None
    budget = ready.mounting.budget
    page = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(_text(folder / "card.html"))
    text = page.render(
        policy=(
            "default-src 'none'; base-uri 'none'; form-action 'none'; "
            f"style-src '{_hash(style)}'; script-src '{_hash(script)}'"
        ),
        style=style,
        script=script,
        data=DATA,
        own=OWN,
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
        choices=choices,
    )
    return text, drawn


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
            notes=tuple(_capital(plain(note)) for note in item.notes),
            refusals=tuple(
                _refused(line)
                for line in found.refuse
                if line.cut == item.style.name and line.kind != "cut"
            ),
        )


def _rows(item: Wanted, material: Material) -> Iterator[CardRow]:
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
        yield CardRow(
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
