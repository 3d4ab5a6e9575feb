"""The seat's form: the strict reader's faults beside their fields, files kept as they were."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path

import pytest
from served import EXAMPLES, READINGS, SEAT, SOUND, Visitor, with_examples

from fitsolver.page.seat_form import (
    CHOICES,
    NO_FIELD,
    complaints,
    data_of,
    fields_of,
    further,
    needed,
    sketched,
)
from fitsolver.page.seat_views import data_in, toml_of
from fitsolver.page.store import Page
from fitsolver.readings.mounting_key import KEYS
from fitsolver.seats.mounting import load_mounting


def text_of(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", page))


@pytest.mark.parametrize("path", SOUND.values(), ids=list(SOUND))
def test_an_example_comes_back_from_the_form_to_the_byte(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    data = data_in(Page(text=text, revision=""))
    again = data_of(fields_of(data), data)
    assert again == data
    assert toml_of(again, text) == text


@pytest.mark.parametrize("path", SOUND.values(), ids=list(SOUND))
def test_a_form_filled_from_an_example_makes_the_same_mounting(path: Path, tmp_path: Path) -> None:
    data = data_in(Page(text=path.read_text(encoding="utf-8"), revision=""))
    kept = {key: data[key] for key in ("instruments",) if key in data}
    # A trace has a page of its own; the form leaves it as it is.
    traced = {key: value for key, value in data["seat"].items() if key.startswith("opening_points")}
    kept["seat"] = traced
    for table in EXAMPLES.rglob("*.csv"):
        shutil.copy(table, tmp_path)
    made = data_of(fields_of(data), kept)
    new = tmp_path / "new.toml"
    new.write_text(toml_of(made, ""), encoding="utf-8")
    assert load_mounting(new) == load_mounting(path)


@pytest.mark.parametrize("typed", ["6.52 6.48", "6,52  6,48", "6.52\n6.48", "6,52; 6,48",
                                   "6.52, 6.48", "6.52 mm 6.48mm"])  # fmt: skip
def test_repeats_are_read_as_people_type_them(typed: str) -> None:
    data = data_of({**SEAT, "opening_length_mm": typed}, {})
    assert data["seat"]["opening_length_mm"] == [6.52, 6.48]


def test_repeats_may_stand_in_a_field_of_their_own() -> None:
    fields = {**SEAT, "opening_length_mm": "6,52", "opening_length_mm.again": "6,48 6,50"}
    assert data_of(fields, {})["seat"]["opening_length_mm"] == [6.52, 6.48, 6.5]


@pytest.mark.parametrize(
    ("fields", "entry"),
    [
        ({"w.way": "difference", "w.deep": "3,4", "w.shallow": "1.2 1.3"},
         {"deep": 3.4, "shallow": [1.2, 1.3]}),
        ({"w.way": "outside", "w.outside": "9", "w.metal": "0.6", "w.with": "caliper"},
         {"outside": 9.0, "metal": 0.6, "with": "caliper"}),
        ({"w.way": "tried", "w.drops_in": "5", "w.refuses": "5.5", "w.half_width_mm": "1"},
         {"drops_in": 5.0, "refuses": 5.5}),
        ({"w.unmeasured": "yes", "w": "3"}, "not measured"),
        ({"w": "3,5", "w.level": "rim", "w.definition_mm": "0,05"},
         {"read": 3.5, "level": "rim", "definition_mm": 0.05}),
        ({"w": ""}, None),
    ],
)  # fmt: skip
def test_every_way_of_reading_becomes_its_entry(fields: dict[str, str], entry: object) -> None:
    key = "opening_width_mm"
    typed = {name.replace("w", key, 1): text for name, text in fields.items()}
    data = data_of({**SEAT, **typed}, {})
    assert data["seat"].get(key) == entry
    assert data_of(fields_of(data), {})["seat"].get(key) == entry


def test_radii_are_lines_with_their_instrument() -> None:
    fields = {**SEAT, "opening_radii_mm": "0  4,10 photograph\n30° 4.2 4.3\n\n60: 3.9"}
    assert data_of(fields, {})["seat"]["opening_radii_mm"] == [
        {"at_deg": 0, "read": 4.1, "with": "photograph"},
        {"at_deg": 30, "read": [4.2, 4.3]},
        {"at_deg": 60, "read": 3.9},
    ]


def test_only_what_the_reader_misses_is_asked_first() -> None:
    assert needed(SEAT) == [
        "opening_length_mm", "opening_width_mm", "ledge_width_mm", "depth_below_ledge_mm",
    ]  # fmt: skip
    claws = {**SEAT, "holds": "claws", "state": "uncut", "opening_family": "round"}
    assert needed(claws) == [
        "opening_length_mm", "claw_directions_deg", "claw_thickness_mm", "depth_below_rim_mm",
    ]  # fmt: skip
    for holds in CHOICES["holds"]:
        for state in CHOICES["state"]:
            kind = {**SEAT, "holds": holds, "state": state}
            shown = {*needed(kind), *further(kind)}
            belong = {
                key for key, rules in KEYS.items()
                if rules.holds in (None, holds) and rules.state in (None, state)
            }  # fmt: skip
            assert shown == belong - set(NO_FIELD)


def test_what_was_typed_for_another_kind_leaves_the_file() -> None:
    data = data_of({**SEAT, **READINGS}, {})
    changed = data_of({**fields_of(data), "state": "uncut"}, data)
    assert "ledge_width_mm" not in changed["seat"]
    assert "opening_length_mm" in changed["seat"]


def test_the_faults_are_the_strict_readers_own_and_stand_beside_their_fields() -> None:
    data = data_of({**SEAT, **READINGS, "opening_width_mm": "0.24", "period": "99",
                    "allowances.gap_min_mm": "9"}, {})  # fmt: skip
    found = {each.key: each for each in complaints(data)}
    assert "looks like inches" in found["opening_width_mm"].rule
    assert "1000 to 2100" in found["period"].rule
    data["seat"]["opening_width_mm"] = 6.1
    data.pop("period")
    found = {each.key: each for each in complaints(data)}
    assert "-0.05 to 0.5" in found["allowances.gap_min_mm"].rule


def test_a_half_filled_form_is_drawn_without_what_is_wrong() -> None:
    data = data_of({**SEAT, "opening_length_mm": "8.1", "opening_width_mm": "6.1",
                    "ledge_width_mm": "wide"}, {})  # fmt: skip
    assert complaints(data)
    assert complaints(sketched(data)) == []
    assert complaints(sketched(data_of({**SEAT}, {})))


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path)


def test_from_an_empty_folder_to_a_file_that_the_command_line_reads(visitor: Visitor) -> None:
    assert "The folder is empty" in visitor.get("/").text
    slug = visitor.made()
    mounting = load_mounting(visitor.store.folder / f"{slug}.toml")
    assert mounting.name == SEAT["name"]
    assert mounting.opening_length_mm is not None
    assert mounting.opening_length_mm.repeats == 2
    assert "Saved." in visitor.get(f"/m/{slug}?saved=1").text


def test_a_name_is_needed(visitor: Visitor) -> None:
    answer = visitor.post("/new", {**SEAT, "name": " "})
    assert answer.status_code == 422
    assert visitor.store.slugs() == ()


def test_what_is_faulty_can_be_kept_and_is_told(visitor: Visitor) -> None:
    slug = visitor.made()
    assert visitor.save(slug, {**READINGS, "ledge_width_mm": "6;x"}).status_code == 303
    page = visitor.get(f"/m/{slug}?saved=1").text
    assert "One reading to look at again" in text_of(page)
    assert 'value="6 x"' in page
    assert "faults" in visitor.get(f"/m/{slug}/answer").text
    assert visitor.get(f"/m/{slug}/sheet").status_code == 422


def test_comments_stay_when_a_reading_changes(tmp_path: Path) -> None:
    visitor = Visitor(with_examples(tmp_path))
    slug = "old-cushion-collet"
    before = visitor.store.read(slug)
    fields = fields_of(data_in(before)) | {"wall_lean_deg": "6"}
    answer = visitor.post(f"/m/{slug}", {**fields, "revision": before.revision})
    assert answer.status_code == 303
    after = visitor.store.read(slug).text
    assert after == before.text.replace("wall_lean_deg = 5", "wall_lean_deg = 6")


def test_two_tabs_do_not_overwrite_each_other(visitor: Visitor) -> None:
    slug = visitor.made()
    seen = visitor.revision(slug)
    assert visitor.save(slug, {**READINGS, "ledge_width_mm": "0.50"}, seen).status_code == 303
    answer = visitor.save(slug, {**READINGS, "ledge_width_mm": "0.55"}, seen)
    assert answer.status_code == 409
    told = text_of(answer.text)
    assert "0.55" in told
    assert "0.5" in told
    assert "Ledge, width" in told
    assert "Opening, width" not in told
    mounting = load_mounting(visitor.store.folder / f"{slug}.toml")
    assert mounting.ledge_width_mm is not None
    assert mounting.ledge_width_mm.value_mm == 0.5
    # The page offers to save mine over it, with the revision that it showed.
    fields = dict(re.findall(r'name="([^"]+)" value="([^"]*)"', answer.text))
    assert visitor.client.post(f"/m/{slug}", data=fields).status_code == 303
    mounting = load_mounting(visitor.store.folder / f"{slug}.toml")
    assert mounting.ledge_width_mm is not None
    assert mounting.ledge_width_mm.value_mm == 0.55


def test_a_deleted_mounting_comes_back(visitor: Visitor) -> None:
    slug = visitor.made()
    before = visitor.store.read(slug)
    answer = visitor.post(f"/m/{slug}/delete", {})
    page = visitor.get(answer.headers["location"]).text
    assert f"{SEAT['name']} is deleted" in text_of(page)
    assert visitor.get(f"/m/{slug}").status_code == 404
    assert visitor.post("/undo", {}).status_code == 303
    assert visitor.store.read(slug) == before


def test_the_drawing_comes_with_the_faults_beside_their_fields(visitor: Visitor) -> None:
    slug = visitor.made()
    fields = {**SEAT, **READINGS, "ledge_width_mm": "7"}
    text = visitor.post(f"/m/{slug}/drawing", fields).text
    assert '<svg class="drawing"' in text
    assert (
        "must be 0.05 to 3 mm" in re.search(r'id="fault-ledge_width_mm".*?</p>', text, re.DOTALL)[0]
    )  # type: ignore[index]
    assert 'id="fault-gallery_depth_mm"' not in text
    assert 'hx-swap-oob="innerHTML:#said"' in text
    assert visitor.store.read(slug).text.count("7") == 0


def test_only_what_changes_beside_the_fields_is_sent_with_a_drawing(visitor: Visitor) -> None:
    slug = visitor.made()

    def told(text: str) -> str:
        return re.findall(r'<input type="hidden" name="told_beside" value="([^"]*)">', text)[0]

    def sent(text: str) -> list[str]:
        return re.findall(r'id="fault-([^"]+)"', text)

    fields = {**SEAT, **READINGS, "told_beside": told(visitor.get(f"/m/{slug}").text)}
    assert sent(visitor.post(f"/m/{slug}/drawing", fields).text) == []
    wide = {**fields, "ledge_width_mm": "7"}
    text = visitor.post(f"/m/{slug}/drawing", wide).text
    assert sent(text) == ["ledge_width_mm"]
    # It stands there now; the same fault is not sent again, another one is.
    wide["told_beside"] = told(text)
    assert sent(visitor.post(f"/m/{slug}/drawing", wide).text) == []
    wider = {**wide, "ledge_width_mm": "8"}
    assert sent(visitor.post(f"/m/{slug}/drawing", wider).text) == ["ledge_width_mm"]
    mended = visitor.post(f"/m/{slug}/drawing", {**fields, "told_beside": told(text)}).text
    assert re.findall(r'<p class="fault" id="fault-([^"]+)"[^>]*></p>', mended) == [
        "ledge_width_mm"
    ]
    assert told(mended) == fields["told_beside"]
    # Whoever does not say what stands there is sent every field's.
    del fields["told_beside"]
    text = visitor.post(f"/m/{slug}/drawing", fields).text
    assert {"ledge_width_mm", "opening_length_mm"} <= set(sent(text))


def test_what_nobody_measured_is_shown_as_assumed(visitor: Visitor) -> None:
    slug = visitor.made()
    text = visitor.get(f"/m/{slug}").text
    assert "wall thickness" in text
    assert "~ 0.60 ± 0.15 mm" in text
    assert 'class="s-metal assumed"' in text


def test_a_file_goes_out_as_it_is_and_comes_in_whole(tmp_path: Path) -> None:
    visitor = Visitor(with_examples(tmp_path))
    answer = visitor.get("/m/claw-ring/file")
    assert answer.text == (EXAMPLES / "claw-ring.toml").read_text(encoding="utf-8")
    assert "attachment" in answer.headers["content-disposition"]
    sent = {"file": ("../../claw.toml", answer.text)}
    token = {"token": visitor.token()}
    made = visitor.client.post("/bring", data=token, files=sent)
    slug = made.headers["location"].rpartition("/")[2]
    assert slug == "four-claw-oval-head-invented"
    assert visitor.store.read(slug).text == answer.text
    bad = visitor.client.post("/bring", data=token, files={"file": ("x.toml", "a = 1,5\n")})
    assert bad.status_code == 422
    assert "decimal comma" in text_of(bad.text)
    not_text = visitor.client.post(
        "/bring", data=token, files={"file": ("x.toml", b"\xff\xfe\x00")}
    )
    assert not_text.status_code == 400


def test_all_english_of_the_page_stands_in_one_place() -> None:
    import fitsolver.page

    folder = Path(fitsolver.page.__file__).parent / "templates"
    for path in folder.glob("*.html"):
        text = path.read_text(encoding="utf-8")
        text = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", "", text, flags=re.DOTALL)
        shown = re.sub(r"<[^>]*>", " ", text)
        words = set(re.findall(r"[A-Za-z]{2,}", shown)) - {"mm", "ct", "cm"}
        assert not words, f"{path.name} says {sorted(words)} by itself"
        for attribute in ("placeholder", "aria-label", "title", "alt"):
            assert not re.search(rf'{attribute}="[A-Za-z]', text), path.name


def test_claws_one_by_one_are_lines_of_words() -> None:
    fields = {**SEAT, "holds": "claws", "claws": "45 thickness 0,9 0.92 lean 5 corner\n135: pair"}
    made = data_of(fields, {})["seat"]["claws"]
    assert made == [
        {"at_deg": 45, "thickness_mm": [0.9, 0.92], "lean_deg": 5.0, "corner": True},
        {"at_deg": 135, "pair": True},
    ]
    again = fields_of({"seat": {**SEAT, "claws": made}})["claws"]
    assert data_of({**fields, "claws": again}, {})["seat"]["claws"] == made
    # What a line cannot hold stays as it was; what is no word is for the reader to refuse.
    before = {"seat": {"claws": [{"at_deg": 45, "width_mm": {"read": 1.0, "note": "worn"}}]}}
    kept = data_of({**fields, "claws": "45 width ... corner\n90 loose"}, before)["seat"]["claws"]
    assert kept[0] == {"at_deg": 45, "width_mm": {"read": 1.0, "note": "worn"}, "corner": True}
    assert {each.key for each in complaints({**SEAT, "seat": {"claws": kept}})} >= {"claws"}


def test_places_and_gaps_are_lines() -> None:
    fields = {**SEAT, "wall_leans_deg": "0 1\n90 6,5", "ledge_missing_deg": "155 200\n10 20",
              "flush": "yes"}  # fmt: skip
    seat = data_of(fields, {})["seat"]
    assert seat["wall_leans_deg"] == [
        {"at_deg": 0, "lean_deg": 1.0}, {"at_deg": 90, "lean_deg": 6.5},
    ]  # fmt: skip
    assert seat["ledge_missing_deg"] == [[155, 200], [10, 20]]
    assert seat["flush"] is True
