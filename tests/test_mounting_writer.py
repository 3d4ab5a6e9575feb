"""Mounting files written and changed: what is read can be written, and nothing else is touched."""

from __future__ import annotations

import builtins
import errno
import os
import tomllib
from pathlib import Path

import pytest

from fitsolver.errors import FitsolverError, InputFaults
from fitsolver.files.datafile import parse_toml
from fitsolver.files.toml_edit import edited, path_of, value_text
from fitsolver.seats.mounting import load_mounting, mounting_from
from fitsolver.seats.mounting_writer import (
    edit_mounting,
    entries_of,
    mounting_text,
    save_edits,
    write_mounting,
)

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
GOOD = sorted(path for path in EXAMPLES.glob("*.toml") if path.stem != "faulty")
COLLET = EXAMPLES / "old-cushion-collet.toml"
CLAWS = EXAMPLES / "claw-ring.toml"


def text_of(path: Path) -> str:
    return path.read_bytes().decode("utf-8")


def lines_apart(old: str, new: str) -> tuple[list[str], list[str]]:
    """Lines only the old text has, and lines only the new one has."""
    before, after = old.splitlines(), new.splitlines()
    return (
        [line for line in before if line not in after],
        [line for line in after if line not in before],
    )


def read(text: str):
    return mounting_from(parse_toml(text, name="m.toml"))


# Round trips


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_what_is_read_is_written(path, tmp_path):
    written = write_mounting(entries_of(path), tmp_path / "new.toml")
    assert load_mounting(written) == load_mounting(path)
    assert entries_of(written) == entries_of(path)


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_no_change_is_the_same_to_the_byte(path, tmp_path):
    own = tmp_path / path.name
    own.write_bytes(path.read_bytes())
    before = own.stat()
    same = {"name": entries_of(path)["name"], "seat": entries_of(path)["seat"]}
    assert edit_mounting(own, {}) == edit_mounting(own, same) == text_of(path)
    assert save_edits(own, same) == load_mounting(path)
    assert own.read_bytes() == path.read_bytes()
    assert (own.stat().st_ino, own.stat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.stem)
def test_a_new_file_keeps_the_order_of_the_examples(path):
    """An example written anew has its own lines, but for comments and spelling of numbers."""
    text = mounting_text(entries_of(path))

    def keys(toml: str) -> list[str]:
        found = []
        for line in toml.splitlines():
            # Of claws the ledge may be told last.
            if "=" in line and line[0].isalpha() and not line.startswith("ledge_"):
                found.append(line.split("=")[0].strip())
            elif line.startswith("["):
                found.append(line.split("#")[0].strip())
        return found

    assert keys(text) == keys(text_of(path))


# Changes in place


def test_one_value_changes_one_line_and_keeps_its_comment():
    old = text_of(COLLET)
    new = edit_mounting(COLLET, {"finger_diameter_mm": 17.2, "seat.opening_level": "rim"})
    gone, come = lines_apart(old, new)
    assert len(gone) == len(come) == 2
    assert come[0] == "finger_diameter_mm = 17.2                       # ring size 52"
    assert come[1].startswith('opening_level = "rim" ')
    assert come[1].endswith("# the corner between wall and ledge")


@pytest.mark.parametrize(
    ("key", "value", "line"),
    [
        ("seat.opening_length_mm.read", [7.91, "7,9"],
         'opening_length_mm = { read = [7.91, "7,9"], level = "rim", definition_mm = 0.08 }'),
        ("seat.opening_length_mm", {"read": 7.9, "level": "rim"},
         'opening_length_mm = { read = 7.9, level = "rim"}'),
        ("seat.opening_radii_mm[1].read", [4.23, 4.25],
         '    { at_deg = 30, read = [4.23, 4.25], with = "photograph" },'),
        ("seat.opening_radii_mm[12]", {"at_deg": 345, "read": 4.15, "with": "photograph"},
         '    { at_deg = 345, read = 4.15, with = "photograph" },'),
        ("seat.wall_height_mm", {"deep": [1.98], "shallow": 0.97},
         "wall_height_mm = {deep = [1.98], shallow = 0.97 }"),
        ("seat.opening_width_mm", {"outside": 7.6, "metal": [0.45, 0.44], "level": "rim"},
         'opening_width_mm = {outside = 7.6, metal = [0.45, 0.44], level = "rim"}'),
        ("seat.depth_below_ledge_mm.note", "pressed lightly", None),
        ("seat.ledge_width_mm", "not measured", 'ledge_width_mm = "not measured"'),
        ("instruments.photograph.permissible_error_mm", 0.05, "permissible_error_mm = 0.05"),
    ],
)  # fmt: skip
def test_every_form_of_a_reading_is_changed_in_its_place(key, value, line):
    old = text_of(COLLET)
    new = edit_mounting(COLLET, {key: value})
    gone, come = lines_apart(old, new)
    assert len(come) == 1
    assert len(gone) == (0 if key.endswith("[12]") else 1)
    if line is not None:
        assert "".join(come[0].split()) == "".join(line.split())
    comments = [each for each in old.splitlines() if each.lstrip().startswith("#")]
    assert [each for each in new.splitlines() if each.lstrip().startswith("#")] == comments


