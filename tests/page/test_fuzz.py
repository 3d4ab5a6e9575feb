"""Whatever is sent to whichever address: no crash, no hang, nothing written outside the folder."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from served import READINGS, SEAT, Visitor

from fitsolver.page.app import ROUTES
from fitsolver.page.seat_form import CHOICES, WAYS
from fitsolver.page.stone_views import COLUMNS
from fitsolver.readings.mounting_key import KEYS
from fitsolver.seats.allowance import TABLE

SLOWEST_S = 30.0
# Work of seconds that is tested elsewhere, with what a fuzz would add: nothing.
HEAVY = ("answer", "sheet", "card")

HOSTILE = (
    "../../etc/passwd", "..%2f..%2fetc", "/etc/passwd", "C:\\windows", "\x00", "\u202e", "🜚" * 20,
    "{{7*7}}", "<script>alert(1)</script>", "' OR 1=1 --", "NaN", "inf", "-0", "1e999", "1e-999",
    "0x10", "१२", "6,5", "6.5.5", "1,234,567", '0.31"', "not measured", "[1,2]", "= 1+1", "\n",
    "9" * 400, "a" * 5000, "=" * 50, '"""', "'''\n[x]\n", "\\", "\ud7ff", "true", "{", "]]",
)  # fmt: skip
TEXTS = st.one_of(
    st.sampled_from(HOSTILE),
    st.text(max_size=60),
    st.floats().map(str),
    st.integers().map(str),
    st.decimals(allow_nan=False, allow_infinity=False, places=2, min_value=-50, max_value=50).map(
        lambda value: str(value).replace(".", ",")
    ),
)
FIELDS = (
    "name", "story", "period", "revision", "file", "file.filename", "row", *CHOICES, *KEYS,
    *COLUMNS, *(f"allowances.{name}" for name in list(TABLE)[:4]), "opening_points_mm",
    *(f"{key}.{part}" for key in ("opening_width_mm", "ledge_width_mm")
      for part in ("way", "again", "with", "level", "note", "half_width_mm", "definition_mm",
                   *(each for parts in WAYS.values() for each in parts))),
    "ranking.fill", "budget.total", "budget.currency", "budget.costs.0.amount",
    "budget.costs.7.name", "budget.brackets.0.from_ct", "budget.brackets.3.low",
    "budget.brackets.3.quoted_on", "ledge_width_mm.unmeasured",
    "kept:opening_length_mm", "make", "kept", "saved", "deleted", "restored", "paper",
)  # fmt: skip
SOUND = {**SEAT, **READINGS}
FORMS = st.dictionaries(
    st.one_of(st.sampled_from(FIELDS), st.text(max_size=12)), TEXTS, max_size=12
)
LIGHT = [
    (path, method) for path, _, methods in ROUTES for method in methods
    if path.rpartition("/")[2] not in HEAVY and "{cut}" not in path
]  # fmt: skip
LENIENT = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
BOUNDED = settings(max_examples=40, deadline=None, suppress_health_check=LENIENT)
AT_LENGTH = settings(max_examples=600, deadline=None, suppress_health_check=LENIENT)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Visitor, Path, str, str]]:
    root = tmp_path_factory.mktemp("root")
    (root / "outside.toml").write_text("secret = 1\n")
    visitor = Visitor(root / "in")
    with visitor:
        yield visitor, root, visitor.made(), visitor.token()


def ask(place: Any, path: str, method: str, fields: dict[str, str], slug: str) -> Any:
    visitor, root, sound, token = place
    if sound not in visitor.store.slugs():  # deleted, perhaps
        visitor.store.undo() or visitor.made()
    address = path.replace("{slug}", quote(slug, safe="")).replace("{name}", quote(slug, safe=""))
    begun = time.monotonic()
    if method == "POST":
        data = {**fields, "token": token}
        answer = visitor.client.post(address, data=data)
    else:
        answer = visitor.client.get(address, params=fields)
    assert time.monotonic() - begun < SLOWEST_S
    assert answer.status_code < 500, (address, fields, answer.text[:300])
    assert "<script>alert" not in answer.text
    assert "secret" not in answer.text
    outside = [each for each in root.iterdir() if each.name not in ("in", "outside.toml")]
    assert not outside
    assert (root / "outside.toml").read_text() == "secret = 1\n"
    kinds = {each.suffix for each in visitor.store.folder.iterdir() if each.is_file()}
    assert kinds <= {".toml", ".csv"}
    return answer


@BOUNDED
@given(data=st.data())
def test_nothing_that_is_sent_breaks_the_page(place: Any, data: st.DataObject) -> None:
    path, method = data.draw(st.sampled_from(LIGHT))
    fields = data.draw(FORMS)
    if data.draw(st.booleans()):
        fields = {**SOUND, **fields}
    slug = place[2] if data.draw(st.integers(0, 3)) else data.draw(TEXTS)
    fields = {name.encode("utf-8", "ignore").decode(): text.encode("utf-8", "ignore").decode()
              for name, text in fields.items()}  # fmt: skip
    ask(place, path, method, fields, slug.encode("utf-8", "ignore").decode() or "x")


