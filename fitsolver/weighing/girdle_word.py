"""The words for a girdle's thickness as millimetres, the same at every size of stone.

Source: Adamas Gemological Laboratory, in the article "Girdle thickness judgment": bands at the thin
places (the valleys). A given word is a larger part of a small stone. Rounds are 1.6 to 1.7 % of the
diameter thicker where the mains meet the girdle ("Diamond girdle thickness", an
encyclopaedia of the trade).
"""

from __future__ import annotations

import re

from fitsolver.errors import FitsolverError
from fitsolver.readings.reading import rectangular_u
from fitsolver.stones.cut import CutStyle
from fitsolver.weighing.evidence import Figure

BANDS_MM = {
    "extremely thin": (0.0, 0.05),
    "very thin": (0.02, 0.08),
    "thin": (0.08, 0.15),
    "medium": (0.15, 0.20),
    "slightly thick": (0.20, 0.23),
    "thick": (0.23, 0.33),
    "very thick": (0.33, 0.40),
    "extremely thick": (0.40, 0.60),
}
"""Bands at the valleys [mm]. The source has thin as anything under 0.15 and no end above 0.40; the
finer words below, and 0.60, are common practice."""

EYE_MM = 0.03
"""Standard uncertainty of a girdle judged by eye (common practice: half a word up or down)."""


def girdle_word(text: str) -> Figure:
    """Return the thickness at the valleys [mm] that a word, or a range of words, stands for.

    Raises `FitsolverError` if it is none of `BANDS_MM`, nor two of them joined by "to".

    >>> girdle_word("Thick").value
    0.28
    """
    words = [" ".join(re.findall(r"[^\W\d_]+", part.lower())) for part in _parts(text)]
    unknown = [word for word in words if word not in BANDS_MM]
    if unknown or len(words) > 2:
        known = ", ".join(BANDS_MM)
        raise FitsolverError(
            f"girdle {text!r} is neither a thickness nor a word for one; known are {known}, "
            "and two of them joined by 'to'"
        )
    low = min(BANDS_MM[word][0] for word in words)
    high = max(BANDS_MM[word][1] for word in words)
    half = rectangular_u((high - low) / 2)
    return Figure(value=round((low + high) / 2, 6), u=(half**2 + EYE_MM**2) ** 0.5)


def _parts(text: str) -> list[str]:
    return re.split(r"\s+to\s+|\s*-\s*", text.strip(), flags=re.IGNORECASE)


def mains_pct(style: CutStyle) -> float:
    """By how much the girdle is thicker at the mains than in the valleys, per cent of the width.

    1.65 where halves dip into it from both sides, half of that where they do from one.
    """
    dipped = {row.part for row in style.rows if row.name.endswith("halves")}
    return 0.825 * len(dipped)
