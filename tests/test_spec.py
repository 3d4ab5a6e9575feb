"""The size spec: what it promises to every face, and what its commands say."""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from fitsolver import cli
from fitsolver.budgeting.budget import Bracket, Budget
from fitsolver.commands.desk import Desk
from fitsolver.commands.spec import day_of
from fitsolver.fitting.bench import Bench, bench
from fitsolver.fitting.box import Range
from fitsolver.fitting.merit import pavilion_angle_deg
from fitsolver.fitting.proposal import propose
from fitsolver.fitting.requirement import KINDS
from fitsolver.fitting.solver import check
from fitsolver.market.refusal import FAILS, why
from fitsolver.market.spec import Spec, spec
from fitsolver.seats.mounting import Mounting, load_mounting
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.telling.record import as_json
from fitsolver.telling.spec_record import spec_record
from fitsolver.telling.spec_report import spec_text
from fitsolver.units import document_weight_ct

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
DAY = datetime.date(2024, 5, 2)
STYLES = tuple(cut(name) for name in ("oval-brilliant", "oval-mixed", "cushion-mixed"))


@cache
def ready(name: str) -> Bench:
    return bench(load_mounting(EXAMPLES / f"{name}.toml"))


@cache
def told(name: str) -> Spec:
    return spec(ready(name), material("corundum"), date=DAY, styles=STYLES)


def with_budget(budget: Budget | None) -> Spec:
    known = ready("claw-ring-budget")
    mounting: Mounting = dataclasses.replace(known.mounting, budget=budget)
    return spec(
        replace(known, mounting=mounting), material("corundum"), date=DAY, styles=STYLES[:1]
    )


def budget(total: int, *brackets: tuple[str, str | None, int]) -> Budget:
    """Return a budget without costs; brackets as (from, below, price)."""
    return Budget(
        currency="EUR",
        total=Decimal(total),
        brackets=tuple(
            Bracket(
                from_ct=Decimal(start),
                below_ct=None if end is None else Decimal(end),
                low=Decimal(price),
                high=Decimal(price),
            )
            for start, end, price in brackets
        ),
    )


class TestSpec:
    def test_it_wants_what_is_proposed_in_the_same_order(self) -> None:
        found = told("claw-ring")
        library = propose(ready("claw-ring"), material("corundum"), styles=STYLES)
        assert [item.style for item in found.wanted] == [item.style for item in library.proposals]
        for item, proposal in zip(found.wanted, library.proposals, strict=True):
            assert item.verdict == proposal.verdict
            assert item.width_mm == proposal.width_mm
        assert found.verdict == "seats"
        assert (found.date, found.money) == (DAY, None)

    def test_it_cannot_be_changed(self) -> None:
        with pytest.raises(AttributeError):
            told("claw-ring").date = DAY  # type: ignore[misc]

    def test_every_reading_of_the_file_is_listed(self) -> None:
        found = told("old-cushion-collet")
        assert len(found.readings) == len(found.mounting.readings)
        radius = next(item for item in found.readings if item.name == "opening_radii_mm at 30 deg")
        assert (radius.value_mm, radius.instrument) == (pytest.approx(4.23), "photograph")

    def test_tolerance_stays_within_the_limits(self) -> None:
        first = told("claw-ring").wanted[0]
        stone, tolerance = first.ask.stone, first.tolerance_mm
        assert told("claw-ring").tolerance_mm == tolerance
        for ask, side in (
            (stone.length_mm, first.length_mm),
            (stone.width_mm, first.width_mm),
        ):
            assert side.low - 0.005 <= ask - tolerance.minus
            assert ask + tolerance.plus <= side.high + 0.005


