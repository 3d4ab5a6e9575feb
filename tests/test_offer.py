"""What a name covers, the words for girdles, the backs of domes, and what no stone can be."""

from __future__ import annotations

import numpy as np
import pytest

from fitsolver.errors import FitsolverError, OutOfRange
from fitsolver.stones.cut import cut, names
from fitsolver.stones.material import material
from fitsolver.weighing.girdle_word import girdle_word, mains_pct
from fitsolver.weighing.offer import SHAPES, SOLD_AS, every_make, shape_offer
from fitsolver.weighing.weight import weigh, weigh_list

DIAMOND, CORUNDUM = material("diamond"), material("corundum")
SIZE = {"length_mm": 8.0, "width_mm": 6.0, "depth_mm": 4.0}


def test_shares_add_up_and_every_style_is_there() -> None:
    for word, kinds in SHAPES.items():
        for kind, shares in kinds.items():
            assert sum(shares.values()) == pytest.approx(1), (word, kind)
            assert set(shares) <= set(names())
    for shares in SOLD_AS.values():
        assert sum(shares.values()) == pytest.approx(1)
    for name in names():
        offered = every_make(cut(name), CORUNDUM)
        assert sum(made.share for made in offered) == pytest.approx(1), name


def test_a_word_is_answered_over_what_it_covers() -> None:
    offer = shape_offer("Oval", CORUNDUM)
    assert offer is not None
    found = weigh(offer.styles, CORUNDUM, **SIZE)
    assert set(found.covered) == {"oval-mixed", "oval-brilliant", "oval-step"}
    assert sum(part for part, _ in found.covered.values()) == pytest.approx(1)
    weights = [ct for _, ct in found.covered.values()]
    assert min(weights) < found.weight_ct.value < max(weights)
    named = weigh(every_make(cut("oval-mixed"), CORUNDUM), CORUNDUM, **SIZE)
    assert found.weight_ct.u > named.weight_ct.u


def test_a_reading_that_only_brilliants_have_settles_the_pavilion() -> None:
    offer = shape_offer("oval", CORUNDUM)
    assert offer is not None
    found = weigh(offer.styles, CORUNDUM, **SIZE, lower_half_pct=75)
    assert found.covered == {}  # one style is left


def test_words_that_are_no_shape_are_left_to_the_names_of_cuts() -> None:
    assert shape_offer("ovaloid") is None
    assert shape_offer("emerald") is None  # a cut of its own


def test_diamond_cushions_are_modified_and_coloured_ones_may_be_either() -> None:
    """98 % of modern diamond cushions have the modified pavilion (a trade page)."""
    size = {"length_mm": 6.0, "width_mm": 6.0, "depth_mm": 4.08}
    found = weigh(every_make(cut("cushion-square"), DIAMOND), DIAMOND, **size)
    assert found.covered["cushion-square"][0] > 0.9
    # Trade coefficient 0.00815 (from memory), and thick girdles that add 3 to 7 % of weight.
    book = 0.00815 * 6.0 * 6.0 * 4.08
    assert 1.0 < found.weight_ct.value / book < 1.09


# --- girdles


def test_girdle_words_are_the_bands_of_the_article() -> None:
    """Adamas, in the article "Girdle thickness judgment": thick 0.23-0.33 mm, medium 0.15-0.20."""
    assert girdle_word("thick").value == pytest.approx(0.28)
    assert girdle_word("MEDIUM").value == pytest.approx(0.175)
    assert girdle_word("thin to thick").value == pytest.approx((0.08 + 0.33) / 2)
    assert girdle_word("thin to thick").u > girdle_word("thin").u
    with pytest.raises(FitsolverError, match="known are"):
        girdle_word("dick")


