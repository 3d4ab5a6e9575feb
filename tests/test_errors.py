"""Errors say the place, the rule and the remedy, and keep their facts as attributes."""

from __future__ import annotations

import pytest

from fitsolver.errors import Fault, FitsolverError, InputFaults, OutOfRange, UnknownName


def fault(**changes: object) -> Fault:
    facts: dict[str, object] = {
        "file": "mounting.toml",
        "line": 12,
        "key": "seat.ledge_width_mm",
        "value": -0.3,
        "rule": "must be 0.05 to 3 mm",
        "remedy": "Measure from the wall to the inner edge",
    }
    return Fault(**(facts | changes))  # type: ignore[arg-type]


def test_fault_is_one_line_with_place_value_rule_and_remedy() -> None:
    assert str(fault()) == (
        "mounting.toml:12  seat.ledge_width_mm = -0.3: must be 0.05 to 3 mm. "
        "Measure from the wall to the inner edge."
    )


def test_fault_without_line_or_value_leaves_them_out() -> None:
    assert str(fault(line=None, value=None)).startswith(
        "mounting.toml  seat.ledge_width_mm: must be"
    )


def test_fault_quotes_text_and_cuts_it_short() -> None:
    assert "= '6,5': " in str(fault(value="6,5"))
    line = str(fault(value="x" * 500))
    assert "..." in line
    assert len(line) < 200


def test_input_faults_lists_every_fault_and_counts_them() -> None:
    first, second = fault(), fault(line=14, key="seat.holds", value="wal")
    assert str(InputFaults([first])) == f"1 fault\n  {first}"
    both = InputFaults(iter([first, second]))
    assert both.faults == (first, second)
    assert str(both) == f"2 faults\n  {first}\n  {second}"


def test_unknown_name_suggests_the_nearest() -> None:
    error = UnknownName("outline", "Cusion", ["round", "oval", "cushion"])
    assert (error.kind, error.name, error.known) == (
        "outline",
        "Cusion",
        ("round", "oval", "cushion"),
    )
    assert error.suggestions == ("cushion",)
    assert str(error) == "no outline is called 'Cusion'; did you mean cushion?"


def test_unknown_name_far_from_all_lists_all() -> None:
    error = UnknownName("outline", "zzz", ["round", "oval"])
    assert error.suggestions == ()
    assert str(error) == "no outline is called 'zzz'; known: round, oval"


def test_out_of_range_carries_value_range_unit_and_remedy() -> None:
    error = OutOfRange("table_pct", 104.0, 20.0, 90.0, unit="% of the width", remedy="check it")
    assert (error.name, error.value, error.low, error.high) == ("table_pct", 104.0, 20.0, 90.0)
    assert (error.unit, error.remedy) == ("% of the width", "check it")
    assert str(error) == "table_pct = 104: must be 20 to 90 % of the width; check it"
    assert str(OutOfRange("depth_mm", 0.0, 0.5, 30.0)) == "depth_mm = 0: must be 0.5 to 30 mm"


@pytest.mark.parametrize(
    "error", [InputFaults([]), UnknownName("cut", "x", []), OutOfRange("a", 1.0, 2.0, 3.0)]
)
def test_all_errors_are_of_one_family(error: Exception) -> None:
    assert isinstance(error, FitsolverError)
