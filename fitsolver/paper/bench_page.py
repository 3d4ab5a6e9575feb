"""The page for the bench: heights, metal to move, and what to be careful of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from fitsolver.fitting.setting import (
    alteration_total_mm,
    alterations,
    notch_depth_mm,
    ordinary_setting,
)
from fitsolver.fitting.solver import FLOORS, Check
from fitsolver.market.spec import Spec, Wanted
from fitsolver.paper.leaf import GREY, SMALL, Leaves, bulleted, paragraph, safe, table
from fitsolver.paper.spec_page import sizes, typeset
from fitsolver.text.layout import per_cent

# How many of the cuts asked for the bench is told about.
CHOICES = 3

# Usual cautions of the trade; what a material needs besides comes from its own table.
BENCH_CAUTIONS = (
    "Soldering: take every stone out first, or have the joint made by laser. Boron fluxes and "
    "boric acid etch corundum at soldering heat (Gems & Gemology, Summer 1982). Ventilate: fluxes "
    "and pickle fume, and old solder may hold cadmium or lead. Never quench a hot stone.",
    "Steam and ultrasonic: not for fractured, filled, oiled, glued or foil-backed stones, emerald, "
    "opal, tanzanite, pearl, anything porous. Acid and pickle: not for peridot, pearl, porous or "
    "glass-filled stones (common practice).",
    "Foil and closed backs: no liquid, no steam, no heat; foil that got wet is lost.",
    "Burs and torch: eye protection, dust extraction, the fire rules of the place. Measure seat "
    "and stone again before metal is cut: what is taken off an antique does not come back.",
    "This page guides a licensed bench and does not replace its judgement; identity and treatment "
    "are for a laboratory, before any heat.",
)


def bench_page(leaves: Leaves, spec: Spec) -> None:
    """Add the bench's page."""
    leaves.turn()
    leaves.put(paragraph("<b>For the bench</b>", size=12))
    told = spec.wanted[:CHOICES]
    if told:
        leaves.section("Heights", _heights(leaves, told))
    for rank, item in enumerate(told, 1):
        _choice(leaves, rank, item)
    leaves.section(
        "This stone, this mounting", bulleted([f"{text}." for text in spec.cautions], size=7.6)
    )
    leaves.section("Cautions of the bench", bulleted(BENCH_CAUTIONS, size=7.6))


def _heights(leaves: Leaves, told: Sequence[Wanted]) -> list[Any]:
    """Where the girdle sits, what stands above it and what stays free below, for each choice."""
    mounting = told[0].ask.mounting
    claws, cut = mounting.holds == "claws", mounting.state == "cut"
    if cut:
        datum = "the roots of the notches" if claws else "the corner of wall and ledge"
    else:
        datum = "the claw tips" if claws else "the rim"
    heads = ["", "cut", "middle of girdle", "metal above", "culet clears"]
    if not cut:
        heads[3] = "notch depth" if claws else "bearing depth"
    rows: list[Sequence[Any]] = [heads]
    for rank, item in enumerate(told, 1):
        ask = item.ask
        reach = {each.name: each.margin_mm + each.threshold_mm for each in ask.requirements}
        metal = _between(*notch_depth_mm(ask)) if not cut else _length(
            reach.get("metal above girdle"))  # fmt: skip
        girdle = "falls through" if ask.rests_on in FLOORS and cut else _side(ask.rest_height_mm)
        rows.append([str(rank), item.style.title, girdle, metal,
                     _length(reach.get("culet clearance"))])  # fmt: skip
    unit = leaves.column / 144
    note = (
        f"In mm, in the middle of what the readings allow. The girdle's middle is measured from "
        f"{datum}"
        + ("; metal above: from the upper edge of the girdle to the top." if cut else ".")
    )
    grid = table(rows, [unit * w for w in (5, 49, 34, 30, 26)], "<<>>>", size=7.6)
    return [grid, 1.0, paragraph(note, size=SMALL, colour=GREY)]


def _length(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}"


def _between(low: float, high: float) -> str:
    return f"{low:.2f}" if high - low < 0.005 else f"{low:.2f} to {high:.2f}"


def _side(height_mm: float) -> str:
    return f"{abs(height_mm):.2f} {'above' if height_mm >= 0 else 'below'}"


def _choice(leaves: Leaves, rank: int, item: Wanted) -> None:
    ask, stone = item.ask, item.ask.stone
    size = sizes(stone.length_mm, stone.width_mm, stone.depth_mm)
    items: list[Any] = [paragraph(f"<b>{size} mm</b>, {item.verdict}")]
    if item.verdict == "not decided":
        items.append(paragraph("Cut nothing before the readings named are taken again."))
        leaves.section(f"{rank}  {safe(item.style.title)}", items)
        return
    works = list(_works(ask))
    items.append(0.6)
    items += bulleted([f"Ordinary setting: {_inner(text)}" for text in ordinary_setting(ask)])
    items += bulleted([f"Alteration: {_inner(text)}" for text in works] or ["Alteration: none."])
    if rank == 1:
        note = (
            "In mm. Margin: how far a requirement holds, in the middle of what the readings allow; "
            "minus = short by that much. Limit: what the bench asks for or allows. Directions: "
            "0° along the length, counter-clockwise seen from above."
        )
        items += [1.2, _margins(leaves, ask), 1.0, paragraph(note, size=SMALL, colour=GREY)]
    leaves.section(f"{rank}  {safe(item.style.title)}", items)


def _inner(text: str) -> str:
    """Write a sentence as the part of another, after a colon."""
    return typeset(text[0].lower() + text[1:])


def _works(ask: Check) -> Iterator[str]:
    """Each alteration with what it takes, how far it may go and what to mind; then their sum."""
    for work in alterations(ask):
        about = f"about {work.about_mm:.2f} mm, at most" if work.about_mm >= 0.005 else "perhaps by"
        yield (
            f"{work.work}: {about} {work.at_most_mm:.2f} mm of {work.limit_mm:.2f} mm allowed "
            f"({work.requirement}). Mind: {work.caution}."
        )
    total, limit = alteration_total_mm(ask)
    if limit > 0:
        yield f"metal to move in all: about {total:.2f} mm, at most {limit:.2f} mm."


def _margins(leaves: Leaves, ask: Check) -> Any:
    """Every requirement, the least sure first."""
    rows: list[Sequence[Any]] = [["requirement", "margin", "± u", "holds", "limit", "tightest at"]]
    for margin in sorted(ask.requirements, key=lambda each: (each.probability, each.margin_mm)):
        at = "–" if margin.direction_deg is None else f"{margin.direction_deg:.0f}°"
        rows.append(
            [
                f"{margin.name}: {margin.meaning}", f"{margin.margin_mm:+.2f}",
                f"{margin.u_mm:.2f}", per_cent(margin.probability),
                f"{margin.threshold_mm:.2f}", at,
            ]
        )  # fmt: skip
    unit = leaves.column / 144
    return table(rows, [unit * w for w in (79, 14, 10, 12, 12, 17)], "<>>>>>", size=7.6)
