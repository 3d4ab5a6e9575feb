"""A parcel in a file: the same weights as stone by stone, every other cell kept, faults told."""

from __future__ import annotations

import csv
import io
import shlex
from pathlib import Path

import numpy as np
import pytest

from fitsolver import cli
from fitsolver.errors import InputFaults
from fitsolver.stones.cut import cut
from fitsolver.telling.stone_report import parcel_text, remarks_text
from fitsolver.weighing import parcel, stone_table
from fitsolver.weighing.parcel import Tally, weigh_parcel
from fitsolver.weighing.stone_table import ADDED, numbers_of
from fitsolver.weighing.weight import every_make, weigh

LIST = """\
lot,cut,material,length_mm,width_mm,depth_mm,table_pct,note
1,oval-brilliant,sapphire,8,6,3.9,,"one, of a pair"
2,emerald,emerald,9,7,4.6,62,
3,oval-brilliant,ruby,7.5,5.5,,,depth not read
"""


def weighed(
    text: str | bytes, tmp_path: Path, **usual: str | None
) -> tuple[list[list[str]], Tally, str]:
    path = tmp_path / "stones.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    out = io.StringIO()
    tally = weigh_parcel(path, out, **usual)
    delimiter = ";" if out.getvalue().split("\n")[0].count(";") else ","
    return list(csv.reader(io.StringIO(out.getvalue()), delimiter=delimiter)), tally, out.getvalue()


def told(tally: Tally) -> dict[tuple[int | None, str], tuple[object, str]]:
    return {(fault.line, fault.key): (fault.value, fault.rule) for fault in tally.faults}


def test_every_stone_weighs_what_it_weighs_alone(tmp_path: Path) -> None:
    rows, tally, _ = weighed(LIST, tmp_path)
    alone = [
        weigh(every_make(cut("oval-brilliant")), "corundum", length_mm=8.0, width_mm=6.0,
              depth_mm=3.9),
        weigh(every_make(cut("emerald")), "emerald", length_mm=9.0, width_mm=7.0, depth_mm=4.6,
              table_pct=62.0),
        weigh(every_make(cut("oval-brilliant")), "corundum", length_mm=7.5, width_mm=5.5),
    ]  # fmt: skip
    for row, one in zip(rows[1:], alone, strict=True):
        want = one.weight_ct
        # Written to 0.0001 ct.
        assert [float(cell) for cell in row[-4:]] == pytest.approx(
            [want.value, want.u, want.low, want.high], abs=5.1e-5
        )
    assert (tally.rows, tally.weighed, tally.bad_rows, tally.faults) == (3, 3, 0, ())
    assert tally.weight_ct == pytest.approx(sum(one.weight_ct.value for one in alone), abs=1e-6)


def test_all_columns_are_kept_in_their_order(tmp_path: Path) -> None:
    rows, _, _ = weighed(LIST, tmp_path)
    given = list(csv.reader(io.StringIO(LIST)))
    assert [row[:-4] for row in rows] == given
    assert rows[0][-4:] == list(ADDED)


def test_order_of_columns_and_rows_does_not_matter(tmp_path: Path) -> None:
    rows, _, _ = weighed(LIST, tmp_path)
    given = list(csv.reader(io.StringIO(LIST)))
    out = io.StringIO()
    csv.writer(out).writerows([row[::-1] for row in (given[0], *given[:0:-1])])
    again, _, _ = weighed(out.getvalue(), tmp_path)
    assert [row[-4:] for row in again[:0:-1]] == [row[-4:] for row in rows[1:]]


@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_semicolons_and_decimal_commas_say_the_same(bom: bytes, end: str, tmp_path: Path) -> None:
    text = LIST.replace(",", ";").replace("3.9", "3,9").replace("7.5", "7,5").replace("5.5", "5,5")
    rows, _, raw = weighed(bom + text.replace("\n", end).encode(), tmp_path)
    points, _, _ = weighed(LIST, tmp_path)
    for row, other in zip(rows[1:], points[1:], strict=True):
        assert [cell.replace(",", ".") for cell in row[-4:]] == other[-4:]
        assert all("," in cell for cell in row[-4:])
    assert raw.startswith("lot;cut;")


def test_a_semicolon_list_with_points_gets_points(tmp_path: Path) -> None:
    rows, _, _ = weighed(LIST.replace(",", ";"), tmp_path)
    assert all("." in row[-1] for row in rows[1:])