class TestRefusals:
    def test_each_requirement_has_words_for_its_failing(self) -> None:
        assert set(FAILS) == {*KINDS, "security"}
        for name in KINDS:
            for example in ("claw-ring", "closed-back-oval"):
                assert "{" not in why(name, ready(example).mounting)

    def test_what_is_refused_for_its_size_does_not_earn_the_verdict(self) -> None:
        """Well past a limit the named requirement fails most often, by `check` itself."""
        known, first = ready("claw-ring"), told("claw-ring").wanted[0]
        stone = first.ask.stone
        past = {
            "larger": (first.width_mm.high + 0.4) / stone.width_mm,
            "smaller": (first.width_mm.low - 0.4) / stone.width_mm,
        }
        for word, scale in past.items():
            refusal = next(
                item
                for item in told("claw-ring").refuse
                if item.cut == first.style.name and item.what.startswith(word)
            )
            judged = check(
                known, first.style, stone.length_mm * scale, stone.width_mm * scale,
                stone.depth_mm * scale, exact=False,
            )  # fmt: skip
            assert judged.probability < 0.9
            worst = next(item for item in judged.requirements if item.name == refusal.requirement)
            assert worst.probability < 0.9
            assert refusal.why == why(refusal.requirement, known.mounting)

    def test_a_window_is_refused_from_the_critical_angle(self) -> None:
        """Snell: sin(angle) = 1 / n. At the depth named the pavilion has that very slope."""
        found = told("claw-ring")
        index = found.material.refractive_index_low
        for item in found.wanted:
            refusal = next(
                each
                for each in found.refuse
                if each.kind == "window" and each.cut == item.style.name
            )
            assert refusal.limit_mm is not None
            slope = math.radians(pavilion_angle_deg(item.ask))
            stone = item.ask.stone
            added = refusal.limit_mm - stone.depth_mm
            run = stone.pavilion_depth_mm / math.tan(slope)
            angle = math.atan((stone.pavilion_depth_mm + added) / run)
            assert math.sin(angle) == pytest.approx(1 / index, rel=1e-9)

    def test_cuts_left_out_name_what_stops_them(self) -> None:
        found = spec(
            ready("old-cushion-collet"), material("corundum"), date=DAY,
            styles=[cut("oval-brilliant"), cut("cushion-mixed")],
        )  # fmt: skip
        (left,) = (item for item in found.refuse if item.kind == "cut")
        assert left.cut == "oval-brilliant"
        assert left.requirement == found.proposals.left_out[0].requirement

    def test_an_undecided_cut_is_refused_until_it_is_measured(self) -> None:
        found = told("closed-back-oval")
        undecided = {item.cut for item in found.refuse if item.kind == "undecided"}
        assert undecided == {
            item.style.name for item in found.wanted if item.verdict == "not decided"
        }
        assert undecided


class TestNothingSeats:
    def found(self) -> Spec:
        styles = [cut("marquise-brilliant"), cut("triangle-step")]
        return spec(ready("old-cushion-collet"), material("corundum"), date=DAY, styles=styles)

    def test_it_says_what_is_in_the_way_and_what_the_bench_allows(self) -> None:
        found = self.found()
        assert (found.wanted, found.tolerance_mm, found.verdict) == ((), None, "does not seat")
        assert [item.cut for item in found.changes] == [
            item.cut for item in found.proposals.left_out
        ]
        for item in found.changes:
            assert item.short_by_mm > 0
            assert bool(item.work) == (item.allowed_mm > 0)
        text = " ".join(spec_text(found).split())
        assert "NOTHING SEATS" in text
        assert "What is in the way, the nearest miss first" in text
        assert as_json(spec_record(found))

    def test_a_budget_does_not_matter_then(self) -> None:
        known = ready("old-cushion-collet")
        mounting = dataclasses.replace(known.mounting, budget=budget(900, ("1", None, 400)))
        found = spec(
            replace(known, mounting=mounting), material("corundum"), date=DAY,
            styles=[cut("marquise-brilliant")],
        )  # fmt: skip
        assert found.money is not None
        assert found.money.short is None
        assert "FOR THE STONE: 900 EUR" in spec_text(found)


