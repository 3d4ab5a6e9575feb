"""The first pages of a sheet: what to ask for and what to refuse, and what that rests on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from fitsolver.fitting.box import Box, Range
from fitsolver.fitting.setting import ESTIMATE
from fitsolver.market.aim import aim_words
from fitsolver.market.refusal import Refusal
from fitsolver.market.spec import Change, Spec, Wanted
from fitsolver.paper.ink import MM
from fitsolver.paper.leaf import (
    GREY,
    SMALL,
    TITLE,
    Leaves,
    bulleted,
    paragraph,
    safe,
    table,
)
from fitsolver.paper.price_section import price_section
from fitsolver.telling.report import seat_words, size_words
from fitsolver.telling.spec_report import strip
from fitsolver.telling.stone_report import carats
from fitsolver.text.layout import per_cent, words
from fitsolver.units import format_ct

_VERDICTS = {
    "seats": "Seats",
    "seats after alteration": "Seats after alteration",
    "does not seat": "Nothing seats, alteration included",
    "not decided": "Not decided by these readings",
}


def spec_page(leaves: Leaves, spec: Spec) -> None:
    """Add the spec as text."""
    leaves.turn()
    _title(leaves, spec)
    _ask(leaves, spec)
    price_section(leaves, spec)
    _what_to_change(leaves, spec)
    _refuse(leaves, spec)
    _readings(leaves, spec)
    _assumed(leaves, spec)
    leaves.section("Before you buy", bulleted([f"{ESTIMATE}.", *_LABORATORY]))


_LABORATORY = (
    "What the stone is, whether it was treated and where it comes from are for a laboratory: size "
    "and mass identify nothing. Ask the seller to state treatments in writing.",
)


def typeset(text: str) -> str:
    r"""Write a sentence of the reports with the signs that paper has, a unit beside its number.

    >>> typeset("8.0 x 6.0 at 30 deg, +-0.1")
    '8.0 × 6.0 at 30°, ±0.1'
    >>> typeset("80 % of 2 mm")
    '80\xa0% of 2\xa0mm'
    """
    text = re.sub(r"(\d) (mm|ct|%)", "\\1\u00a0\\2", text)
    return text.replace(" x ", " × ").replace(" deg", "°").replace("+-", "±")


def sizes(*lengths_mm: float) -> str:
    """Write sizes as the trade does, without the unit.

    >>> sizes(8.0, 6.0)
    '8.00 × 6.00'
    """
    return " × ".join(f"{length:.2f}" for length in lengths_mm)


def span(lengths: Range, decimals: int = 2) -> str:
    """Write an interval; one number where it is a point.

    >>> span(Range(low=7.7, high=7.74)), span(Range(low=7.7, high=7.7))
    ('7.70 to 7.74', '7.70')
    """
    low, high = f"{lengths.low:.{decimals}f}", f"{lengths.high:.{decimals}f}"
    return low if low == high else f"{low} to {high}"


def _title(leaves: Leaves, spec: Spec) -> None:
    mounting = spec.mounting
    leaves.put(paragraph("SIZE SPEC OF A STONE", size=SMALL, colour=GREY))
    leaves.low -= 0.6 * MM
    leaves.put(paragraph(mounting.name, size=TITLE, bold=True, own=True, width=leaves.width))
    leaves.low -= 0.8 * MM
    if mounting.story:
        leaves.put(paragraph(mounting.story, own=True, width=leaves.width))
    leaves.put(paragraph(f"{seat_words(mounting)}. Stone: {safe(spec.material.name)}."))
    leaves.low -= 2 * MM
    first = spec.verdict if not spec.wanted else spec.wanted[0].verdict
    if first != "seats":
        leaves.put(paragraph(_VERDICTS[first], size=11.5, bold=True))
        leaves.low -= 1 * MM
    _strip(leaves, spec)


def _strip(leaves: Leaves, spec: Spec) -> None:
    """What has to be known at the dealer's table, in a frame to be found at a glance."""
    lines = strip(spec)
    if not lines:
        return
    widths = [0.13 * leaves.width, 0.87 * leaves.width]
    rows = [
        [
            paragraph(what, size=SMALL, colour=GREY),
            paragraph(_dashed(typeset(text)), size=9.6, bold=True, own=True, width=widths[1]),
        ]
        for what, text in lines
    ]
    leaves.put(table(rows, widths, "<<", heads=0, framed=True))