def test_bad_rows_are_told_and_left_empty_the_others_weighed(tmp_path: Path) -> None:
    bad = """\
4,oval-briliant,sapphire,8,6,3.9,,
5,emerald,emrald,9,7,4.6,,
6,emerald,emerald,-9,x7,4.6,,
7,emerald,emerald,9,7,0,,
8,oval-brilliant,ruby,6,8,3.9,,
9,oval-brilliant,ruby,,,3.9,,
10,oval-brilliant,ruby,8,6,3.9,140,
11,oval-brilliant,ruby,8,6,nan,,
12,oval-brilliant,ruby,8
13,,ruby,8,6,3.9,,
14,oval-cabochon,ruby,8,6,3.9,57,
15,oval-brilliant,ruby,8,6,"1.234,5",,
"""
    rows, tally, _ = weighed(LIST + bad, tmp_path)
    assert (tally.rows, tally.weighed, tally.bad_rows) == (15, 3, 12)
    clean, _, _ = weighed(LIST, tmp_path)
    assert rows[:4] == clean
    assert all(row[-4:] == [""] * 4 and len(row) == len(rows[0]) for row in rows[4:])
    faults = told(tally)
    lines = [line for line, _ in faults]
    assert lines == sorted(lines)
    assert faults[5, "cut"] == ("oval-briliant", "is not the name of a cut style")
    assert faults[6, "material"] == ("emrald", "is not the name of a material")
    # Both cells of one row.
    assert faults[7, "length_mm"] == (-9.0, "must be 0.05 to 150 mm")
    assert faults[7, "width_mm"] == ("x7", "is not a length")
    assert faults[8, "depth_mm"] == (0.0, "must be 0.05 to 150 mm")
    assert faults[9, "length_mm"] == (6.0, "must be 8 to 150 mm")
    assert "length_mm, width_mm or both" in faults[10, "row"][1]
    assert faults[11, "table_pct"] == (140.0, "must be 0 to 99 %")
    assert faults[12, "depth_mm"][0] == "nan"
    assert faults[13, "row"][1] == "has 4 cells, the line of column names 8"
    assert faults[14, "cut"][1] == "is missing"
    assert faults[15, "table_pct"][1] == "is not a reading of the cut oval-cabochon"
    assert faults[16, "depth_mm"][1] == "is ambiguous"
    assert any("longest diameter" in fault.remedy for fault in tally.faults)


def test_an_unusual_stone_is_weighed_and_remarked(tmp_path: Path) -> None:
    _, tally, _ = weighed(LIST + "4,oval-brilliant,ruby,8,6,8.2,,\n", tmp_path)
    assert tally.weighed == 4
    assert "depth is 136 % of the width" in " ".join(
        text for line, text in tally.remarks if line == 5
    )


def test_a_mass_is_held_against_the_size(tmp_path: Path) -> None:
    text = "cut,material,length_mm,width_mm,depth_mm,mass_ct\n"
    stone = "oval-brilliant,ruby,8,6,3.9"
    # Its weight by size is 1.42 ct, 1.26 to 1.61.
    rows, tally, _ = weighed(f"{text}{stone},1.45\n{stone},2.30\n{stone},\n", tmp_path)
    assert rows[1][-4:] == rows[2][-4:] == rows[3][-4:]
    assert [line for line, _ in tally.remarks] == [None, 3]
    assert "mass_ct = 2.3 does not go with the size in corundum" in tally.remarks[1][1]


def test_cut_material_and_make_may_hold_for_all(tmp_path: Path) -> None:
    text = "length_mm,width_mm,depth_mm\n8,6,3.9\n"
    rows, _, _ = weighed(text, tmp_path, cut_name="oval-brilliant", material_name="ruby",
                         make="well-cut")  # fmt: skip
    alone = weigh(cut("oval-brilliant").in_make("well-cut"), "ruby", length_mm=8.0, width_mm=6.0,
                  depth_mm=3.9)  # fmt: skip
    assert float(rows[1][-4]) == pytest.approx(alone.weight_ct.value, abs=5.1e-5)


def test_makes_may_differ_by_row(tmp_path: Path) -> None:
    text = "cut,material,make,length_mm,width_mm,depth_mm\n"
    text += "".join(f"oval-brilliant,ruby,{make},8,6,3.9\n" for make in ("native", "", "nativ"))
    rows, tally, _ = weighed(text, tmp_path)
    # A native make is bulged: heavier than the mixture.
    assert float(rows[1][-4]) > float(rows[2][-4])
    assert told(tally)[4, "make"][0] == "nativ"


def test_names_are_read_as_people_write_them(tmp_path: Path) -> None:
    text = 'Cut,Material,Length mm,WIDTH_MM,depth_mm\nOval Brilliant,Ruby, 8.0 ,6 mm,"3,9"\n'
    rows, tally, _ = weighed(text, tmp_path)
    assert tally.faults == ()
    assert float(rows[1][-4]) == pytest.approx(1.4482, abs=1e-3)


