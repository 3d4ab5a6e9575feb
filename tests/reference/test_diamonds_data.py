"""The estimate against 53,840 real round stones that were measured and weighed.

Data: `diamonds` (H. Wickham, ggplot2: Elegant Graphics for Data Analysis, 2016), 53,940 round
diamonds with carat, x, y, z [mm], depth and table [per cent of the mean diameter] and the seller's
cut grade, as bundled with the package plotnine. Rows with a zero size, or whose depth disagrees
with 2 z / (x + y) by a point or more, are recording errors: 100 rows are dropped. Density 3.52.

Nothing is fitted to these data. The priors are the two makes of the shipped round brilliant, set
before the data were opened: *well cut*, the best grade of the GIA cut grading system of 2006 (from
memory) read as two standard deviations either way, and *commercial*, common practice for coloured
stones. Which of the two a stone is of is left to its depth and table. The table below also gives
the well-cut make alone, which is as close on average but too sure of itself among the lower
grades, since a stone of the lower grades is not of the best; and mixtures of the published grades
in equal parts, made after the coverage of the well-cut make was seen and shown for comparison.

Weights are listed to 0.01 ct and cut off at the point (R. Cartier, "Weighty Considerations"), so
what a listed weight stands for is 0.004 ct more on average. The limits below are asserted against
the weights as listed; the second line of each entry is against listed weight + 0.004 ct.

These are diamonds, cut to a standard and measured by instruments. They say nothing about
native-cut coloured stones.

Run with `-s` to see the tables.
"""

from __future__ import annotations

import csv
import time
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from fitsolver.readings.reading import rectangular_u
from fitsolver.stones.cut import CutStyle, cut
from fitsolver.weighing.weight import weigh_list

Array = NDArray[np.float64]

GRADES = ("Ideal", "Premium", "Very Good", "Good", "Fair")
SIZES_CT = (0.2, 0.4, 0.6, 0.9, 1.2, 2.0, 6.0)
# What truncation to 0.01 ct, with nines rounded up, takes off on average: [-0.001, +0.009].
CUT_OFF_CT = 0.004


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    grade: NDArray[np.str_]
    carat: Array
    length_mm: Array
    width_mm: Array
    depth_mm: Array
    height_mm: Array
    table_pct: Array

    @property
    def mean_diameter_mm(self) -> Array:
        return (self.length_mm + self.width_mm) / 2


