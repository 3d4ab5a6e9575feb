"""Tables of candidates: what a row becomes, and what is said about the faults in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from fitsolver.errors import InputFaults
from fitsolver.market.candidate import ASSUMED, CandidateTable, Statement, read_candidates
from fitsolver.market.reservation import questions

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
HEAD = "cut,material,length_mm,width_mm,depth_mm"
STONE = "oval-brilliant,sapphire,8,6,3.9"


def table(text: str, folder: Path, **options: str) -> CandidateTable:
    path = folder / "found.csv"
    path.write_bytes(text.encode("utf-8"))
    return read_candidates(path, **options)


def one(text: str, folder: Path, **options: str):
    found = table(text, folder, **options)
    assert not found.faults, found.faults
    (candidate,) = found.candidates
    return candidate


def faults(text: str, folder: Path) -> list[str]:
    try:
        found = table(text, folder)
    except InputFaults as error:
        return [f"{fault.line} {fault.key}: {fault.rule}. {fault.remedy}" for fault in error.faults]
    return [f"{fault.line} {fault.key}: {fault.rule}. {fault.remedy}" for fault in found.faults]


def test_the_example_says_that_it_is_invented():
    text = (EXAMPLES / "candidates.csv").read_text(encoding="utf-8")
    assert "invented, as all of these" in text
    found = read_candidates(EXAMPLES / "candidates.csv")
    assert (len(found.candidates), found.bad_rows, found.remarks) == (7, 0, ())
    assert (found.delimiter, found.decimal) == (";", ",")


def test_a_row_becomes_a_candidate(tmp_path):
    found = one(
        f"lot,{HEAD},make,table_pct,mass_ct,price,seen,stated_nature,stated_by\n"
        f"17,{STONE},well-cut,57,1.42,1250.50,a nick,natural,the seller\n",
        tmp_path,
    )
    assert (found.row, found.line, found.name) == (1, 2, "17")
    assert (found.style.name, found.style.make) == ("oval-brilliant", "well-cut")
    assert (found.stuff.name, found.offered_as) == ("corundum", "sapphire")
    assert found.sizes_mm == (8.0, 6.0, 3.9)
    assert found.readings["table_pct"] == (57.0,)
    assert (found.mass_ct, found.price, found.price_per_ct) == (1.42, 1250.5, None)
    assert found.seen == "a nick"
    assert found.stated == Statement(nature="natural", by="the seller")
    assert found.stated.says == (("nature", "natural"),)


def test_commas_points_marks_and_spellings_read_the_same(tmp_path):
    plain = one(f"{HEAD},price\n{STONE},1250.5\n", tmp_path)
    other = one(
        "\ufeffCut;Material;Length MM;width_mm;depth_mm;price\r\n"
        '"Oval brilliant";Sapphire;8,0;" 6,00 mm";3,90;1 250,50\r\n',
        tmp_path,
    )
    assert (plain.sizes_mm, plain.price) == (other.sizes_mm, other.price)
    assert plain.style == other.style


def test_repeats_stand_in_one_cell(tmp_path):
    found = one(f"{HEAD}\noval-brilliant,sapphire,8.02/7.98,6 / 6.03 / 6.03,3.9\n", tmp_path)
    assert found.readings["length_mm"] == (8.02, 7.98)
    assert found.sizes_mm == pytest.approx((8.0, 6.02, 3.9))
    assert found.repeated == ("length_mm", "width_mm")


def test_a_round_has_one_diameter(tmp_path):
    found = one("cut,material,width_mm,depth_mm\nround-brilliant,ruby,6.5,4\n", tmp_path)
    assert found.sizes_mm == (6.5, 6.5, 4.0)
    assert faults("cut,material,width_mm,depth_mm\noval-brilliant,ruby,6.5,4\n", tmp_path) == [
        "2 length_mm: is missing. Read it by caliper"
    ]


def test_what_the_table_does_not_say_may_be_said_once(tmp_path):
    found = one(
        "length_mm,width_mm,depth_mm\n8,6,3.9\n", tmp_path, cut_name="oval-step",
        material_name="spinel",
    )  # fmt: skip
    assert (found.style.name, found.offered_as, found.name) == ("oval-step", "spinel", "row 1")


def test_a_quoted_size_has_the_doubt_of_its_rounding(tmp_path):
    """A size rounded to 0.5 mm is a rectangle of half-width 0.25: u = 0.25 / sqrt 3 (GUM 4.3.7)."""
    found = one(f"{HEAD},measured_with\n{STONE},seller-0.5\n", tmp_path)
    assert found.u_mm == pytest.approx(0.25 / 3**0.5, rel=1e-6)
    assert one(f"{HEAD}\n{STONE}\n", tmp_path).u_mm is None


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("oval-briliant,sapphire,8,6,3.9", "2 cut: is not the name of a cut style. Perhaps oval-"),
        ("briolette,sapphire,8,6,9", "2 cut: hangs by a drilled hole and is not set"),
        (",sapphire,8,6,3.9", "2 cut: is missing"),
        (
            "oval-brilliant,safire,8,6,3.9",
            "2 material: is not the name of a material. Perhaps sapp",
        ),
        ("oval-brilliant,sapphire,8,6,", "2 depth_mm: is missing. Without it nobody knows whether"),
        ("oval-brilliant,sapphire,8,6,3.9x", "2 depth_mm: is not a length"),
        ("oval-brilliant,sapphire,-8,6,3.9", "2 length_mm: must be 0.05 to 150 mm"),
        ("oval-brilliant,sapphire,nan,6,3.9", "2 length_mm: is not a length"),
        ("oval-brilliant,sapphire,6,8,3.9", "2 length_mm: must be 8 to 150 mm"),
        ("oval-brilliant,sapphire,8,6,39", "2 depth over width: must be 0.15 to 1.3"),
        ("oval-brilliant,sapphire,8/9,6,3.9", "2 length_mm: holds repeats more than 0.5 mm apart"),
        ("oval-brilliant,sapphire,8/,6,3.9", "a slash parts repeats, as 6.51/6.49"),
        ('oval-brilliant,sapphire,"0.31 in",6,3.9', "2 length_mm: looks like inches"),
        ("oval-brilliant,sapphire,8,6", "2 row: has 4 cells, the line of column names 5"),
        (f"{STONE},more", "2 row: has 6 cells"),
    ],
)
def test_a_faulty_row_is_explained_and_the_others_stand(row, said, tmp_path):
    text = f"{HEAD}\n{row}\n{STONE}\n"
    found = table(text, tmp_path)
    assert (found.bad_rows, [each.row for each in found.candidates]) == (1, [2])
    assert any(said in each for each in faults(text, tmp_path)), faults(text, tmp_path)


@pytest.mark.parametrize(
    ("head", "cells", "said"),
    [
        ("price", "1200 EUR", "2 price: is not a plain amount. Write the number alone"),
        ("price", '"1,200"', "2 price: is ambiguous. Write 1200 without a mark"),
        ("price", "1.234.567", "2 price: is ambiguous"),
        ("price", "0", "2 price: must be more than 0"),
        ("price", "-5", "2 price: is not a plain amount"),
        ("price,price_per_ct", "5,5", "2 price_per_ct: stands beside a price"),
        ("mass_ct", "0", "2 mass_ct: must be 0.0001 to 100000 ct"),
        ("mass_ct", "1 ct", "2 mass_ct: is not a number"),
        ("make", "fine", "2 make: is not the name of a make"),
        ("measured_with", "eye", "2 measured_with: is not the name of a"),
        ("crown_height_mm", "4", "2 crown_height_mm: must be 0 to 3.9 mm"),
        ("step_pct", "40", "1 column step_pct: looks like a size and is none that is known"),
        ("depht_mm", "4", "Perhaps depth_mm is meant: call it so, or remove it"),
        ("height", "4", "1 column height: looks like a size"),
        ("measurements", "8x6", "1 column measurements: looks like a size"),
    ],
)
def test_other_cells_are_judged_too(head, cells, said, tmp_path):
    found = faults(f"{HEAD},{head}\n{STONE},{cells}\n", tmp_path)
    assert any(said in each for each in found), found


def test_every_fault_of_a_row_is_told_at_once(tmp_path):
    found = faults(f"{HEAD},price\noval-briliant,safire,-8,6x,3.9,free\n", tmp_path)
    keys = {each.split(" ")[1].rstrip(":") for each in found}
    assert keys == {"cut", "material", "length_mm", "width_mm", "price"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "file: is empty (0 bytes)"),
        ("material,length_mm,width_mm,depth_mm\n", "1 column cut: is missing"),
        (f"{HEAD},length\n", "1 column length_mm: is there 2 times"),
        ("cut,material,length_mm,width_mm\n", "1 column depth_mm: is missing. A seat is judged"),
        (f"{HEAD},price,price\n", "1 column price: is there 2 times"),
        (f"{HEAD},rank\n", "1 column rank: is there already"),
        (f"{HEAD}\n" + f"{STONE}\n" * 10_001, "file: holds 10,001 stones, more than 10,000"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused(text, said, tmp_path):
    assert any(said in each for each in faults(text, tmp_path)), faults(text, tmp_path)


def test_a_column_that_is_ignored_is_told(tmp_path):
    found = table(f"{HEAD},prise,stated_treatement,lab,shelf\n{STONE},5,none,x,2\n", tmp_path)
    assert found.remarks == (
        "column prise is ignored; perhaps price is meant",
        "column stated_treatement is ignored; perhaps stated_treatment is meant",
        "ignored: columns lab, shelf",
    )


def test_a_missing_material_is_assumed_and_says_so(tmp_path):
    head, row = "cut,length_mm,width_mm,depth_mm", "oval-brilliant,8,6,3.9"
    (stone,) = table(f"{head}\n{row}\n", tmp_path).candidates
    assert (stone.stuff.name, stone.offered_as) == (ASSUMED, "")
    assert "the material (corundum is assumed)" in list(questions(stone))
    (stone,) = table(f"{head}\n{row}\n", tmp_path, material_name="spinel").candidates
    assert (stone.stuff.name, stone.offered_as) == ("spinel", "spinel")


def test_plain_words_stand_for_the_columns(tmp_path):
    head = "Cut;Material;Length;Width (mm);Depth;Carat;Price per carat;Treatment;Origin;Stated by"
    row = "Oval brilliant;ruby;8,0;6,0;3,9;1,50;700;heated;Burma;the seller"
    (stone,) = table(f"{head}\n{row}\n", tmp_path).candidates
    assert stone.sizes_mm == (8.0, 6.0, 3.9)
    assert (stone.mass_ct, stone.price_per_ct) == (1.5, 700.0)
    assert stone.stated == Statement(treatment="heated", origin="Burma", by="the seller")
