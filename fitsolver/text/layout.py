"""Plain text on a page of fixed width: paragraphs, columns and numbers, readable when piped."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence


def plain(text: object) -> str:
    """Write on one line, without control characters: a file's own words cannot move the cursor.

    >>> plain("one\\n  two\\x1b[31m")
    'one two?[31m'
    """
    joined = " ".join(str(text).split())
    return "".join(letter if letter.isprintable() else "?" for letter in joined)


def paragraph(text: str, width: int, *, first: str = "", rest: str | None = None) -> str:
    """Wrap a text to a width; `first` leads the first line, `rest` (blanks, if not said) others."""
    return textwrap.fill(
        text,
        width,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def columns(
    rows: Sequence[Sequence[str]], align: str, *, indent: int = 2, gap: int = 2
) -> list[str]:
    """Set rows in columns; `align` has one sign a column, "<" for words and ">" for numbers.

    >>> columns([["gap", "0.10"], ["cover", "12.00"]], "<>")
    ['  gap     0.10', '  cover  12.00']
    """
    widths = [max(len(row[k]) for row in rows) for k in range(len(align))]
    lines = []
    for row in rows:
        cells = [f"{cell:{side}{w}}" for cell, side, w in zip(row, align, widths, strict=True)]
        lines.append((" " * indent + (" " * gap).join(cells)).rstrip())
    return lines


def per_cent(share: float) -> str:
    """Write a probability as a whole per cent; nothing drawn by chance is quite sure.

    What falls short of 90 %, or lies over 10 %, is not rounded onto it: verdicts hang on these.

    >>> per_cent(0.904), per_cent(0.999), per_cent(0.0)
    ('90 %', '>99 %', '<1 %')
    >>> per_cent(0.898), per_cent(0.102), per_cent(0.1)
    ('89 %', '11 %', '10 %')
    """
    if share > 0.995:
        return ">99 %"
    if share < 0.005:
        return "<1 %"
    whole = round(100 * share)
    if share < 0.9:
        whole = min(whole, 89)
    return f"{max(whole, 11) if share > 0.1 else whole} %"


def words(name: str) -> str:
    """Turn the name of a reading into the trade's words, without its unit.

    >>> words("ledge_width_mm"), words("opening_radii_mm at 30 deg")
    ('ledge width', 'opening radius at 30 deg')
    >>> words("wall_heights_mm at 30 deg"), words("claw_thickness_mm at 30 deg")
    ('wall height at 30 deg', 'claw thickness at 30 deg')
    """
    head, blank, tail = name.partition(" ")
    for unit in ("_mm", "_pct", "_deg", "_ct", "_g_cm3"):
        head = head.removesuffix(unit)
    if head.endswith(("widths", "heights", "leans")):  # one of several
        head = head.removesuffix("s")
    return head.replace("_radii", "_radius").replace("_", " ") + blank + tail


def unit_of(name: str) -> str:
    """Return the unit at the end of a name, as it is written behind a number."""
    ends = {"_mm": "mm", "_pct": "%", "_deg": "deg", "_ct": "ct", "_cm3": "g/cm3"}
    return next((unit for end, unit in ends.items() if name.endswith(end)), "")


def list_of(items: Sequence[str], joint: str = "and") -> str:
    """Join words as a sentence does.

    >>> list_of(["one", "two", "three"])
    'one, two and three'
    """
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def page(blocks: Iterable[Sequence[str]]) -> str:
    """Join blocks of lines by blank lines; empty blocks leave nothing."""
    return "\n\n".join("\n".join(block) for block in blocks if block)


def bullets(head: str, items: Sequence[str], width: int) -> list[str]:
    """List items under a head; nothing if there are none."""
    if not items:
        return []
    return [head, *(paragraph(item, width, first="  - ") for item in items)]


def dimensions(*lengths_mm: float) -> str:
    """Write sizes as the trade does, without the unit.

    >>> dimensions(8.0, 6.0, 3.9)
    '8.00 x 6.00 x 3.90'
    """
    return " x ".join(f"{length:.2f}" for length in lengths_mm)