class TestMoney:
    def test_ceilings_are_what_is_left_over_the_weight_on_the_document(self) -> None:
        found = with_budget(budget(1500))
        limit = found.wanted[0].price
        assert limit is not None
        for size in (limit.smallest, limit.asked, limit.largest):
            assert size.document_ct == document_weight_ct(size.weight_ct)
            assert size.heavy_document_ct == document_weight_ct(size.high_ct)
            assert size.ceiling_per_ct * size.document_ct <= 1500
            assert size.safe_ceiling_per_ct < size.ceiling_per_ct
            assert size.price is None
        assert limit.smallest.ceiling_per_ct > limit.asked.ceiling_per_ct
        assert limit.asked.ceiling_per_ct > limit.largest.ceiling_per_ct
        assert limit.affordable is None

    def test_the_weights_are_those_of_the_spec(self) -> None:
        item = with_budget(budget(1500)).wanted[0]
        assert item.price is not None
        assert item.price.asked.weight_ct == pytest.approx(item.ask_weight_ct, rel=1e-9)
        assert Range(low=item.price.smallest.low_ct, high=item.price.largest.high_ct) == Range(
            low=pytest.approx(item.weight_ct.low), high=pytest.approx(item.weight_ct.high)
        )

    def test_the_largest_it_buys_is_affordable_and_the_next_is_not(self) -> None:
        limit = with_budget(budget(1100, ("1", None, 600))).wanted[0].price
        assert limit is not None
        assert limit.most_ct == Decimal("1.83")
        size = limit.affordable
        assert size is not None
        assert size.price is not None
        assert size.price.high <= 1100
        # One hundredth of a millimetre is worth about 0.01 ct here.
        assert Decimal("1.80") <= size.document_ct <= Decimal("1.83")
        sure = limit.affordable_surely
        assert sure is not None
        assert sure.heavy_document_ct * 600 <= 1100
        assert sure.width_mm <= size.width_mm

    def test_a_jump_of_the_price_makes_a_little_less_the_better_buy(self) -> None:
        """Price of a stone = ct x price per ct, which jumps at whole carats (common practice).

        1.98 ct at 700 is 1386, 2.02 ct at 900 is 1818: 432 for 0.04 ct, by hand. Here the
        threshold lies at 1.77 ct, in the middle of the seating range.
        """
        brackets = (("1", "1.77", 700), ("1.77", None, 900))
        limit = with_budget(budget(5000, *brackets)).wanted[0].price
        assert limit is not None
        (step,) = limit.steps
        assert step.below.document_ct < step.threshold_ct == Decimal("1.77")
        assert step.above.document_ct == limit.asked.document_ct  # it lies a little above
        by_hand = step.above.document_ct * 900 - step.below.document_ct * 700
        assert step.saves.low == step.saves.high == by_hand > 0
        assert step.gives_up_ct == step.above.document_ct - step.below.document_ct
        assert 0 < step.gives_up_width_mm < 0.1

    def test_what_it_saves_is_told_smaller_first(self) -> None:
        """Quotes of 500 to 700, then of 650 to 750: the dear ends lie nearer to each other."""
        rows = tuple(
            Bracket(from_ct=Decimal(start), below_ct=below, low=Decimal(low), high=Decimal(high))
            for start, below, low, high in (
                ("1", Decimal("1.80"), 500, 700),
                ("1.80", None, 650, 750),
            )
        )
        found = with_budget(Budget(currency="EUR", total=Decimal(5000), brackets=rows))
        limit = found.wanted[0].price
        assert limit is not None
        (step,) = limit.steps
        assert step.saves.low > step.saves.high
        told = f"saves {int(step.saves.high)} to {int(step.saves.low)} EUR"
        assert told in " ".join(spec_text(found).split())

    @pytest.mark.parametrize("second", [700, 600])
    def test_no_jump_no_step(self, second: int) -> None:
        brackets = (("1", "1.80", 700), ("1.80", None, second))
        limit = with_budget(budget(5000, *brackets)).wanted[0].price
        assert limit is not None
        assert limit.steps == ()

    def test_too_little_says_how_much_and_what_price_would_hold(self) -> None:
        found = with_budget(budget(500, ("1", None, 600)))
        assert found.money is not None
        short = found.money.short
        assert short is not None
        assert short.short_by == short.at.document_ct * 600 - 500
        assert short.holds_at_per_ct * short.at.document_ct <= 500
        assert "TOO LITTLE for any stone that seats" in spec_text(found)

    def test_weights_nobody_quoted_are_named(self) -> None:
        found = with_budget(budget(5000, ("1.60", "1.80", 600)))
        limit = found.wanted[0].price
        assert limit is not None
        below, above = limit.unquoted
        assert (below.low_ct, below.high_ct) == (limit.smallest.document_ct, Decimal("1.59"))
        assert (above.low_ct, above.high_ct) == (Decimal("1.80"), limit.largest.document_ct)
        assert "no quote for" in " ".join(spec_text(found).split())
        none = with_budget(budget(5000, ("5", None, 600))).wanted[0].price
        assert none is not None
        assert (none.affordable, none.short, len(none.unquoted)) == (None, None, 1)


