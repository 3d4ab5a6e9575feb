"""Is a stated probability of 0.8 right eight times in ten? Judged on seats of known truth.

True seats are drawn from the stated priors, read with the instruments' stated errors, and judged
by their readings alone; stones are chosen from the readings alone as well (one chosen with
knowledge of the truth would break the test). Then the same stone, its true sizes drawn from its
own readings, is held against the true seat. See `simulated`.

What this cannot show is whether real seats are as irregular as the priors say: a seat twice as
wild is predicted too confidently, and the last test shows how much that matters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from simulated import Outcome, Plan, draw_case, try_stone

from fitsolver.stones.cut import cut
from fitsolver.stones.prior import height_prior

STYLES = {
    "round": "round-brilliant",
    "oval": "oval-brilliant",
    "cushion": "cushion-brilliant",
    "octagon": "emerald",
    "pear": "pear-brilliant",
}
# Every kind of seat; widths are chosen this far from the opening's as read [mm], so that all
# probabilities occur.
CUT, HEAD, TUBE = (-0.30, 0.05), (-0.1, 0.9), (0.0, 0.8)
KINDS: tuple[tuple[Plan, tuple[float, float]], ...] = (
    (Plan(family="oval"), CUT),
    (Plan(family="round", level="rim"), CUT),
    (Plan(family="cushion", make="cast"), CUT),
    (Plan(family="oval", holds="claws"), CUT),
    (Plan(family="oval", holds="claws", state="uncut"), HEAD),
    (Plan(family="round", holds="claws", state="uncut", make="cast"), HEAD),
    (Plan(family="oval", state="uncut"), TUBE),
    (Plan(family="oval", holds="claws", unread=("claw_lean_deg", "notch_height_mm")), CUT),
    (Plan(family="oval", places=8), CUT),
)
MORE_KINDS: tuple[tuple[Plan, tuple[float, float]], ...] = (
    *KINDS,
    (Plan(family="octagon"), CUT),
    (Plan(family="pear"), CUT),
    (Plan(family="cushion", radii=8), CUT),
    (Plan(family="oval", unread=("wall_lean_deg", "ledge_angle_deg", "wall_height_mm",
                                 "depth_below_ledge_mm")), CUT),
    (Plan(family="octagon", holds="claws", level="rim"), CUT),
    (Plan(family="round", state="uncut", make="cast"), TUBE),
)  # fmt: skip


def outcomes(
    kinds: Sequence[tuple[Plan, tuple[float, float]]], count: int, seed: int, samples: int = 256
) -> list[Outcome]:
    """Judge one stone in each of `count` seats of every kind."""
    found = []
    for number, (plan, off) in enumerate(kinds):
        chance = np.random.default_rng([seed, number])
        style = cut(STYLES[plan.family])
        mean, covariance = height_prior(style)
        spread = float(np.sqrt(covariance.sum()))
        for _ in range(count):
            case = draw_case(chance, plan)
            length = case.mounting.opening_length_mm.value_mm
            read = case.mounting.opening_width_mm
            larger = chance.uniform(*off)
            width = (length if read is None else read.value_mm) + larger
            ratio = style.length_ratio
            long = float(np.clip(length + larger, width * ratio.low, width * ratio.high))
            depth = width * (float(mean.sum()) + 0.5 * spread * chance.normal())
            found.append(try_stone(chance, case, style, (long, width, depth), samples))
    return found


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Predictions against what came true, in tenths."""

    predicted: np.ndarray
    seated: np.ndarray

    @staticmethod
    def of(found: Sequence[Outcome]) -> Calibration:
        return Calibration(
            predicted=np.array([each.probability for each in found]),
            seated=np.array([each.seats for each in found], dtype=bool),
        )

    @property
    def brier(self) -> float:
        """Mean square of prediction less outcome."""
        return float(np.mean((self.predicted - self.seated) ** 2))

    @property
    def ideal(self) -> float:
        """What it would be on average if every prediction were right."""
        return float(np.mean(self.predicted * (1 - self.predicted)))

    @property
    def tenths(self) -> list[tuple[int, float, float, float]]:
        """For each tenth: count, predicted and observed share, and how likely so far off is.

        The number that seat is a sum of independent trials of unlike probabilities; its
        distribution is found exactly, one trial after another. The likelihood is two-sided.
        """
        place = np.minimum((10 * self.predicted).astype(int), 9)
        rows = []
        for tenth in range(10):
            chosen = place == tenth
            p, seated = self.predicted[chosen], int(self.seated[chosen].sum())
            if not len(p):
                continue
            # Of 256 draws none or all may hold: that is not certainty, but 1 in 512 on average.
            p = np.clip(p, 1 / 512, 1 - 1 / 512)
            spread = np.array([1.0])
            for each in p:
                spread = np.append(spread * (1 - each), 0) + np.append(0, spread * each)
            tail = min(spread[: seated + 1].sum(), spread[seated:].sum())
            rows.append((len(p), float(p.mean()), seated / len(p), float(min(1.0, 2 * tail))))
        return rows

    def report(self) -> str:
        """Show a table of the tenths and the Brier score."""
        lines = [f"{'cases':>6} {'predicted':>9} {'observed':>8} {'likelihood':>10}"]
        lines += [f"{n:6d} {p:9.3f} {o:8.3f} {t:10.4f}" for n, p, o, t in self.tenths]
        lines.append(f"Brier score {self.brier:.4f}, {self.ideal:.4f} if all were right")
        return "\n".join(lines)

    def outside(self, joint: float = 0.01) -> list[tuple[int, float, float, float]]:
        """Tenths beyond the band that all of them stay within with 1 - `joint` (Bonferroni)."""
        rows = self.tenths
        return [row for row in rows if row[3] < joint / len(rows)]