@pytest.fixture(scope="module")
def parcel() -> Parcel:
    with files("plotnine").joinpath("data/diamonds.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 53_940
    grade = np.array([row["cut"] for row in rows])
    carat, x, y, z, depth, table = (
        np.array([float(row[name]) for row in rows])
        for name in ("carat", "x", "y", "z", "depth", "table")
    )
    whole = (x > 0) & (y > 0) & (z > 0)
    whole &= np.abs(depth - 200 * z / np.where(whole, x + y, 1.0)) < 1
    assert whole.sum() == 53_840
    grade, carat, x, y, z, depth, table = (
        column[whole] for column in (grade, carat, x, y, z, depth, table)
    )
    return Parcel(
        grade=grade,
        carat=carat,
        length_mm=np.maximum(x, y),
        width_mm=np.minimum(x, y),
        # Depth is printed to 0.1 %, a finer reading than z to 0.01 mm.
        depth_mm=depth / 100 * (x + y) / 2,
        height_mm=z,
        table_pct=table,
    )


def weighed(
    parcel: Parcel, styles: tuple[CutStyle, ...], *, resolution_only: bool = False
) -> tuple[Array, Array, Array]:
    """Weight and 95 % interval from length, width, depth and table, no instrument named.

    Lengths count as readings of a caliper (0.02 mm, DIN 862), the default; with
    `resolution_only` as exact to their last digit, half of 0.01 mm and of 0.1 % of depth.
    """
    u = {"table_pct": rectangular_u(0.5)}
    if resolution_only:
        u |= {"length_mm": rectangular_u(0.005), "width_mm": rectangular_u(0.005)}
        u |= {"depth_mm": rectangular_u(0.0005) * parcel.mean_diameter_mm}
    found = weigh_list(
        styles,
        "diamond",
        {
            "length_mm": parcel.length_mm,
            "width_mm": parcel.width_mm,
            "depth_mm": parcel.depth_mm,
            "table_pct": parcel.table_pct,
        },
        u=u,
    )
    assert not found.faults
    return found.weight_ct, found.low_ct, found.high_ct


def graded(*grades: tuple[float, ...]) -> tuple[CutStyle, ...]:
    """Makes from published ranges (table, crown, pavilion, girdle: low, high) of a grade."""
    well_cut = cut("round-brilliant").in_make("well-cut")
    names = ("table_pct", "crown_angle_deg", "pavilion_angle_deg", "girdle_pct")
    makes = []
    for ranges in grades:
        changed = {
            name: replace(
                well_cut.proportions[name], typical=(low + high) / 2, spread=(high - low) / 4
            )
            for name, low, high in zip(names, ranges[::2], ranges[1::2], strict=True)
        }
        makes.append(replace(well_cut, proportions={**well_cut.proportions, **changed}))
    return tuple(makes)


# GIA cut grading system, 2006, from memory: ranges of the grades, best first. The girdle of the
# lower grades is printed as an upper limit; its lower limit is taken as a very thin girdle.
BEST = (52, 62, 31.5, 36.5, 40.6, 41.8, 2.5, 4.5)
SECOND = (50, 66, 26.5, 38.5, 39.8, 42.4, 1.5, 5.5)
THIRD = (47, 69, 23.0, 40.0, 38.8, 43.0, 1.0, 7.5)
FOURTH = (44, 72, 20.0, 41.5, 37.4, 44.0, 0.5, 10.5)


def makes_of_the_profile() -> tuple[CutStyle, ...]:
    style = cut("round-brilliant")
    return style.in_make("well-cut"), style.in_make("commercial")


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Error of an estimate in per cent, and how often its interval holds the weight."""

    mean_absolute_pct: float
    median_pct: float
    coverage: float

    def __str__(self) -> str:
        held = "" if np.isnan(self.coverage) else f"  in interval {100 * self.coverage:5.1f} %"
        return f"error {self.mean_absolute_pct:5.2f} %  median {self.median_pct:+5.2f} %{held}"


def score(weights: tuple[Array, Array, Array], carat: Array, rows: NDArray[np.bool_]) -> Score:
    value, low, high = (column[rows] for column in weights)
    error = 100 * (value / carat[rows] - 1)
    return Score(
        mean_absolute_pct=float(np.abs(error).mean()),
        median_pct=float(np.median(error)),
        coverage=float(((low <= carat[rows]) & (carat[rows] <= high)).mean()),
    )


def everything(parcel: Parcel) -> NDArray[np.bool_]:
    return np.ones(len(parcel.carat), dtype=bool)


@pytest.fixture(scope="module")
def estimate(parcel: Parcel) -> tuple[Array, Array, Array]:
    return weighed(parcel, makes_of_the_profile())


def test_handbook_coefficients_err_as_published(parcel: Parcel) -> None:
    """Mean absolute error of D^2 x H x 3.52 x 0.0018, 3.62 %, and of D^2 x H x 0.0061, 1.49 %.

    Coefficients: trade table "Colored stone weight estimation" and the article "Formula for
    calculating the weight"; their errors on these rows to the second decimal.
    """
    box = parcel.mean_diameter_mm**2 * parcel.height_mm
    for name, weight, published in (
        ("handbook k 0.0018", box * 3.52 * 0.0018, 3.62),
        ("handbook 0.0061", box * 0.0061, 1.49),
    ):
        found = score((weight, weight * np.nan, weight * np.nan), parcel.carat, everything(parcel))
        print(
            f"\n{name:24} error {found.mean_absolute_pct:.2f} %  median {found.median_pct:+.2f} %"
        )
        assert found.mean_absolute_pct == pytest.approx(published, abs=0.005)


def test_make_left_to_the_readings(parcel: Parcel, estimate: tuple[Array, Array, Array]) -> None:
    """Error at most 1.3 %, median within 0.7 %, interval holds 93 % of all, 85 % of each grade.

    The best regression fitted to these very rows errs by 1.05 %. The interval holds more than the
    95 % it promises, because a commercial make is thought as likely as a well-cut one.
    """
    whole = score(estimate, parcel.carat, everything(parcel))
    print(f"\n{'well cut or commercial':24} {whole}")
    print(f"{'  as cut off':24} {score(estimate, parcel.carat + CUT_OFF_CT, everything(parcel))}")
    assert whole.mean_absolute_pct <= 1.3
    assert abs(whole.median_pct) <= 0.7
    assert whole.coverage >= 0.93
    for grade in GRADES:
        rows = parcel.grade == grade
        found = score(estimate, parcel.carat, rows)
        print(f"  {grade:14} {rows.sum():7d} {found}")
        assert found.coverage >= 0.85
    for low, high in pairwise(SIZES_CT):
        rows = (parcel.carat >= low) & (parcel.carat < high)
        print(
            f"  {low:.1f} to {high:.1f} ct  {rows.sum():7d} {score(estimate, parcel.carat, rows)}"
        )


def test_well_cut_make_alone(parcel: Parcel) -> None:
    """As close as the regression fitted to these rows (1.05 %), but too sure of lower grades.

    Error at most 1.3 %, median within 0.7 %. A 95 % interval for stones of the best grade holds
    those sold as Ideal and not those sold as Fair: were it to hold them all, it would be too wide.
    """
    for label, resolution_only in (("well cut alone", False), ("  exact to a digit", True)):
        found = weighed(
            parcel,
            (cut("round-brilliant").in_make("well-cut"),),
            resolution_only=resolution_only,
        )
        whole = score(found, parcel.carat, everything(parcel))
        print(f"\n{label:24} {whole}")
        for grade in GRADES:
            print(f"  {grade:22} {score(found, parcel.carat, parcel.grade == grade)}")
        assert whole.mean_absolute_pct <= 1.3
        assert abs(whole.median_pct) <= 0.7
        if not resolution_only:
            assert score(found, parcel.carat, parcel.grade == "Ideal").coverage >= 0.95
            assert score(found, parcel.carat, parcel.grade == "Fair").coverage < 0.85


@pytest.mark.parametrize(
    ("label", "grades", "median_pct"),
    [
        ("best, second", (BEST, SECOND), 0.7),
        ("best to third", (BEST, SECOND, THIRD), 0.7),
        # Thick girdles of the fourth grade pull the estimate up; not held to the 0.7 % above.
        ("best to fourth", (BEST, SECOND, THIRD, FOURTH), 1.0),
    ],
)
def test_other_published_priors(
    parcel: Parcel, label: str, grades: tuple[tuple[float, ...], ...], median_pct: float
) -> None:
    """The error hardly moves with the prior; the coverage follows how many grades it admits."""
    found = weighed(parcel, graded(*grades))
    whole = score(found, parcel.carat, everything(parcel))
    print(f"\n{label:24} {whole}")
    print(f"{'  as cut off':24} {score(found, parcel.carat + CUT_OFF_CT, everything(parcel))}")
    for grade in GRADES:
        print(f"  {grade:22} {score(found, parcel.carat, parcel.grade == grade)}")
    assert whole.mean_absolute_pct <= 1.3
    assert abs(whole.median_pct) <= median_pct
    assert whole.coverage >= 0.93


def test_truncated_listing_explains_the_drift_with_size(
    parcel: Parcel, estimate: tuple[Array, Array, Array]
) -> None:
    """Against the listed weight the median error falls with size; against + 0.004 ct it does not.

    A cut-off of 0.004 ct is 1.3 % of 0.3 ct and 0.2 % of 2 ct (R. Cartier's rule), so a drift of
    about 1 point is to be expected; less than half of it may be left.
    """
    medians = []
    for offset in (0.0, CUT_OFF_CT):
        in_class = [
            score(
                estimate, parcel.carat + offset, (parcel.carat >= low) & (parcel.carat < high)
            ).median_pct
            for low, high in pairwise(SIZES_CT)
        ]
        medians.append(max(in_class) - min(in_class))
    print(f"\ndrift with size {medians[0]:.2f} points as listed, {medians[1]:.2f} as cut off")
    assert medians[0] > 0.8
    assert medians[1] < 0.4


def test_whole_parcel_is_weighed_in_seconds(parcel: Parcel) -> None:
    """3 s for 53,840 stones is what a user waits for without complaint; it takes about 0.4 s."""
    start = time.perf_counter()
    weighed(parcel, makes_of_the_profile())
    assert time.perf_counter() - start < 3