BODIES = given(body=st.binary(max_size=300), kind=st.sampled_from([
    "application/x-www-form-urlencoded", "multipart/form-data", "multipart/form-data; boundary=x",
    "application/json", "text/plain", "", "multipart/form-data; boundary=" + "y" * 300,
]), path=st.sampled_from([path for path, method in LIGHT if method == "POST"]))  # fmt: skip


@BOUNDED
@BODIES
def test_bodies_of_the_wrong_kind_are_refused(
    place: Any, body: bytes, kind: str, path: str
) -> None:
    refused(place, body, kind, path)


@pytest.mark.slow
@AT_LENGTH
@BODIES
def test_bodies_of_the_wrong_kind_are_refused_at_length(
    place: Any, body: bytes, kind: str, path: str
) -> None:
    refused(place, body, kind, path)


def refused(place: Any, body: bytes, kind: str, path: str) -> None:
    visitor, _, slug, _ = place
    address = path.replace("{slug}", slug)
    answer = visitor.client.post(address, content=body, headers={"content-type": kind})
    assert answer.status_code in (400, 403)


@BOUNDED
@given(text=st.one_of(TEXTS, st.text(max_size=400)))
def test_any_file_brought_in_is_kept_or_refused_whole(place: Any, text: str) -> None:
    brought(place, text)


@pytest.mark.slow
@AT_LENGTH
@given(text=st.one_of(TEXTS, st.text(max_size=400)))
def test_any_file_brought_in_is_kept_or_refused_whole_at_length(place: Any, text: str) -> None:
    brought(place, text)


def brought(place: Any, text: str) -> None:
    visitor, _, slug, token = place
    text = text.encode("utf-8", "ignore").decode()
    for path, name in (("/bring", "x.toml"), (f"/m/{slug}/stones/bring", "x.csv")):
        if slug not in visitor.store.slugs():
            visitor.store.undo()
        sent = {"file": (name, text.encode())}
        revision = visitor.store.candidates(slug).revision
        data = {"token": token, "revision": revision}
        answer = visitor.client.post(path, data=data, files=sent)
        assert answer.status_code in (303, 400, 409, 422)
        if answer.status_code == 303:
            assert visitor.client.get(answer.headers["location"]).status_code == 200
            if path == "/bring":
                visitor.store.delete(answer.headers["location"].rpartition("/")[2])


@pytest.mark.parametrize("host", ["", "evil", "testserver:x", "testserver@evil", "[::1]:80", "\t"])
@pytest.mark.parametrize("path", ["/", "/m/x", "/static/page.css", "/enter/x", "/undo"])
def test_other_names_get_nothing(place: Any, host: str, path: str) -> None:
    answer = place[0].client.get(path, headers={"host": host})
    assert answer.status_code in (400, 404)
    assert "fitsolver" not in answer.text


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/%2e%2e%2fapp.py", "/static/..%5capp.py", "/static//etc/passwd",
     "/static/page.css/..", "/m/..%2foutside", "/m/%2e%2e", "/m/..%2foutside/file",
     "/m/outside.toml/file", "//etc/passwd", "/m/%00", "/m/%ff%fe", "/%2e%2e/%2e%2e/etc/passwd"],
)  # fmt: skip
def test_paths_lead_nowhere(place: Any, path: str) -> None:
    answer = place[0].client.get(path)
    assert answer.status_code in (400, 404, 307)
    assert "secret" not in answer.text
    assert "root:" not in answer.text


def test_thousands_of_radii_and_points_are_answered_in_time(place: Any) -> None:
    slug = place[2]
    radii = "\n".join(f"{k * 360 / 5000:.3f} 4.{k % 10}" for k in range(5000))
    for path in ("/m/{slug}/drawing", "/m/{slug}/preview", "/m/{slug}"):
        fields = {**SOUND, "opening_radii_mm": radii, "revision": ""}
        answer = ask(place, path, "POST", fields, slug)
        assert answer.status_code in (200, 409, 413, 422)
    claws = {**SOUND, "holds": "claws", "claw_directions_deg": " ".join(map(str, range(3000)))}
    assert ask(place, "/m/{slug}/drawing", "POST", claws, slug).status_code == 200
    repeats = {**SOUND, "opening_length_mm": "8.1 " * 3000}
    assert ask(place, "/m/{slug}/drawing", "POST", repeats, slug).status_code == 200


@pytest.mark.slow
@settings(
    max_examples=3000,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_nothing_that_is_sent_breaks_the_page_at_length(place: Any, data: st.DataObject) -> None:
    path, method = data.draw(st.sampled_from(LIGHT))
    fields = {**(SOUND if data.draw(st.booleans()) else {}), **data.draw(FORMS)}
    fields = {name.encode("utf-8", "ignore").decode(): text.encode("utf-8", "ignore").decode()
              for name, text in fields.items()}  # fmt: skip
    ask(place, path, method, fields, place[2])