@pytest.fixture(scope="module")
def calibration() -> Calibration:
    return Calibration.of(outcomes(KINDS, 34, seed=1918))


class TestCalibration:
    def test_every_tenth_comes_true_as_often_as_it_says(self, calibration):
        print(calibration.report())
        assert calibration.outside() == []

    def test_the_mean_is_right(self, calibration):
        """All predictions together: within 2.6 standard errors (99 %)."""
        p = calibration.predicted
        error = np.sqrt((p * (1 - p)).sum()) / len(p)
        assert abs(p.mean() - calibration.seated.mean()) < 2.6 * error

    def test_the_brier_score_is_as_good_as_the_doubt_allows(self, calibration):
        """Its spread, if every prediction is right, is that of (1 - 2 p) times an error."""
        p = calibration.predicted
        error = np.sqrt(((1 - 2 * p) ** 2 * p * (1 - p)).sum()) / len(p)
        assert abs(calibration.brier - calibration.ideal) < 2.6 * error

    def test_all_tenths_occur(self, calibration):
        assert len(calibration.tenths) == 10


class TestTheTestItself:
    """It would notice: the band is narrow enough to find predictions that are wrong."""

    def test_predictions_that_are_right_pass(self):
        chance = np.random.default_rng(3)
        p = chance.uniform(0, 1, 600)
        assert Calibration(predicted=p, seated=chance.uniform(0, 1, 600) < p).outside() == []

    def test_overconfident_ones_do_not(self):
        """Said 0.96, came true 0.85: what a seat without a prior on its shape would give."""
        chance = np.random.default_rng(3)
        p = np.full(200, 0.96)
        assert Calibration(predicted=p, seated=chance.uniform(0, 1, 200) < 0.85).outside()


@pytest.mark.slow
class TestAtLength:
    """The same over more kinds of seats and eighteen times the cases: about ten minutes."""

    def test_every_tenth_comes_true_as_often_as_it_says(self):
        """With 200 to 2500 stones in a tenth the band is 0.03 to 0.1 wide to either side."""
        found = Calibration.of(outcomes(MORE_KINDS, 400, seed=1890))
        print(found.report())
        assert found.outside() == []
        error = np.sqrt(found.ideal / len(found.predicted))
        assert abs(found.predicted.mean() - found.seated.mean()) < 2.6 * error

    def test_a_seat_wilder_than_its_make_says_is_judged_too_confidently(self):
        """Three times the irregularity: a tenth said at 0.9 or more comes true less often."""
        wild = ((Plan(family="oval", state="uncut", wilder=3.0), (0.2, 0.5)),)
        found = Calibration.of(outcomes(wild, 400, seed=1890))
        print(found.report())
        sure = found.predicted > 0.9
        assert found.seated[sure].mean() < found.predicted[sure].mean() - 0.05
