"""Weights as documents, the law and old books write them.

Sources:

- R. Cartier FGA, "Weighty Considerations", attributing the rule to CIBJO: a weight on a document
  is cut off at 0.01 ct, and rounded up only when the third decimal is a nine.
- 16 CFR 23.18 (United States, Guides for the Jewelry Industry): a decimal weight must be accurate
  to its last place; ".5" may mean 0.495 to 0.504.
- F. B. Wade, A Text-Book of Precious Stones, 1918, lesson XXIX: old carats in grams, and
  2 1/4 1/16 old carats x 1.025 = 2.37 metric carats.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from fitsolver.units import (
    CARAT_G,
    OLD_CARATS,
    carats_from,
    document_weight_ct,
    metric_carats_from_old,
    stated_range_ct,
)


@pytest.mark.parametrize(
    ("weight", "document"),
    [
        ("0.478", "0.47"),
        ("0.479", "0.48"),
        ("1.568", "1.56"),
        ("1.569", "1.57"),
        ("0.999", "1.00"),
        ("1.004", "1.00"),
        ("0.025", "0.02"),
        ("0.125", "0.12"),
    ],
)
def test_examples_of_the_document_rule(weight: str, document: str) -> None:
    # Exact, both from a float and from a decimal: the rule knows no tolerance.
    assert str(document_weight_ct(float(weight))) == document
    assert str(document_weight_ct(Decimal(weight))) == document


def test_a_nine_held_just_below_itself_is_still_a_nine() -> None:
    # 0.479 ct from a volume: in double precision the product can end in ...8999.
    for thousandths in range(9, 5000, 10):
        weight = carats_from(thousandths / 1000 / (3.52 * 0.005), 3.52)
        assert document_weight_ct(weight) == Decimal(thousandths + 1).scaleb(-3), thousandths


def test_half_a_carat_under_the_federal_rule() -> None:
    assert stated_range_ct(".5") == (Decimal("0.495"), Decimal("0.504"))
    assert stated_range_ct("0,50") == stated_range_ct(".5")
    # Accurate to its last place, the third here.
    assert stated_range_ct("0.478") == (Decimal("0.4775"), Decimal("0.4784"))


def test_the_two_rules_differ_where_they_must() -> None:
    # The federal range is ordinary rounding, the document rule cuts off: its lower half is
    # written 0.49. The upper half is written 0.50, so a document never promises more.
    written = [document_weight_ct(Decimal(t).scaleb(-3)) for t in range(495, 505)]
    assert written == [Decimal("0.49")] * 4 + [Decimal("0.50")] * 6


def test_one_point_is_a_hundredth_and_one_gram_is_five_carats() -> None:
    # 16 CFR 23.18 and the SI brochure: 1 ct = 0.2 g exactly.
    assert CARAT_G == 0.2
    # 1000 mm3 = 1 cm3 of density 1 is 1 g.
    assert carats_from(1000.0, 1.0) == pytest.approx(5.0, rel=1e-15)


@pytest.mark.parametrize(
    ("place", "mass_g"),
    [
        ("united-states", 0.2053),
        ("united-kingdom", 0.2053),
        ("amsterdam", 0.2057),
        ("berlin", 0.20544),
        ("lisbon", 0.20575),
        ("florence", 0.1972),
    ],
)
def test_old_carats_of_the_book(place: str, mass_g: float) -> None:
    # Exact but for one rounding of the quotient.
    assert metric_carats_from_old(1.0, place) == pytest.approx(mass_g / 0.2, rel=1e-15)
    assert "Wade" in OLD_CARATS[place].source


def test_worked_example_of_the_book() -> None:
    old = 2 + 1 / 4 + 1 / 16
    # The book multiplies by 1.025, its gram figure by 1.0265; both give its two decimals, 2.37.
    assert old * 1.025 == pytest.approx(2.37, abs=0.005)
    assert metric_carats_from_old(old, "united-states") == pytest.approx(2.37, abs=0.005)
