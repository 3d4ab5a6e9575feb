"""Reading and writing files: faults are asserted in full, they are what the user sees."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import ClassVar, Literal

import pytest
from pydantic import BaseModel, Field

from fitsolver.errors import FitsolverError, InputFaults
from fitsolver.files import datafile
from fitsolver.files.datafile import (
    STRICT,
    Document,
    Many,
    Millimetres,
    Number,
    RuleError,
    check,
    data_folder,
    load,
    load_toml,
    nearest,
    parse_toml,
    write_text,
)

ROOT = Path(__file__).resolve().parents[1]


class Stone(BaseModel):
    model_config = STRICT

    width_mm: Millimetres = Field(ge=1, le=40, json_schema_extra={"remedy": "use the caliper"})
    note: str = ""


class Parcel(BaseModel):
    model_config = STRICT
    compares_partly: ClassVar[bool] = True

    dealer: str
    state: Literal["cut", "rough"] = "cut"
    sealed: bool = False
    count: int = Field(default=1, gt=0)
    turn_deg: Number = 0.0
    stones: Many[Stone] = ()
    mix: int | Literal["many"] = 1

    def cross_faults(self):
        if len(self.stones) != self.count:
            yield "count", self.count, f"must be the number of stones, {len(self.stones)}", "count"


def text_of(error: pytest.ExceptionInfo[InputFaults]) -> list[str]:
    return [str(fault) for fault in error.value.faults]


def fault_of_file(path: Path) -> str:
    with pytest.raises(InputFaults) as error:
        load_toml(path)
    (text,) = text_of(error)
    return text.removeprefix(str(path))


def fault_of_text(text: str) -> str:
    with pytest.raises(InputFaults) as error:
        parse_toml(text, name="m.toml")
    (only,) = text_of(error)
    return only


class TestFilesThatCannotBeRead:
    def test_missing(self, tmp_path):
        assert (
            fault_of_file(tmp_path / "ring.toml")
            == "  file: does not exist. Check the name and the folder."
        )

    def test_missing_but_a_similar_name_exists(self, tmp_path):
        (tmp_path / "ring.toml").write_text("a = 1")
        assert fault_of_file(tmp_path / "rnig.toml") == (
            f"  file: does not exist. Perhaps {tmp_path / 'ring.toml'} is meant."
        )

    def test_missing_folder(self, tmp_path):
        assert "There is no folder" in fault_of_file(tmp_path / "none" / "ring.toml")

    def test_a_folder(self, tmp_path):
        assert fault_of_file(tmp_path) == (
            "  file: is a folder. Give the name of a file, such as mounting.toml."
        )

    def test_zero_bytes(self, tmp_path):
        path = tmp_path / "empty.toml"
        path.touch()
        assert fault_of_file(path) == (
            "  file: is empty (0 bytes). Start from one of the files in examples/."
        )

    def test_blank(self):
        assert fault_of_text(" \n\n") == (
            "m.toml  file: is empty. Start from one of the files in examples/."
        )

    def test_not_utf8_names_the_byte(self, tmp_path):
        path = tmp_path / "latin.toml"
        path.write_bytes('a = 1\nname = "Öse"'.encode("latin-1"))
        assert fault_of_file(path) == (
            ":2  file: is not UTF-8 text, at byte 15 (0xd6). "
            "Save the file as UTF-8, the usual encoding of a text editor."
        )

    def test_too_large(self, tmp_path):
        path = tmp_path / "scan.toml"
        path.write_bytes(b"#" * (datafile.MAX_BYTES + 1))
        assert "is larger than 1,000,000 bytes" in fault_of_file(path)

    def test_a_null_character_in_the_name(self, tmp_path):
        assert "file: " in fault_of_file(tmp_path / "a\0b.toml")

    def test_a_byte_order_mark_does_no_harm(self, tmp_path):
        path = tmp_path / "mark.toml"
        path.write_bytes(b"\xef\xbb\xbfa = 1\r\n")
        assert load_toml(path).data == {"a": 1}


class TestSyntax:
    @pytest.mark.parametrize(
        ("line", "said"),
        [
            (
                "width = 6,5",
                "m.toml:2  line = 'width = 6,5': has a decimal comma outside quotes. "
                'Write 6.5 or "6,5".',
            ),
            (
                "width = [6,08, 6,1]",
                "m.toml:2  line = 'width = [6,08, 6,1]': has a decimal comma outside quotes. "
                'Write 6.08 or "6,08".',
            ),
            (
                'width = 0.31"',
                "m.toml:2  line = 'width = 0.31\"': looks like inches. "
                "Write the length in mm without a mark, as 7.87.",
            ),
            (
                "width = 6.5 mm",
                "m.toml:2  line = 'width = 6.5 mm': is not TOML: expected newline or end of "
                "document after a statement. Write one 'key = value' to a line, text in quotes, "
                "numbers plain, with a point.",
            ),
            (
                'name = "ring',
                "m.toml:2  line = 'name = \"ring': is not TOML: a quote is not closed. Write one "
                "'key = value' to a line, text in quotes, numbers plain, with a point.",
            ),
            (
                "first = 2",
                "m.toml:2  line = 'first = 2': is not TOML: cannot overwrite a value. Write one "
                "'key = value' to a line, text in quotes, numbers plain, with a point.",
            ),
        ],
    )
    def test_says_the_line_and_what_to_write(self, line, said):
        assert fault_of_text(f"first = 1\n{line}\nlast = 3") == said

    def test_an_open_bracket_is_not_taken_for_a_decimal_comma(self):
        assert "is not TOML" in fault_of_text("turns = [45,135,225\nlast = 3")

    @pytest.mark.parametrize("text", ["a = " + "[" * 5000, "a = " + "9" * 5000])
    def test_hostile_text_is_a_fault_too(self, text):
        assert fault_of_text(text).startswith("m.toml")


class TestLines:
    TEXT = '''x = 1                     # "y = 2"
"quoted key" = """
a = 2
[no]"""
[a]
b = [ # [c]
  {at = 0, r = [1, 2]}, {at = 5},

  {at = 3, s = {t = "}"}},
]
c.d = 5
[[rows]]
z = 1979-05-27T07:32:00Z
[[rows]]
z = [[1, 2],
 [3, 4]]
[rows.sub]
k = 'x"'
f = [[], [{}]]
'''

    @pytest.mark.parametrize(
        ("key", "line"),
        [
            ("x", 1),
            ("quoted key", 2),
            ("a", 5),
            ("a.b", 6),
            ("a.b[0].r[1]", 7),
            ("a.b[1].at", 7),
            ("a.b[2].s.t", 9),
            ("a.c", 11),
            ("a.c.d", 11),
            ("rows[0].z", 13),
            ("rows[1]", 14),
            ("rows[1].z[1]", 16),
            ("rows[1].sub.k", 18),
            ("rows[1].sub.f[1][0]", 19),
        ],
    )
    def test_of_a_key(self, key, line):
        assert parse_toml(self.TEXT, name="m").line_of(key) == line

    def test_of_a_missing_key_is_that_of_its_table(self):
        document = parse_toml(self.TEXT, name="m")
        assert document.line_of("a.nothing.here") == 5
        assert document.line_of("nothing") is None

    def test_every_key_of_every_shipped_file_has_its_line(self):
        def keys(data, at=""):
            for key, value in data.items() if isinstance(data, dict) else enumerate(data):
                here = f"{at}[{key}]" if isinstance(key, int) else f"{at}.{key}".removeprefix(".")
                yield here, value
                if isinstance(value, dict | list):
                    yield from keys(value, here)

        paths = [*(ROOT / "examples").glob("*.toml"), *data_folder().rglob("*.toml")]
        assert paths
        for path in paths:
            text = path.read_text(encoding="utf-8")
            document = parse_toml(text, name=path.name)
            lines = text.split("\n")
            for key, value in keys(document.data):
                if isinstance(value, dict | list) or key.endswith("]"):
                    continue  # tables may be spread, elements have no name to look for
                assert key.rpartition(".")[2] in lines[document.lines[key] - 1], (path, key)


class TestModels:
    def said(self, text: str) -> list[str]:
        with pytest.raises(InputFaults) as error:
            check(parse_toml(text, name="m.toml"), Parcel)
        return text_of(error)

    def test_a_good_file(self, tmp_path):
        path = tmp_path / "parcel.toml"
        path.write_text('dealer = "Invented"\nturn_deg = "12,5"\n[[stones]]\nwidth_mm = "6,5"\n')
        parcel = load(path, Parcel)
        assert parcel.stones == (Stone(width_mm=6.5),)
        assert parcel.turn_deg == 12.5

    def test_all_faults_at_once_in_the_order_of_the_file(self):
        assert self.said(
            'dealer = 5\nstate = "cutt"\nsealed = "yes"\ncount = 0\nturn_deg = "left"\n'
            'colour = "red"\nmix = "some"\n'
            '[[stones]]\nwidth_mm = 0.2\n[[stones]]\nwidth_mm = nan\nnotes = ""\n'
        ) == [
            "m.toml:1  dealer = 5: must be text. Write it in quotes, as \"open\".",
            "m.toml:2  state = 'cutt': must be \"cut\" or \"rough\". Perhaps \"cut\" is meant.",
            "m.toml:3  sealed = 'yes': must be true or false. Write it without quotes.",
            "m.toml:4  count = 0: must be more than 0. Correct the value.",
            "m.toml:5  turn_deg = 'left': is not a number. Write it as 6.5 or \"6,5\".",
            "m.toml:6  colour = 'red': is not known here. "
            "Known here: dealer, state, sealed, count, turn_deg, stones, mix.",
            "m.toml:7  mix = 'some': must be a whole number, or it must be \"many\". "
            "Choose one of them.",
            "m.toml:9  stones[0].width_mm = 0.2: must be 1 to 40 mm. Use the caliper.",
            "m.toml:11  stones[1].width_mm = nan: is not a finite length. "
            "Write millimetres, like 6.5 or 6,5.",
            "m.toml:12  stones[1].notes = '': is not known here. Perhaps note is meant.",
        ]  # fmt: skip

    def test_a_missing_key_stands_at_its_table(self):
        assert self.said('dealer = "x"\ncount = 0\n[[stones]]\nnote = ""\n')[1:] == [
            "m.toml:3  stones[0].width_mm: is missing. Use the caliper."
        ]

    def test_what_is_wrong_between_keys_shows_beside_what_is_wrong_in_them(self):
        assert self.said('dealer = "x"\nsealed = 1\ncount = 2\n') == [
            "m.toml:2  sealed = 1: must be true or false. Write it without quotes.",
            "m.toml:3  count = 2: must be the number of stones, 0. Count.",
        ]

    def test_only_models_that_can_are_asked_about_what_is_left(self):
        class Whole(Parcel):
            compares_partly: ClassVar[bool] = False

        with pytest.raises(InputFaults) as error:
            check(parse_toml('dealer = "x"\nsealed = 1\ncount = 2\n', name="m.toml"), Whole)
        assert [fault.key for fault in error.value.faults] == ["sealed"]

    def test_a_refused_key_is_not_also_compared(self):
        assert self.said('dealer = "x"\ncount = "2"\n') == [
            "m.toml:2  count = '2': must be a whole number. "
            "Write it without quotes and without a point."
        ]

    def test_nothing_is_converted(self):
        assert len(self.said('dealer = "x"\nsealed = 0\ncount = 1.0\nstones = {}\n')) == 3

    @pytest.mark.parametrize(
        ("value", "rule"),
        [
            (True, "must be one length in mm"),
            ([6.5], "must be one length in mm"),
            ("6.5 in", "looks like inches"),
            ('0.26"', "looks like inches"),
            ("1.234,5", "is ambiguous"),
            (float("inf"), "is not a finite length"),
            (10**400, "is not a finite length"),
            ("", "is not a length"),
        ],
    )
    def test_a_length_that_is_none(self, value, rule):
        with pytest.raises(InputFaults) as error:
            check(Document(name="m", data={"width_mm": value}), Stone)
        assert error.value.faults[0].rule == rule

    def test_a_rule_error_is_an_ordinary_value_error_to_others(self):
        assert str(RuleError("must fit", "try again")) == "must fit; try again"

    def test_nearest(self):
        assert nearest("Caliber", ("caliper", "ring-stick")) == "perhaps caliper is meant"
        assert nearest("xyz", ("a", "b", "c"), list_up_to=2) == "known here: a, b, ..."


class TestDataFolder:
    def test_of_this_installation(self):
        assert (data_folder() / "cuts").is_dir()

    def test_editable(self, tmp_path):
        (tmp_path / "fitsolver").mkdir()
        (tmp_path / "profiles").mkdir()
        assert data_folder(tmp_path / "fitsolver") == tmp_path / "profiles"

    def test_wheel_comes_first(self, tmp_path):
        (tmp_path / "fitsolver" / "_profiles").mkdir(parents=True)
        (tmp_path / "profiles").mkdir()
        assert data_folder(tmp_path / "fitsolver") == tmp_path / "fitsolver" / "_profiles"

    def test_the_wheel_is_told_to_carry_it(self):
        project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
        wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
        assert wheel["force-include"] == {"profiles": "fitsolver/_profiles"}

    def test_missing(self, tmp_path):
        with pytest.raises(FitsolverError, match="the profiles are missing"):
            data_folder(tmp_path / "fitsolver")


class TestWriting:
    def test_writes_utf8_with_plain_line_ends(self, tmp_path):
        path = write_text(tmp_path / "spec.txt", "Größe\n")
        assert path.read_bytes() == "Größe\n".encode()
        assert [each.name for each in tmp_path.iterdir()] == ["spec.txt"]

    def test_does_not_overwrite_unless_asked(self, tmp_path):
        path = tmp_path / "spec.txt"
        path.write_text("old")
        with pytest.raises(InputFaults) as error:
            write_text(path, "new")
        assert text_of(error) == [
            f"{path}  file: exists already. Choose another name or ask to overwrite it."
        ]
        assert path.read_text() == "old"
        write_text(path, "new", overwrite=True)
        assert path.read_text() == "new"

    def test_keeps_the_rights_of_what_it_overwrites(self, tmp_path):
        path = tmp_path / "spec.txt"
        path.write_text("old")
        path.chmod(0o640)
        write_text(path, "new", overwrite=True)
        assert path.stat().st_mode & 0o777 == 0o640

    def test_leaves_nothing_half_written(self, tmp_path, monkeypatch):
        def full(*_):
            raise OSError(28, "No space left on device")

        path = tmp_path / "spec.txt"
        path.write_text("old")
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(InputFaults, match="cannot be written: no space left on device"):
            write_text(path, "new", overwrite=True)
        assert path.read_text() == "old"
        assert [each.name for each in tmp_path.iterdir()] == ["spec.txt"]

    def test_a_folder_that_is_missing(self, tmp_path):
        with pytest.raises(InputFaults, match="cannot be written: no such file or directory"):
            write_text(tmp_path / "none" / "spec.txt", "x")

    def test_a_folder_in_place_of_a_file(self, tmp_path):
        with pytest.raises(InputFaults, match="is a folder"):
            write_text(tmp_path, "x", overwrite=True)