# The command


def run(line: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = cli.main(line)
    out, err = capsys.readouterr()
    return code, out, err


def test_the_command_says_what_the_library_says(capsys: pytest.CaptureFixture[str]) -> None:
    path = str(EXAMPLES / "claw-ring-budget.toml")
    code, out, _ = run(["spec", path, "--limit", "2", "--date", "2024-05-02", "--json"], capsys)
    said: dict[str, Any] = json.loads(out)
    found = spec(ready("claw-ring-budget"), material("corundum"), date=DAY, limit=2)
    assert code == 0
    assert said == json.loads(as_json(spec_record(found)))
    assert said["date"] == "2024-05-02"
    assert said["money"]["left"] == 1429.5
    assert said["wanted"][0]["price"]["asked"]["ceiling_per_ct"] > 0


def test_the_day_is_today_unless_given() -> None:
    desk = Desk()
    day = day_of(desk, None)
    assert day is not None
    assert abs(day - datetime.date.today()) <= datetime.timedelta(days=1)
    assert day_of(desk, " 2024-05-02 ") == DAY
    assert not desk.faults


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("--date yesterday", "--date = 'yesterday': is not a day. Write it as 2024-05-02"),
        ("--limit 0", "--limit = 0: must be 1 to 1000"),
        ("--paper letter", "--paper = 'letter': is of the sheet only. Add -o FILE.pdf"),
        ("--bar-measured 49,6", "--bar-measured = '49,6': is of the sheet only"),
        ("-o sheet.txt", "End the name in .pdf"),
        ("-o nowhere/sheet.pdf", "There is no folder"),
        ("-o s.pdf --bar-measured 5", "--bar-measured = 5.0: must be 40 to 60 mm"),
        ("-o s.pdf --bar-measured wide", "is not a length"),
        ("-o s.pdf --paper a5", "a5"),
        ("--rank colour=1", "--rank"),
    ],
)
def test_misuse_is_explained(
    line: str,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(["spec", str(EXAMPLES / "claw-ring.toml"), *line.split()], capsys)
    assert (code, out) == (2, "")
    assert said in " ".join(err.split())
    assert not list(tmp_path.iterdir())


def test_a_sheet_is_not_overwritten_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "sheet.pdf"
    sheet.write_text("mine", encoding="utf-8")
    code, _, err = run(["spec", str(EXAMPLES / "claw-ring.toml"), "-o", str(sheet)], capsys)
    assert code == 2
    assert "exists already" in " ".join(err.split())
    assert sheet.read_text(encoding="utf-8") == "mine"