def _dashed(text: str) -> str:
    r"""Set spans as paper has them.

    >>> _dashed("8.37-8.83")
    '8.37\u20138.83'
    """
    return re.sub(r"(?<=\d)-(?=\d)", "\u2013", text)


def _ask(leaves: Leaves, spec: Spec) -> None:
    """The cuts in order of preference: the size to ask for, the limits, weight, calibrated."""
    if not spec.wanted:
        return
    rows: list[Sequence[Any]] = [
        [
            "",
            "cut",
            "mm",
            "ask for",
            "limits as it is",
            "with alteration",
            "weight, ct",
            "calibrated",
            "holds",
        ]
    ]
    for rank, item in enumerate(spec.wanted, 1):
        rows.append(_ask_row(rank, item, item.after_alteration))
    unit = leaves.column / 144
    grid = table(
        rows, [unit * w for w in (5, 27, 11, 11, 21, 22, 20, 17, 10)], "<<<><<<<>", size=7.6
    )
    told: list[Any] = [
        paragraph(
            f"In order of preference. {aim_words(item.aim for item in spec.wanted)} "
            "Limits: every size within them seats so. Weight: of "
            "the size to ask for, then from the lightest of the smallest to the heaviest of the "
            "largest. Calibrated: sizes whose whole tolerance seats. Holds: the probability that "
            "the size to ask for seats.",
            size=SMALL,
            colour=GREY,
        )
    ]
    room = spec.tolerance_mm
    if room is not None and spec.wanted[0].verdict != "not decided":
        told.append(0.8)
        told.append(
            paragraph(
                f"<b>Tolerance of the first choice:</b> length and width may both be up to "
                f"{room.plus:.2f} mm over or {room.minus:.2f} mm under the size to ask for."
            )
        )
    leaves.section("Ask for", [grid, 1.0, *told])
    notes = [
        f"{rank}: {typeset(note)}." for rank, item in enumerate(spec.wanted, 1)
        for note in item.notes
    ]  # fmt: skip
    if notes:
        leaves.section("Remarks", bulleted(notes))


def _ask_row(rank: int, item: Wanted, altered: Box | None) -> list[Any]:
    stone = item.ask.stone
    cut = f"<b>{safe(item.style.title)}</b>"
    if item.verdict != "seats":
        cut += f"<br/>{_VERDICTS[item.verdict].lower()}"
    ask = "<br/>".join(
        f"<b>{length:.2f}</b>" for length in (stone.length_mm, stone.width_mm, stone.depth_mm)
    )
    own: Box | None = (item.length_mm, item.width_mm, item.depth_mm)
    after_it = altered
    if item.verdict == "seats after alteration":
        own, after_it = None, own
    elif item.verdict == "not decided":
        own = None
    limits = ["–" if box is None else "<br/>".join(map(span, box)) for box in (own, after_it)]
    calibrated = "<br/>".join(
        typeset(size_words(each.length_mm, each.width_mm)) for each in item.calibrated
    )
    chance = safe(per_cent(item.probability))
    after = item.ask.probability_after_alteration
    if item.verdict != "seats" and after - item.probability >= 0.005:
        chance += f"<br/>altered<br/>{safe(per_cent(after))}"
    # As documents write it, and the interval rounded outward, as everywhere.
    weight = format_ct(item.ask_weight_ct).removesuffix(" ct")
    if item.verdict != "not decided":
        weight += f"<br/>{carats(item.weight_ct.low, item.weight_ct.high)}"
    small = 7.6
    return [
        paragraph(str(rank), size=small, bold=True),
        paragraph(cut, size=small),
        paragraph("length<br/>width<br/>depth", size=small, colour=GREY),
        paragraph(ask, size=small, across="right"),
        *(paragraph(text, size=small) for text in (*limits, weight, calibrated or "–")),
        paragraph(chance, size=small, across="right"),
    ]