def test_blank_rows_are_no_stones(tmp_path: Path) -> None:
    _, tally, raw = weighed(LIST + "\n,,,,,,,\n\n", tmp_path)
    assert (tally.rows, tally.bad_rows) == (3, 0)
    assert raw.endswith("\n\n,,,,,,,,,,,\n\n")


def test_lines_are_counted_through_cells_of_several_lines(tmp_path: Path) -> None:
    text = LIST.replace("one, of a pair", "one\nof\na pair")
    _, tally, _ = weighed(text + "4,oval-brilliant,ruby,8,6,wide,,\n", tmp_path)
    assert list(told(tally)) == [(7, "depth_mm")]


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("cut,material,depth_mm", "column length_mm: is missing"),
        ("cut,material,lenght_mm,depth_mm", "Perhaps lenght_mm is meant: call it length_mm"),
        ("material,length_mm", "Add it, or give --cut for all stones"),
        ("cut,length_mm", "Add it, or give --material for all stones"),
        ("cut,material,length_mm,width_mm,width_mm", "column width_mm: is there 2 times"),
        ("cut,material,length_mm,weight_ct", "column weight_ct: is there already"),
        ("cut,material,length_mm,girdle_least_mm", "column girdle_most_mm: is missing"),
        ("cut material length_mm", "Part the columns by , or by ;"),
    ],
)
def test_faults_of_the_column_names_are_told_before_anything_is_written(
    header: str, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "stones.csv"
    path.write_text(f"{header}\n", encoding="utf-8")
    out = io.StringIO()
    with pytest.raises(InputFaults) as caught:
        weigh_parcel(path, out)
    assert said in str(caught.value)
    assert out.getvalue() == ""


@pytest.mark.parametrize(
    ("column", "meant"),
    [
        ("depht_mm", "depth_mm"),
        ("table", "table_pct"),
        ("girdel_pct", "girdle_pct"),
        ("crown_angle_dge", "crown_angle_deg"),
    ],
)
def test_a_column_that_looks_like_a_reading_is_remarked(
    column: str, meant: str, tmp_path: Path
) -> None:
    text = f"cut,material,length_mm,{column},dealer,listed\nprincess,ruby,6,3,Invented,1\n"
    _, tally, _ = weighed(text, tmp_path)
    ((line, remark),) = tally.remarks
    assert line is None
    assert remark == f"column {column} is no reading and is not used; perhaps {meant} is meant"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty (0 bytes)"),
        (b"cut,material,length_mm\n\xff,ruby,6\n", "csv:2  file: is not UTF-8 text"),
        ("cut,material\n".encode("utf-16"), "is not UTF-8 text"),
        (b'cut,material,length_mm\n"' + b"x" * 200_000, "is not a table from here on"),
    ],
)
def test_a_file_that_is_no_list_is_explained(content: bytes, said: str, tmp_path: Path) -> None:
    with pytest.raises(InputFaults) as caught:
        weighed(content, tmp_path)
    assert said in str(caught.value)


def test_a_missing_list_is_explained(tmp_path: Path) -> None:
    (tmp_path / "stones.csv").write_text(LIST, encoding="utf-8")
    for name, said in (("stnes.csv", "stones.csv is meant"), (".", "is a folder")):
        with pytest.raises(InputFaults) as caught:
            weigh_parcel(tmp_path / name, io.StringIO())
        assert said in str(caught.value)


def test_uneven_girdles_need_both_ends(tmp_path: Path) -> None:
    text = "cut,material,length_mm,width_mm,depth_mm,girdle_least_mm,girdle_most_mm\n"
    stone = "oval-brilliant,ruby,8,6,3.9"
    rows, tally, _ = weighed(f"{text}{stone},0.1,0.5\n{stone},0.1,\n{stone},,\n", tmp_path)
    assert list(told(tally)) == [(3, "girdle_most_mm")]
    assert float(rows[1][-3]) < float(rows[3][-3])


