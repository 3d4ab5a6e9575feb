"""What a name covers before anything is measured: styles and makes, with their shares.

A cut that is only named is not known: "oval" may be a step or a brilliant pavilion, and a make is
rarely told. Every style and make that a name may mean is offered with its share of the market; what
is measured then counts each by how well it foretold the readings (see `makes`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from msgspec import Struct

from fitsolver.stones.cut import CutStyle, cut
from fitsolver.stones.material import Material

MAKE_SHARES = {
    "diamond": {"well-cut": 4.0, "diamond": 4.0, "commercial": 1.0},
    "coloured": {"well-cut": 1.0, "commercial": 3.0, "native": 2.0},
}
"""How makes share the market before a stone is measured. Common practice: fancy diamonds sold one
by one are mostly cut as the trade's charts have them; of coloured stones few are, weight comes
first (K. Kovacs, Ruby and sapphire cuts, n.d.). Makes of round diamonds count alike."""

FULLER_WHEN_LARGE = {"commercial": 0.05, "native": 0.05}
"""By what part coloured stones get fuller with each doubling of the width. Common practice: small
ones are cut clean to calibrated sizes, large rough is kept heavy; no figure is published."""

SOLD_AS = {
    ("cushion-brilliant", "diamond"): {"cushion-brilliant": 0.98, "cushion-plain": 0.02},
    ("cushion-square", "diamond"): {"cushion-square": 0.98, "cushion-plain": 0.02},
    ("cushion-brilliant", "coloured"): {"cushion-brilliant": 0.5, "cushion-plain": 0.5},
    ("cushion-square", "coloured"): {"cushion-square": 0.5, "cushion-plain": 0.5},
}
"""Styles that are sold under one name, with their shares. Of diamond cushions 98 % have the
modified pavilion (a trade page; two others agree in kind); of coloured ones nobody counted: half
and half."""

SHAPES: Mapping[str, Mapping[str, Mapping[str, float]]] = {
    "round": {
        "diamond": {"round-brilliant": 0.97, "old-european": 0.03},
        "coloured": {"round-brilliant": 0.5, "round-mixed": 0.4, "round-step": 0.1},
    },
    "oval": {
        "diamond": {"oval-brilliant": 0.97, "oval-mixed": 0.03},
        "coloured": {"oval-mixed": 0.7, "oval-brilliant": 0.2, "oval-step": 0.1},
    },
    "cushion": {
        "diamond": {"cushion-brilliant": 0.95, "cushion-plain": 0.02, "old-mine": 0.03},
        "coloured": {
            "cushion-mixed": 0.7,
            "cushion-plain": 0.1,
            "cushion-brilliant": 0.1,
            "cushion-step": 0.1,
        },
    },
    "pear": {
        "diamond": {"pear-brilliant": 0.97, "pear-step": 0.03},
        "coloured": {"pear-mixed": 0.7, "pear-brilliant": 0.2, "pear-step": 0.1},
    },
    "marquise": {
        "diamond": {"marquise-brilliant": 0.97, "marquise-step": 0.03},
        "coloured": {"marquise-brilliant": 0.6, "marquise-step": 0.4},
    },
    "octagon": {
        "diamond": {"emerald": 0.6, "cut-corner-brilliant": 0.4},
        "coloured": {"emerald": 0.75, "cut-corner-brilliant": 0.2, "octagon-scissor": 0.05},
    },
    "triangle": {
        "diamond": {"triangle-brilliant": 0.9, "triangle-step": 0.1},
        "coloured": {"triangle-brilliant": 0.7, "triangle-step": 0.3},
    },
    "square": {
        "diamond": {"princess": 0.9, "square-step": 0.1},
        "coloured": {"square-step": 0.6, "princess": 0.4},
    },
    "heart": {"diamond": {"heart-brilliant": 1.0}, "coloured": {"heart-brilliant": 1.0}},
}
"""What a seller's word for a shape covers. Common practice, no shares are published: of sapphires
and rubies in rounded outlines many are mixed cuts (Starnes, Gem Talk, 2013), and from Sri Lanka and
Tanzania they come as such (a trader in a forum); a round is mostly calibrated or precision cut,
often with a brilliant pavilion; diamonds are brilliants but for a few in a hundred."""

LOOK = (
    "look at the pavilion through the table and from the side: rows of facets parallel to the "
    "girdle are steps, facets that run from the girdle to one point are a brilliant; a brilliant "
    "crown over steps is a mixed cut"
)


class Offer(Struct, frozen=True, kw_only=True):
    """What a word covers: the styles in each of their makes, their shares adding up to 1."""

    word: str
    styles: tuple[CutStyle, ...]


def shape_offer(word: str, stuff: Material | None = None) -> Offer | None:
    """Return what a seller's word for a shape covers, None if it is no such word.

    >>> [style.name for style in shape_offer("Heart").styles if style.make == "native"]
    []
    """
    plain = "-".join(re.findall(r"\w+", word.lower().replace("_", " ")))
    kind = _kind(stuff)
    covered = SHAPES.get(plain.removesuffix("-cut"), {}).get(kind)
    if covered is None:
        return None
    styles = [made for name, share in covered.items() for made in _makes(cut(name), kind, share)]
    return Offer(word=plain, styles=tuple(styles))


def every_make(style: CutStyle, stuff: Material | None = None) -> tuple[CutStyle, ...]:
    """Return a style in each of its makes, for a stone whose make is not known.

    Native cutting, which saves weight at the mine, is of coloured stones, and the diamond trade's
    own way of a style of diamonds (common practice). Where another style is sold under the same
    name (`SOLD_AS`), its makes come behind.
    """
    kind = _kind(stuff)
    sold = SOLD_AS.get((style.name, kind), {style.name: 1.0})
    return tuple(
        made
        for name, share in sold.items()
        for made in _makes(style if name == style.name else cut(name), kind, share)
    )


def _kind(stuff: Material | None) -> str:
    return "diamond" if stuff is not None and stuff.name == "diamond" else "coloured"


def _makes(style: CutStyle, kind: str, share: float) -> tuple[CutStyle, ...]:
    """A style in each of its makes, their shares adding up to the one given."""
    without = {"diamond"}
    if kind == "diamond":
        without = {"native", "well-cut" if "diamond" in style.makes else ""}
    makes = [make for make in style.makes if make not in without or len(style.makes) == 1]
    alike = kind == "diamond" and style.family == "round"
    parts = {make: 1.0 if alike else MAKE_SHARES[kind].get(make, 1.0) for make in makes}
    fuller = {} if kind == "diamond" else FULLER_WHEN_LARGE
    whole = sum(parts.values())
    return tuple(
        style.offered(make, share * part / whole, fuller.get(make, 0.0))
        for make, part in parts.items()
    )


TESTED = {
    "round diamond": "53,840 round diamonds of an open data set, of which it held 99 %",
    "fancy diamond": "published coefficients and worked examples; on weighed stones not yet",
    "coloured": "published coefficients and size tables; on weighed stones not yet",
    "dome": "the exact half ellipsoid; on weighed stones not yet",
}
"""What the interval of each group was held against, and what it held."""


def tested(style: CutStyle, stuff: Material) -> str:
    """Say what the interval of a group of stones was held against."""
    group = "coloured" if stuff.name != "diamond" else "fancy diamond"
    if style.name == "round-brilliant" and stuff.name == "diamond":
        group = "round diamond"
    if style.domes:
        group = "dome"
    return TESTED[group]
