"""What is kept is kept whole: lists and mountings as people and other programs write them.

Each text here was once cut, garbled or replaced by a save that said it was kept.
"""

from __future__ import annotations

import csv
import io
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from served import READINGS, SOUND, Visitor

from fitsolver.market.candidate import read_candidates
from fitsolver.page.stone_list import UnreadableList, stone_list
from fitsolver.page.store import EARLIER, MOST_EARLIER, Page, Store

STONE = {
    "cut": "oval-brilliant", "material": "sapphire", "length_mm": "8,0", "width_mm": "6.0",
    "depth_mm": "3,9", "stone": "New",
}  # fmt: skip
HEAD = "stone,cut,length_mm,width_mm,depth_mm"
ROWS = [f"Stone {number},oval-brilliant,7.{number:02d},6.0,3.9" for number in range(1, 40)]


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path)


def put(visitor: Visitor, slug: str, content: bytes) -> Path:
    path = visitor.store.folder / f"{slug}.csv"
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_list_with_any_line_ends_keeps_every_byte_it_had(visitor: Visitor, end: str) -> None:
    slug = visitor.made()
    header = HEAD + ",material"
    before = end.join([header, *(f"{row},ruby" for row in ROWS)]).encode()
    path = put(visitor, slug, before)
    assert visitor.post(f"/m/{slug}/keep", STONE).status_code == 303
    after = path.read_bytes()
    assert after.startswith(before)
    assert len(read_candidates(path).rows) == len(ROWS) + 1


@pytest.mark.parametrize(
    "broken",
    [
        # An open quotation mark before more letters than a cell may have.
        HEAD + "\n" + ROWS[0] + '\n"' + "x" * 140_000 + "\n",
        # One that would swallow the line that is added.
        HEAD + ",material\n" + ROWS[0] + ",ruby\n" + '"Stone,oval-brilliant,8,6,3.9,ruby\n',
        "\n\n" + HEAD + "\n",
    ],
)
def test_a_list_that_cannot_be_read_whole_is_left_alone(visitor: Visitor, broken: str) -> None:
    slug = visitor.made()
    path = put(visitor, slug, broken.encode())
    answer = visitor.post(f"/m/{slug}/keep", STONE)
    assert answer.status_code == 422
    assert path.read_bytes() == broken.encode()
    assert visitor.get(f"/m/{slug}/stones").status_code == 200


@pytest.mark.parametrize("size", [1_000_000, 1_000_001, 2_000_000, 2_000_001])
def test_a_long_list_is_kept_whole_or_refused(visitor: Visitor, size: int) -> None:
    slug = visitor.made()
    head = HEAD + ",material,seen\n"
    row = "A,oval-brilliant,8,6,3.9,ruby,"
    content = (head + row + "x" * 100_000 + "\n").encode()
    while len(content) + 100_100 < size:
        content += (row + "x" * 100_000 + "\n").encode()
    content += (row + "x" * (size - len(content) - len(row) - 1) + "\n").encode()
    assert len(content) == size
    path = put(visitor, slug, content)
    answer = visitor.post(f"/m/{slug}/keep", STONE)
    assert answer.status_code in (303, 422)
    assert path.read_bytes().startswith(content)
    assert answer.status_code == (303 if size < 2_000_000 else 422)


@pytest.mark.parametrize("codec", ["cp1252", "utf-16", "utf-8-sig"])
def test_letters_of_other_encodings_stay_and_the_encoding_is_said(
    visitor: Visitor, codec: str
) -> None:
    slug = visitor.made()
    text = f"{HEAD},material\nGrün – für Ä,oval-brilliant,8,6,3.9,ruby\n"
    path = put(visitor, slug, text.encode(codec))
    answer = visitor.post(f"/m/{slug}/keep", STONE)
    assert answer.status_code == 303
    assert path.read_bytes().decode("utf-8-sig").startswith(text)
    shown = visitor.get(answer.headers["location"]).text
    name = {"cp1252": "Windows-1252", "utf-16": "UTF-16"}.get(codec)
    assert (f"was in {name}" in shown) if name else ("was in" not in shown)
    assert "Grün" in visitor.get(f"/m/{slug}/stones/list").text
    kept = list((visitor.store.folder / EARLIER / path.name).iterdir())
    assert [each.read_bytes() for each in kept] == [text.encode(codec)]


