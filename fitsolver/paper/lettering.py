"""Letters on paper: the embedded fonts, and lines of text in any direction.

The fonts are DejaVu Sans, as in the drawings; matplotlib carries their files. A PDF places glyphs
from left to right, so text of a right-to-left script is broken into lines first, then joined
(Arabic letters change shape beside each other) and put in the order in which it is seen.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import cache
from html import escape
from importlib.util import find_spec
from pathlib import Path

from fitsolver.errors import FitsolverError
from fitsolver.text.layout import plain

REGULAR, BOLD = "Sheet", "Sheet-Bold"
_FILES = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}


@cache
def register_fonts() -> None:
    """Make the two fonts known to reportlab; finds their files without importing matplotlib."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    spec = find_spec("matplotlib")
    folder = Path(spec.origin or "").parent / "mpl-data/fonts/ttf" if spec is not None else Path()
    for name, file in _FILES.items():
        if not (folder / file).is_file():
            raise FitsolverError(f"the font {file} is missing: looked in {folder}")
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily(REGULAR, REGULAR, BOLD, REGULAR, BOLD)


def width_of(text: str, font: str, size: float) -> float:
    """Width of a line of text, in points."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    register_fonts()
    return float(stringWidth(text, font, size))


def is_right_to_left(text: str) -> bool:
    """Whether any letter of a text belongs to a right-to-left script."""
    return any(unicodedata.bidirectional(letter) in ("R", "AL") for letter in text)


def runs_left(text: str) -> bool:
    """Whether a text as a whole runs to the left: its first letter with a direction does.

    >>> runs_left("1890 טבעת"), runs_left("Ring טבעת")
    (True, False)
    """
    for letter in text:
        direction = unicodedata.bidirectional(letter)
        if direction in ("L", "R", "AL"):
            return direction != "L"
    return False


def seen(text: str, *, left: bool | None = None) -> str:
    """Return one line of text in the order in which it is seen, Arabic letters joined.

    `left` says whether the text that the line is part of runs to the left, if not the line's own.

    >>> seen("Ring 1890")
    'Ring 1890'
    >>> seen("טבעת") == "טבעת"[::-1]
    True
    """
    if not is_right_to_left(text):
        return text
    from bidi import get_display

    if any(unicodedata.bidirectional(letter) == "AL" for letter in text):
        from arabic_reshaper import reshape

        text = reshape(text)
    left = runs_left(text) if left is None else left
    return str(get_display(text, base_dir="R" if left else "L"))


def broken(text: str, width: float, font: str = REGULAR, size: float = 8.0) -> list[str]:
    """Break a user's own text into lines no wider than `width` points, each as it is seen.

    It breaks at blanks, and within a word that alone is wider than the line.
    """
    lines: list[str] = []
    for word in _pieces(plain(text).split(), width, font, size):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(seen(longer), font, size) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    left = runs_left(text)
    return [seen(line, left=left) for line in lines]


def _pieces(words: list[str], width: float, font: str, size: float) -> Iterator[str]:
    for word in words:
        rest = word
        while width_of(seen(rest), font, size) > width and len(rest) > 1:
            cut = len(rest) - 1
            while cut > 1 and width_of(seen(rest[:cut]), font, size) > width:
                cut -= 1
            yield rest[:cut]
            rest = rest[cut:]
        yield rest


def markup(text: str, width: float, font: str = REGULAR, size: float = 8.0) -> str:
    """Return a user's own text as the body of a paragraph: safe, broken, in the order seen.

    Text without right-to-left letters is left to the paragraph to break.
    """
    if not is_right_to_left(text):
        return escape(plain(text), quote=False)
    return "<br/>".join(escape(line, quote=False) for line in broken(text, width, font, size))


def shortened(text: str, width: float, font: str = REGULAR, size: float = 8.0) -> str:
    """Return one line of a user's own text, cut where it would be wider than `width` points."""
    line = plain(text)
    if width_of(seen(line), font, size) <= width:
        return seen(line)
    while line and width_of(seen(f"{line}..."), font, size) > width:
        line = line[:-1].rstrip()
    return seen(f"{line}...")