@pytest.mark.parametrize(("width", "factor"), [(3.6, 1.04), (5.5, 1.03), (7.5, 1.02)])
def test_a_thick_girdle_adds_what_the_article_adds(width: float, factor: float) -> None:
    """Weight factors by mean diameter for thick against medium: 1.04, 1.03, 1.02, to 2 % of weight.

    Over both makes, since a thick girdle speaks for the commercial one.
    """
    style = every_make(cut("round-brilliant"), DIAMOND)
    size = {"length_mm": width, "width_mm": width, "depth_mm": 0.61 * width}
    thick, medium = (
        weigh(style, DIAMOND, **size, girdle_valley_mm=girdle_word(word)).weight_ct.value
        for word in ("thick", "medium")
    )
    assert thick / medium == pytest.approx(factor, abs=0.02)
    assert thick > medium
    assert mains_pct(style[0]) == pytest.approx(1.65)


# --- domes


def test_a_dome_is_only_known_when_all_of_it_was_measured() -> None:
    """Domes of the same three sizes differ by a quarter of weight (common practice)."""
    styles = every_make(cut("oval-cabochon"), CORUNDUM)
    size = {"length_mm": 10.0, "width_mm": 8.0, "depth_mm": 4.0}
    known = {"back_depth_mm": 0.0, "edge_mm": 0.3, "halfway_width_mm": 6.95}
    bare = weigh(styles, CORUNDUM, **size).weight_ct
    whole = weigh(styles, CORUNDUM, **size, **known).weight_ct
    assert bare.u / bare.value > 0.05
    assert whole.u / whole.value < 0.012


def test_the_width_half_way_up_tells_how_full_a_dome_is() -> None:
    """An ellipsoid is sqrt(3)/2 as wide there; the prismoidal formula is exact for it."""
    style = cut("round-cabochon").in_make("commercial")
    size = {"length_mm": 8.0, "width_mm": 8.0, "depth_mm": 4.0, "edge_mm": 0.0}
    half = weigh(style, CORUNDUM, **size, halfway_width_mm=8 * 3**0.5 / 2)
    full = weigh(style, CORUNDUM, **size, halfway_width_mm=7.5)
    assert half.weight_ct.value == pytest.approx(np.pi / 6 * 8 * 8 * 4 * 4.0 / 200, rel=0.01)
    expected = (1 + 4 * (7.5 / 8) ** 2) / 4
    assert full.weight_ct.value / half.weight_ct.value == pytest.approx(expected, abs=0.01)


def test_a_rounded_back_takes_the_depth_from_the_dome() -> None:
    styles = every_make(cut("oval-cabochon"), CORUNDUM)
    size = {"length_mm": 10.0, "width_mm": 8.0, "depth_mm": 4.0, "edge_mm": 0.3}
    flat = weigh(styles, CORUNDUM, **size, back_depth_mm=0.0).weight_ct.value
    assert weigh(styles, CORUNDUM, **size, back_depth_mm=0.8).weight_ct.value < flat


# --- what no stone can be


@pytest.mark.parametrize(
    "reading",
    [
        {"girdle_mm": 57.0},
        {"girdle_mm": 4.5},
        {"girdle_pct": 70.0},
        {"crown_height_mm": 2.5, "girdle_mm": 2.0},
        {"table_mm": 9.0},
    ],
    ids=str,
)
def test_parts_that_exceed_their_whole_are_faults(reading: dict[str, float]) -> None:
    size = {"length_mm": 6.5, "width_mm": 6.5, "depth_mm": 4.0}
    with pytest.raises(OutOfRange):
        weigh(every_make(cut("round-brilliant"), DIAMOND), DIAMOND, **size, **reading)
    columns = {name: [value, value] for name, value in size.items()}
    columns |= {name: [value, np.nan] for name, value in reading.items()}
    found = weigh_list(every_make(cut("round-brilliant"), DIAMOND), DIAMOND, columns)
    assert [row for row, _ in found.faults] == [0]
    assert np.isnan(found.weight_ct[0])
    assert found.weight_ct[1] > 0


def test_no_stone_is_ten_widths_deep() -> None:
    with pytest.raises(OutOfRange):
        weigh(cut("oval-mixed"), CORUNDUM, length_mm=8.0, width_mm=6.0, depth_mm=60.0)