@pytest.mark.parametrize("codec", ["cp1252", "utf-16", "utf-8-sig"])
def test_a_mounting_in_another_encoding_keeps_its_letters(visitor: Visitor, codec: str) -> None:
    slug = visitor.made()
    path = visitor.store.folder / f"{slug}.toml"
    text = "# für Mütter\n" + path.read_text(encoding="utf-8")
    path.write_bytes(text.encode(codec))
    assert visitor.save(slug, READINGS | {"story": "Größe"}).status_code == 303
    after = path.read_bytes().decode("utf-8-sig")
    assert "# für Mütter" in after
    assert "Größe" in after


def test_a_mounting_that_is_no_toml_is_not_written_over(visitor: Visitor) -> None:
    slug = visitor.made()
    path = visitor.store.folder / f"{slug}.toml"
    path.write_text("name = 'Ring\nstory = 1\n")
    for answer in (visitor.get(f"/m/{slug}"), visitor.save(slug, READINGS)):
        assert answer.status_code == 422
        assert "nothing is written over it" in answer.text
    assert path.read_text() == "name = 'Ring\nstory = 1\n"


def test_a_linked_list_is_not_written_through(visitor: Visitor, tmp_path: Path) -> None:
    slug = visitor.made()
    outside = tmp_path / "elsewhere.txt"
    outside.write_text("mine\n")
    (visitor.store.folder / f"{slug}.csv").symlink_to(outside)
    for path in ("keep", "stones/bring"):
        answer = visitor.post(f"/m/{slug}/{path}", {**STONE, "file": "cut\n", "revision": ""})
        assert answer.status_code == 422
    assert outside.read_text() == "mine\n"
    assert "is a link" in visitor.get(f"/m/{slug}/stones").text


def test_keeps_that_come_at_once_are_all_kept(visitor: Visitor) -> None:
    slug = visitor.made()
    token = visitor.token()

    def keep(number: int) -> int:
        fields = {"token": token, **STONE, "stone": f"S{number}"}
        return int(visitor.client.post(f"/m/{slug}/keep", data=fields).status_code)

    with ThreadPoolExecutor(16) as several:
        assert set(several.map(keep, range(16))) == {303}
    rows = list(csv.reader(io.StringIO(visitor.store.candidates(slug).text), delimiter=";"))
    assert sorted(row[0] for row in rows[1:]) == sorted(f"S{number}" for number in range(16))


def test_plain_words_over_columns_get_no_second_column(visitor: Visitor) -> None:
    slug = visitor.made()
    path = put(
        visitor, slug, b"Name,Cut,Length,Width,Depth,Material\nA,oval-brilliant,8,6,3.9,ruby\n"
    )
    assert visitor.post(f"/m/{slug}/keep", STONE).status_code == 303
    table = read_candidates(path)
    assert [each.name for each in table.candidates] == ["A", "New"]


def test_the_right_stone_goes_where_lines_are_blank(visitor: Visitor) -> None:
    slug = visitor.made()
    text = f"{HEAD},material\n,,,,,\n{ROWS[0]},ruby\n\n{ROWS[1]},ruby\n{ROWS[2]},ruby\n"
    put(visitor, slug, text.encode())
    gone = {"row": "2", "revision": visitor.store.candidates(slug).revision}
    assert visitor.post(f"/m/{slug}/remove", gone).status_code == 303
    assert visitor.store.candidates(slug).text == text.replace(f"{ROWS[1]},ruby\n", "")


@pytest.mark.parametrize("length", [2_000, 2_001, 150_000])
def test_a_story_is_kept_whole(visitor: Visitor, length: int) -> None:
    slug = visitor.made()
    assert visitor.save(slug, READINGS | {"story": "x" * length}).status_code == 303
    assert "x" * length in visitor.store.read(slug).text


@pytest.mark.parametrize("count", [50, 51, 200])
def test_repeats_are_kept_whole(visitor: Visitor, count: int) -> None:
    slug = visitor.made()
    typed = " ".join(f"0,4{number % 10}" for number in range(count))
    assert visitor.save(slug, READINGS | {"ledge_width_mm": typed}).status_code == 303
    assert visitor.store.read(slug).text.count("0.4") >= count


def test_earlier_versions_are_kept_dated_and_not_for_ever(tmp_path: Path) -> None:
    store = Store(tmp_path)
    slug = store.create("ring", "n = 0\n")
    page = store.read(slug)
    for number in range(1, 15):
        page = store.save(slug, f"n = {number}\n", page.revision)
    kept = sorted((tmp_path / EARLIER / f"{slug}.toml").iterdir())
    assert len(kept) == MOST_EARLIER
    assert kept[-1].read_text() == "n = 13\n"
    assert store.read(slug).text == "n = 14\n"