def test_blocks_do_not_show(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    head, *body = LIST.splitlines(keepends=True)
    text = head + "".join(body) * 7 + "4,emerald,ruby,x,6,3.9,,\n"
    whole, one, _ = weighed(text, tmp_path)
    seen: list[tuple[int, int]] = []
    monkeypatch.setattr(stone_table, "BLOCK", 4)
    out = io.StringIO()
    many = weigh_parcel(
        tmp_path / "stones.csv", out, progress=lambda done, total: seen.append((done, total))
    )
    assert list(csv.reader(io.StringIO(out.getvalue()))) == whole
    assert many.faults == one.faults
    assert many.weight_ct == pytest.approx(one.weight_ct, rel=1e-12)
    assert len(seen) == 6
    assert seen[-1][0] == seen[-1][1] == len(text.encode())


def test_what_is_told_is_bounded(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(parcel, "REPORTED", 3)
    monkeypatch.setattr(parcel, "REMARKED", 2)
    wrong = "4,emerald,ruby,9,7,x,,\n" * 4 + "5,emerald,ruby,9,7,0,,\n" * 4
    # Each too deep, and so no fit: two remarks.
    _, tally, _ = weighed(LIST + wrong + "6,emerald,ruby,9,7,9.5,,\n" * 5, tmp_path)
    assert (len(tally.faults), tally.bad_rows) == (3, 8)
    assert (len(tally.remarks), tally.remarked) == (2, 10)
    text = remarks_text(tally, "stones.csv")
    assert text.startswith("8 rows not weighed\n")
    assert "  and 5 rows more" in text
    assert "  and 8 remarks more" in text


def test_numbers_plain_and_otherwise_read_alike() -> None:
    plain, _ = numbers_of("length_mm", ["6.5", "", "7"])
    mixed, wrong = numbers_of("length_mm", ["6,5", " ", "7 mm"])
    assert not wrong
    np.testing.assert_array_equal(plain, mixed)
    _, wrong = numbers_of("table_pct", ["1e1", "inf", "5,7,5", "-"])
    assert [row for row, _, _ in wrong] == [0, 1, 2, 3]


# The command


@pytest.fixture
def stones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stones.csv").write_text(LIST, encoding="utf-8")
    return tmp_path


def run(line: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = cli.main(shlex.split(line))
    out, err = capsys.readouterr()
    return code, out, err


def test_the_list_goes_to_the_standard_output_or_to_a_file(
    stones: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run("weigh --list stones.csv", capsys)
    assert (code, err) == (0, "")
    assert out.startswith("lot,cut,material,")
    code, said, err = run("weigh --list stones.csv -o out.csv", capsys)
    assert (code, err) == (0, "")
    assert said.startswith("3 stones weighed, together approximately 4.64 ct. List: out.csv")
    assert (stones / "out.csv").read_text(encoding="utf-8") == out


def test_a_list_is_overwritten_only_when_told(
    stones: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run("weigh --list stones.csv -o stones.csv", capsys)
    assert (code, out) == (2, "")
    assert "exists already" in err
    assert (stones / "stones.csv").read_text(encoding="utf-8") == LIST
    assert run("weigh --list stones.csv -o stones.csv --force", capsys)[0] == 0
    assert "weight_ct" in (stones / "stones.csv").read_text(encoding="utf-8")
    assert [path.name for path in stones.iterdir()] == ["stones.csv"]


def test_bad_rows_exit_with_2_and_the_output_is_complete(
    stones: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (stones / "stones.csv").write_text(f"{LIST}4,emerald,ruby,9,7,x,,\n", encoding="utf-8")
    code, out, err = run("weigh --list stones.csv", capsys)
    assert code == 2
    assert len(out.splitlines()) == 5
    assert "stones.csv:5 depth_mm = 'x': is not a length" in " ".join(err.split())
    code, said, _ = run("weigh --list stones.csv -o out.csv", capsys)
    assert code == 2
    assert said.startswith("3 of 4 stones weighed")
    assert len((stones / "out.csv").read_text(encoding="utf-8").splitlines()) == 5


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("--list stones.csv --json", "--json: needs --output"),
        ("--list stones.csv --length 8", "--length = '8': does not go with --list"),
        ("--list stones.csv --star-pct 50", "--star-pct = '50': does not go with --list"),
        ("--list stones.csv --cut ovl", "is not the name of a cut style"),
        ("--list stones.csv -o nowhere/out.csv", "There is no folder nowhere"),
        ("--list nowhere.csv -o out.csv", "does not exist"),
        ("--cut emerald --length 8 --width 6 -o out.csv", "goes with --list only"),
    ],
)
def test_misuse_is_explained(
    line: str, said: str, stones: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = run(f"weigh {line}", capsys)
    assert code == 2
    assert said in " ".join(err.split())
    assert [path.name for path in stones.iterdir()] == ["stones.csv"]


def test_the_words_agree_with_the_number() -> None:
    tally = Tally(rows=1, weighed=1, weight_ct=1.239, faults=(), bad_rows=0, remarks=(), remarked=0)
    assert parcel_text(tally, "a.csv") == (
        "1 stone weighed, together approximately 1.24 ct. List: a.csv"
    )
    assert remarks_text(tally, "a.csv") == ""