def _what_to_change(leaves: Leaves, spec: Spec) -> None:
    """Where nothing seats: what stops the nearest misses, and what could be done about it."""
    if spec.wanted:
        return
    items: list[Any] = [
        paragraph(
            "No cut seats in this mounting as it was read. First take again the readings that "
            "rest on one look or have the largest ± u; then ask a licensed bench whether the "
            "mounting itself may be changed further than usual practice goes. These came nearest:"
        ),
        1.0,
    ]
    if spec.changes:
        rows: list[Sequence[Any]] = [
            ["nearest miss", "its best size, mm", "what is in the way", "short by",
             "at the bench"]
        ]  # fmt: skip
        rows += [_change_row(change) for change in spec.changes]
        unit = leaves.column / 144
        items.append(table(rows, [unit * w for w in (30, 26, 40, 16, 32)], "<<<><", size=7.6))
    leaves.section("What to change", items)


def _change_row(change: Change) -> list[str]:
    bench = "no alteration helps"
    if change.work:
        bench = f"{change.work}: practice allows {change.allowed_mm:.2f} mm"
    return [
        change.cut, sizes(change.length_mm, change.width_mm), change.why,
        f"{change.short_by_mm:.2f} mm", bench,
    ]  # fmt: skip


# What is told of the cuts after the first; their limits say the rest.
_OF_OTHERS = ("undecided", "points")


def _refuse(leaves: Leaves, spec: Spec) -> None:
    """What not to buy: all of the first choice, of the others what their limits do not say."""
    if not spec.refuse or not spec.wanted:  # where nothing seats, all that is told already
        return
    ranks = {item.style.name: rank for rank, item in enumerate(spec.wanted, 1)}
    chosen = [
        refusal for refusal in spec.refuse
        if ranks.get(refusal.cut, 0) <= 1 or refusal.kind in _OF_OTHERS
    ]  # fmt: skip

    def order(refusal: Refusal) -> int:
        return len(ranks) + 1 if refusal.kind == "cut" else ranks.get(refusal.cut, 0)

    rows: list[Sequence[Any]] = [["", "refuse", "because"]]
    for refusal in sorted(chosen, key=order):
        what = f"cut {refusal.what}" if refusal.kind == "cut" else refusal.what
        rank = str(ranks.get(refusal.cut, "any"))
        rows.append(["" if refusal.kind == "cut" else rank, typeset(what), typeset(refusal.why)])
    unit = leaves.column / 144
    items: list[Any] = [table(rows, [unit * w for w in (8, 60, 76)], "<<<", size=7.6)]
    if len(ranks) > 1:
        told = "Of the choices after the first, refuse besides whatever lies outside their limits."
        items += [0.8, paragraph(told, size=SMALL, colour=GREY)]
    leaves.section("Refuse", items)


def _readings(leaves: Leaves, spec: Spec) -> None:
    rows: list[Sequence[Any]] = [["reading", "mm", "± u", "taken with", "at", "times"]]
    unit = leaves.column / 144
    widths = [unit * w for w in (46, 16, 14, 38, 18, 12)]
    for line in spec.readings:
        note = f", {line.note}" if line.note else ""
        rows.append(
            [
                typeset(words(line.name)), f"{line.value_mm:.2f}", f"{line.u_mm:.3f}",
                paragraph(f"{words(line.instrument)}{note}", own=True, width=widths[3], size=7.6),
                line.level or "–", str(line.repeats),
            ]
        )  # fmt: skip
    leaves.section("Rests on", [table(rows, widths, "<>><<>", size=7.6)])


def _assumed(leaves: Leaves, spec: Spec) -> None:
    if not spec.assumed:
        return
    rows: list[Sequence[Any]] = [["not measured", "taken as", "why"]]
    for item in spec.assumed:
        sign = {"pct": " %", "deg": "°"}.get(item.unit, f" {item.unit}")
        decimals = 2 if item.unit == "mm" else 1
        value = (
            f"{item.value:.3g}{sign}" if item.u == 0 else
            f"{item.value:.{decimals}f} ± {item.u:.{decimals}f}{sign}"
        )  # fmt: skip
        rows.append([f"~ {words(item.name)}", value, typeset(item.source)])
    unit = leaves.column / 144
    leaves.section("Assumed (~)", [table(rows, [unit * w for w in (46, 34, 64)], "<<<", size=7.6)])