def test_the_last_deleted_comes_back_when_the_clock_was_set_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(tmp_path)
    for name, clock in (("first", 2_000), ("second", 1_000)):
        slug = store.create(name, "a = 1\n")
        monkeypatch.setattr("time.time_ns", lambda clock=clock: clock)
        store.delete(slug)
    assert store.undo() == "second"


@pytest.mark.skipif(os.name != "posix", reason="pipes and names in bytes are of POSIX")
def test_what_is_no_mounting_is_told_and_the_rest_is_shown(visitor: Visitor) -> None:
    slug = visitor.made()
    os.mkfifo(visitor.store.folder / "pipe.toml")
    (visitor.store.folder / "folder.toml").mkdir()
    os.close(os.open(os.fsencode(visitor.store.folder) + b"/gr\xfcn.toml", os.O_CREAT))
    os.mkfifo(visitor.store.folder / f"{slug}.csv")
    home = visitor.get("/")
    assert home.status_code == 200
    assert "is no file on a disk" in home.text
    assert "is a folder" in home.text
    assert "not in UTF-8" in home.text
    assert f"/m/{slug}" in home.text
    assert visitor.get("/m/pipe").status_code == 404
    assert "is no file on a disk" in visitor.get(f"/m/{slug}/stones").text


def test_a_folder_that_is_moved_away_is_told(visitor: Visitor, tmp_path: Path) -> None:
    slug = visitor.made()
    visitor.store.folder.rename(tmp_path.parent / f"{tmp_path.name}-moved")
    for path in ("/", f"/m/{slug}", f"/m/{slug}/stones"):
        answer = visitor.get(path)
        assert answer.status_code == 422
        assert "cannot be read" in answer.text


CELLS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8)


@settings(max_examples=150, deadline=None)
@given(
    text=st.one_of(st.text(st.sampled_from(',;"\r\n ab'), max_size=40), st.lists(
        st.lists(CELLS, min_size=1, max_size=3), max_size=4
    ).map(lambda rows: "\n".join(",".join(row) for row in rows))),
    cells=st.lists(CELLS, min_size=2, max_size=2),
)  # fmt: skip
def test_law_a_stone_added_and_taken_out_leaves_all_others(text: str, cells: list[str]) -> None:
    try:
        listed = stone_list(text)
        longer = listed.with_stone(
            dict(zip(("stone", "cut"), cells, strict=True)), ("stone", "cut")
        )
    except UnreadableList:
        return
    back = stone_list(longer)
    assert back.rows[: len(listed.rows)] == tuple(
        (*row, *[""] * (len(back.header) - len(row))) if back.header != listed.header else row
        for row in listed.rows
    )
    if len(back.rows) > len(listed.rows) and back.header == listed.header:
        again = stone_list(back.without(len(back.rows)))
        assert again.rows == listed.rows


def test_five_thousand_mountings_are_listed_some_at_a_time_and_found(tmp_path: Path) -> None:
    text = SOUND["claw-ring"].read_text(encoding="utf-8")
    for number in range(5_000):
        named = text.replace('name = "', f'name = "N{number}x ', 1)
        (tmp_path / f"ring-{number:04d}.toml").write_text(named, encoding="utf-8")
    visitor = Visitor(tmp_path)
    cold = visitor.get("/")
    assert "1 to 50 of 5000" in cold.text
    opened = count_reads(visitor)
    assert visitor.get("/").text.count('<li class="card">') == 50
    assert opened == []  # nothing is opened twice that stays as it is
    found = visitor.get("/", params={"find": "n4321X"}).text
    assert found.count('<li class="card">') == 1
    assert 'href="/m/ring-4321"' in found
    opened.clear()
    assert "1 to 50 of 5000" in visitor.get("/", params={"find": "x"}).text
    assert len(opened) <= 50
    (tmp_path / "ring-0007.toml").write_text('name = "Changed"\n', encoding="utf-8")
    assert "Changed" in visitor.get("/").text


def count_reads(visitor: Visitor) -> list[str]:
    """Have every mounting that is opened from now on noted."""
    opened: list[str] = []
    read = visitor.store.read

    def noted(slug: str) -> Page:
        opened.append(slug)
        return read(slug)

    visitor.store.read = noted  # type: ignore[method-assign]
    return opened