def test_a_gauge_pair_is_changed():
    new = edit_mounting(CLAWS, {"seat.opening_length_mm": {"drops_in": 7.5, "refuses": 7.75}})
    assert read(new).opening_length_mm.value_mm == pytest.approx(7.625)
    assert "# Oval gauge plates" in new


def test_a_new_key_goes_where_the_examples_have_it():
    new = edit_mounting(CLAWS, {"seat.claw_lean_deg": 3, "seat.irregularity_mm": "0,02"})
    lines = [line.split(" = ")[0] for line in new.splitlines()]
    assert lines[lines.index("claw_lean_deg") - 1].startswith("claw_length_mm")
    assert lines[lines.index("irregularity_mm") - 1] == "make"
    assert read(new).claw_lean_deg.value_deg == 3.0
    # Behind an entry of many lines, not within it.
    bare = edit_mounting(COLLET, {"seat.ledge_angle_deg": None})
    bare = bare.replace(
        "ledge_width_mm = { read = [0.52, 0.47, 0.50, 0.49], definition_mm = 0.03 }\n", ""
    )
    lines = edit_mounting(bare, {"seat.ledge_width_mm": 0.5}).splitlines()
    assert lines[lines.index("ledge_width_mm = 0.5") - 1] == "]"


def test_entries_and_tables_come_and_go():
    new = edit_mounting(
        CLAWS,
        {
            "allowances.gap_max_mm": 0.3,
            "instruments.loupe-scale": {"permissible_error_mm": 0.05, "source": "invented"},
            "seat.claw_width_mm": {"read": 1.1, "with": "loupe-scale"},
        },
    )
    found = read(new)
    assert found.allowances == {"gap_max_mm": 0.3}
    assert found.instruments["loupe-scale"].permissible_error_mm == 0.05
    assert new.startswith(text_of(CLAWS).split("claw_width_mm")[0])
    again = edit_mounting(
        new,
        {"seat.claw_width_mm": 1.1, "instruments.loupe-scale": None, "allowances": None},
    )
    assert read(again) == load_mounting(CLAWS)


def test_a_whole_table_is_replaced_entry_by_entry():
    seat = {**entries_of(COLLET)["seat"], "wall_thickness_mm": 0.5}
    del seat["wall_lean_deg"]
    gone, come = lines_apart(text_of(COLLET), edit_mounting(COLLET, {"seat": seat}))
    assert gone == ["wall_thickness_mm = 0.45", "wall_lean_deg = 5"]
    assert come == ["wall_thickness_mm = 0.5"]


def test_a_radius_is_removed():
    new = edit_mounting(COLLET, {"seat.opening_radii_mm[3]": None})
    assert len(read(new).opening_radii_mm) == 11
    gone, come = lines_apart(text_of(COLLET), new)
    assert (len(gone), come) == (1, [])


def test_lines_of_windows_and_a_byte_order_mark_stay(tmp_path):
    own = tmp_path / "m.toml"
    own.write_bytes(b"\xef\xbb\xbf" + text_of(CLAWS).replace("\n", "\r\n").encode())
    save_edits(own, {"seat.claw_width_mm": 1.2, "seat.claw_lean_deg": 2})
    content = own.read_bytes()
    assert content.startswith(b"\xef\xbb\xbf#")
    assert content.count(b"\n") == content.count(b"\r\n") == text_of(CLAWS).count("\n") + 1
    assert load_mounting(own).claw_lean_deg.value_deg == 2.0


def test_a_form_with_empty_fields_is_written():
    entries = entries_of(CLAWS)
    form = {**entries, "period": None, "story": "", "allowances": {},
            "seat": {**entries["seat"], "claw_lean_deg": None, "opening_radii_mm": []}}  # fmt: skip
    text = mounting_text(form)
    assert "period" not in text
    assert read(text).holds == "claws"


# Refusals


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"seat.ledge_width_mm": 5.0}, "seat.ledge_width_mm"),
        ({"seat.ledge_widht_mm": 0.5}, "seat.ledge_widht_mm"),
        ({"seat.opening_length_mm.read": [6, 5]}, "seat.opening_length_mm.read"),
        ({"allowances.gap_mni_mm": 0.1}, "allowances.gap_mni_mm"),
        ({"allowances.gap_min_mm": 9.0}, "allowances.gap_min_mm"),
        ({"seat": None}, "seat"),
        ({"name": ""}, "name"),
    ],
)
def test_what_the_reader_refuses_is_not_written(changes, key, tmp_path):
    own = tmp_path / "m.toml"
    own.write_bytes(COLLET.read_bytes())
    with pytest.raises(InputFaults) as error:
        save_edits(own, changes)
    assert any(fault.key.startswith(key) for fault in error.value.faults)
    assert own.read_bytes() == COLLET.read_bytes()
    assert list(tmp_path.iterdir()) == [own]


