"""Laws of written mountings: reading undoes writing, and an edit touches nothing else."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

import fitsolver
from fitsolver.files.datafile import parse_toml
from fitsolver.seats.mounting import mounting_from
from fitsolver.seats.mounting_writer import edit_mounting, entries_of, mounting_text

EXAMPLES = Path(fitsolver.__file__).parents[1] / "examples"
GOOD = sorted(path for path in EXAMPLES.glob("*.toml") if path.stem != "faulty")
BUDGET = 40


def hundredths(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 100), round(high * 100)).map(lambda n: n / 100)


def spellings(low: float, high: float) -> st.SearchStrategy[object]:
    """A length in one of the forms in which a file may have it."""
    number = hundredths(low, high)
    comma = number.map(lambda value: f"{value:.2f}".replace(".", ","))
    repeats = number.flatmap(
        lambda value: st.lists(
            st.integers(0, 20).map(lambda step: round(value + step / 100, 2)),
            min_size=1,
            max_size=4,
        )
    )
    return st.one_of(number, comma, repeats, *tables(number, repeats))


def tables(
    number: st.SearchStrategy[float], repeats: st.SearchStrategy[list[float]]
) -> tuple[st.SearchStrategy[object], ...]:
    notes = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=12)
    return (
        st.fixed_dictionaries(
            {"read": repeats}, optional={"note": notes, "definition_mm": st.just(0.05)}
        ),
        number.map(lambda value: {"deep": round(value + 1, 2), "shallow": 1.0}),
        number.map(lambda value: {"outside": round(value + 1, 2), "metal": 0.5}),
        number.map(lambda value: {"drops_in": value, "refuses": round(value + 0.1, 2)}),
    )


names = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), min_size=1, max_size=20)
seats = st.fixed_dictionaries(
    {
        "holds": st.just("wall"),
        "state": st.just("cut"),
        "back": st.sampled_from(["open", "closed"]),
        "opening_family": st.sampled_from(["oval", "cushion"]),
        "opening_level": st.sampled_from(["rim", "girdle"]),
        "opening_length_mm": spellings(7.5, 9.0),
        "opening_width_mm": spellings(5.5, 7.0),
        "ledge_width_mm": spellings(0.1, 1.0),
        "depth_below_ledge_mm": spellings(2.0, 6.0),
    },
    optional={
        "wall_height_mm": spellings(0.2, 2.0),
        "wall_lean_deg": st.integers(-5, 20),
        "opening_radii_mm": st.lists(hundredths(3.2, 4.0), min_size=12, max_size=12).map(
            lambda found: [{"at_deg": 30 * k + 7, "read": size} for k, size in enumerate(found)]
        ),
    },
)
files = st.fixed_dictionaries(
    {"name": names, "seat": seats},
    optional={
        "story": names,
        "period": st.integers(1700, 2020),
        "finger_diameter_mm": hundredths(15.0, 20.0),
        "allowances": st.just({"gap_max_mm": 0.3}),
        "instruments": st.just({"my scale": {"permissible_error_mm": 0.05, "source": "mine"}}),
    },
)


@settings(max_examples=BUDGET)
@given(files)
def test_reading_undoes_writing(entries):
    text = mounting_text(entries)
    kept = {key: value for key, value in entries.items() if value != ""}
    back = entries_of(text)
    assert set(back) == set(kept)
    again = mounting_text(back)
    assert again == text
    assert mounting_from(parse_toml(again, name="m")) == mounting_from(parse_toml(text, name="m"))
    assert edit_mounting(text, back) == text


@settings(max_examples=BUDGET)
@given(st.sampled_from(GOOD), st.data())
def test_an_edit_touches_one_entry_and_can_be_undone(path, data):
    """Set a reading to another form and back: the data are the same, all comments are there."""
    text = path.read_text(encoding="utf-8")
    before = entries_of(text)
    key = data.draw(st.sampled_from(["finger_diameter_mm", "seat.gallery_depth_mm", "story",
                                     "seat.irregularity_mm", "allowances.gap_max_mm"]))  # fmt: skip
    if key == "seat.gallery_depth_mm" and "gallery_depth_mm" not in before["seat"]:
        key = "story"
    value = {
        "finger_diameter_mm": spellings(15.0, 17.0),
        "seat.gallery_depth_mm": spellings(1.0, 1.5),
        "story": names,
        "seat.irregularity_mm": hundredths(0.0, 0.1),
        "allowances.gap_max_mm": hundredths(0.1, 0.5),
    }[key]
    drawn = data.draw(value)
    table, _, last = key.rpartition(".")
    old = (before.get(table, {}) if table else before).get(last)
    new = edit_mounting(text, {key: drawn})
    found = entries_of(new)
    assert (found[table] if table else found)[last] == drawn
    comments = [line for line in text.splitlines() if line.startswith("#")]
    assert [line for line in new.splitlines() if line.startswith("#")] == comments
    undone = entries_of(edit_mounting(new, {key: old}))
    assert {name: item for name, item in undone.items() if item != {}} == before
