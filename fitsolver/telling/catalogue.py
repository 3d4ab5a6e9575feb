"""What the library holds, as text: cut styles and allowances."""

from __future__ import annotations

import re
from collections.abc import Iterable

from fitsolver.seats.allowance import TABLE, Allowances
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.prior import height_prior
from fitsolver.text.layout import columns, page, paragraph, plain, unit_of, words

WIDTH = 80


def cuts_text(styles: Iterable[CutStyle], width: int = WIDTH) -> str:
    """List cut styles by outline."""
    rows = [["", "period", "L : W", "depth", ""]]
    outline = ""
    for style in sorted(styles, key=lambda item: (item.family, item.name)):
        if style.family != outline:
            outline = style.family
            rows.append([outline.upper(), "", "", "", ""])
        depth, spread = _depth(style)
        rows.append(
            [
                f"  {style.name}", f"{style.period_from}-{style.period_to or '':<4}",
                f"{style.length_ratio.typical:.2f}", f"{depth:.0f} +-{spread:2.0f} %",
                re.split(" \\(|, ", style.title)[0] + (" (strung)" if style.strung else ""),
            ]
        )  # fmt: skip
    return page(
        [
            columns(rows, "<<>><", indent=0, gap=1),
            [
                paragraph(
                    "L : W is the usual length over width; depth is total depth in per cent of "
                    "the width, +- one standard deviation. Period: years in which the style was "
                    "cut (1000: since antiquity).",
                    width,
                )
            ],
        ]
    )


def cut_text(style: CutStyle, width: int = WIDTH) -> str:
    """Describe one cut style: outline, proportions with their spread, how it is measured."""
    depth, spread = _depth(style)
    until = "on" if style.period_to is None else f"to {style.period_to}"
    ratio = style.length_ratio
    faces = "1 face" if style.facet_count == 1 else f"{style.facet_count} facets"
    facts = [
        ["outline", style.family],
        ["cut", f"from {style.period_from} {until}"],
        ["faces", faces],
        [
            "length : width",
            f"{ratio.typical:.2f} +- {ratio.spread:.2f}, within {ratio.low:g} to {ratio.high:g}",
        ],
        ["total depth", f"{depth:.0f} +- {spread:.0f} % of the width"],
        ["makes", f"{', '.join(style.makes)} (here: {style.make})"],
    ]
    rows = [["", "usual", "+-", "within", ""]]
    for name, item in style.proportions.items():
        rows.append(
            [
                words(name), f"{item.typical:g}", f"{item.spread:g}",
                f"{item.low:g} to {item.high:g}", unit_of(name),
            ]
        )  # fmt: skip
    measuring = [paragraph(f"{key}: {text}", width, first="  ", rest="      ")
                 for key, text in style.measuring.items()]  # fmt: skip
    blocks = [
        [style.title, style.name, "", *columns(facts, "<<", indent=0)],
        ["Proportions, per cent of the width unless said otherwise", *columns(rows, "<>>><")],
        ["How it is measured", *measuring],
        [paragraph(style.notes, width)] if style.notes else [],
        [paragraph(f"Sources: {_sources(style)}.", width)],
    ]
    return page(blocks)


def allowances_text(found: Allowances, mounting: str = "", width: int = WIDTH) -> str:
    """List the allowances: value in force and range, then meaning and source."""
    head = (
        f"Allowances in force for {plain(mounting)}; * set in its file"
        if mounting
        else "Allowances: what bench practice asks for or permits"
    )
    lines = []
    for name, value in found.items():
        item = TABLE[name]
        mark = "* " if name in found.overridden else ""
        unit = f" {item.unit}" if item.unit else ""
        lines += [
            f"{mark}{name} = {value:g}{unit}   ({item.low:g} to {item.high:g})",
            paragraph(f"{item.meaning}; {found.source(name)}", width, first="    "),
        ]
    how = (
        "To change one for a mounting, write it in its file under [allowances]. Whoever works the "
        "metal decides: a licensed bench knows its own."
    )
    return page([[paragraph(head, width)], lines, [paragraph(how, width)]])


def _depth(style: CutStyle) -> tuple[float, float]:
    """Total depth and its spread, per cent of the width."""
    mean, covariance = height_prior(style)
    return 100 * float(mean.sum()), 100 * float(covariance.sum()) ** 0.5


def _sources(style: CutStyle) -> str:
    every = [style.period_source, style.length_ratio.source]
    every += [item.source for item in style.proportions.values()]
    return "; ".join(dict.fromkeys(every))