def test_all_faults_of_a_new_file_are_told_and_nothing_is_written(tmp_path):
    entries = {"name": "x", "seat": {"holds": "wall", "ledge_width_mm": -1, "wall_lean_deg": 99}}
    with pytest.raises(InputFaults) as error:
        write_mounting(entries, tmp_path / "m.toml")
    assert {"seat.ledge_width_mm", "seat.wall_lean_deg", "seat.state"} <= {
        fault.key for fault in error.value.faults
    }
    assert not list(tmp_path.iterdir())


def test_a_file_that_exists_is_kept(tmp_path):
    own = tmp_path / "m.toml"
    own.write_text("mine", encoding="utf-8")
    with pytest.raises(InputFaults, match="exists already"):
        write_mounting(entries_of(CLAWS), own)
    assert own.read_text(encoding="utf-8") == "mine"
    write_mounting(entries_of(CLAWS), own, overwrite=True)
    assert load_mounting(own) == load_mounting(CLAWS)


@pytest.mark.parametrize(
    "key", ["", "[0]", "seat..x", "seat.opening_radii_mm[99].read", "seat.opening_radii_mm[14]",
            "name.first.second", "seat.opening_radii_mm.read"],
)  # fmt: skip
def test_a_key_that_leads_nowhere_is_refused(key):
    with pytest.raises(FitsolverError, match=r"is no key|leads nowhere|cannot be"):
        edit_mounting(COLLET, {key: 1.0})


def test_a_value_without_a_form_is_refused():
    with pytest.raises(FitsolverError, match="cannot be written"):
        edit_mounting(COLLET, {"seat.ledge_width_mm": object()})


# The disk


def full_disk(*_: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def read_only(*_: object, **__: object) -> None:
    raise OSError(errno.EROFS, os.strerror(errno.EROFS))


@pytest.mark.parametrize(
    ("what", "failure", "said"),
    [("fsync", full_disk, "no space left"), ("replace", read_only, "read-only")],
)
def test_a_write_that_fails_leaves_the_old_file_whole(what, failure, said, tmp_path, monkeypatch):
    own = tmp_path / "m.toml"
    own.write_bytes(COLLET.read_bytes())
    monkeypatch.setattr(os, what, failure)
    with pytest.raises(InputFaults, match=said):
        save_edits(own, {"period": 1880})
    assert own.read_bytes() == COLLET.read_bytes()
    assert list(tmp_path.iterdir()) == [own]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
@pytest.mark.parametrize("size", ["as it is", "large"])
def test_a_full_device_leaves_the_old_file_whole(size, tmp_path, monkeypatch):
    """The temporary file is opened on /dev/full, where every byte written is one too many."""
    own = tmp_path / "m.toml"
    own.write_bytes(COLLET.read_bytes())
    truly = builtins.open

    def opened(file, mode="r", *rest, **options):
        if "x" in mode:
            truly(file, mode).close()
            return truly("/dev/full", mode.replace("x", "w"), *rest, **options)
        return truly(file, mode, *rest, **options)

    monkeypatch.setattr(builtins, "open", opened)
    story = "A long story. " * (1 if size == "as it is" else 20_000)
    with pytest.raises(InputFaults, match="no space left"):
        save_edits(own, {"story": story})
    monkeypatch.undo()
    assert own.read_bytes() == COLLET.read_bytes()
    assert list(tmp_path.iterdir()) == [own]


def test_a_folder_that_is_none_is_refused(tmp_path):
    with pytest.raises(InputFaults, match="cannot be written"):
        write_mounting(entries_of(CLAWS), tmp_path / "no" / "m.toml")


# TOML itself


def test_keys_are_split():
    assert path_of('instruments."my scale".source') == ("instruments", "my scale", "source")
    assert path_of("a[0][1]") == ("a", 0, 1)


@pytest.mark.parametrize(
    "value",
    [1, 6.5, "6,5", 'a "quoted" one\nand \\ more', True, [1.0, "2,0"], {"a b": 1, "c": {}},
     [{"at_deg": 0, "read": [1.5]}, {"at_deg": 90, "read": 2}], [], [[1, 2], [3]]],
)  # fmt: skip
def test_a_value_reads_back(value):
    assert tomllib.loads(f"x = {value_text(value)}")["x"] == value


def test_rows_of_a_table_with_headings_are_changed():
    """The form [[table]] of TOML 1.0.0, its own section on arrays of tables."""
    text = "[shop]\nname = 'x' # kept\n\n[[shop.row]]\na = 1 # one\n\n[[shop.row]]\na = 2\n"
    new = edited(text, {"shop.row[0].a": 3, "shop.row[2]": {"a": 4}}, name="x")
    assert tomllib.loads(new)["shop"]["row"] == [{"a": 3}, {"a": 2}, {"a": 4}]
    assert "a = 3 # one" in new
    assert "name = 'x' # kept" in new
    assert edited(new, {"shop.row[2]": None, "shop.row[0].a": 1}, name="x") == text
