"""Who may ask, how much they may send, and what a browser may do with the answer."""

from __future__ import annotations

import socket
from pathlib import Path
from threading import Thread
from urllib.request import urlopen

import pytest
from served import Visitor, behind_a_port

from fitsolver.page import guard, server
from fitsolver.page.guard import FILE_BYTES, FORM_BYTES, Keys
from fitsolver.page.server import LOCAL, listener


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    return Visitor(tmp_path)


@pytest.mark.parametrize(
    "host",
    ["evil.example", "", "testserver.evil.example", "169.254.169.254", "[::1", "a@testserver"],
)
def test_only_its_own_names_are_answered(visitor: Visitor, host: str) -> None:
    # DNS rebinding: another site's name that points to this computer.
    answer = visitor.get("/", headers={"host": host})
    assert answer.status_code == 400
    assert "Mountings" not in answer.text


def test_every_answer_carries_a_strict_policy(visitor: Visitor) -> None:
    for path in ("/", "/static/page.css", "/nothing", "/m/none"):
        headers = visitor.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert "*" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"


def test_no_page_has_inline_scripts_or_styles_or_foreign_addresses(visitor: Visitor) -> None:
    slug = visitor.made()
    for path in ("/", "/new", "/weigh", f"/m/{slug}", f"/m/{slug}/stones", "/nothing"):
        text = visitor.get(path).text
        assert " style=" not in text
        assert "<style" not in text
        assert " on" + "click" not in text
        assert "hx-on" not in text
        assert text.count("<script") == text.count('<script src="/static/')
        foreign = text.replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in foreign
        assert "https://" not in foreign


def test_a_form_without_its_mark_is_refused(visitor: Visitor) -> None:
    slug = visitor.made()
    before = visitor.store.read(slug)
    for fields in ({}, {"token": ""}, {"token": "0" * 64}, {"token": "é"}):
        for path in (f"/m/{slug}", f"/m/{slug}/delete", "/new", "/undo", "/bring", "/share"):
            assert visitor.client.post(path, data=fields).status_code == 403
    assert visitor.store.read(slug) == before


def test_the_mark_of_one_browser_does_not_serve_another(tmp_path: Path) -> None:
    visitor = Visitor(tmp_path)
    token = visitor.token()
    visitor.client.cookies.clear()
    assert visitor.client.post("/undo", data={"token": token}).status_code == 403


def test_forms_from_other_sites_are_refused(visitor: Visitor) -> None:
    for headers in (
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ):
        assert visitor.post("/undo", {}, headers=headers).status_code == 403
    assert visitor.post("/undo", {}, headers={"origin": "http://testserver"}).status_code == 404


@pytest.mark.parametrize("origin", ["http://[", "null", "//", "http://testserver:99999x"])
def test_an_origin_that_is_no_address_is_refused(visitor: Visitor, origin: str) -> None:
    assert visitor.post("/undo", {}, headers={"origin": origin}).status_code == 403


def test_bodies_and_addresses_have_an_end(visitor: Visitor) -> None:
    token = visitor.token()
    large = visitor.client.post("/new", data={"token": token, "name": "x" * (FORM_BYTES + 1)})
    assert large.status_code == 413
    more = visitor.client.post("/bring", content=b"x" * (FILE_BYTES + 1))
    assert more.status_code == 413
    assert visitor.get("/?" + "x" * 9000).status_code == 414
    many = visitor.client.post("/new", data={f"f{k}": "1" for k in range(2000)})
    assert many.status_code == 400

    def endless() -> object:
        for _ in range(1000):
            yield b"x" * 10_000

    assert visitor.client.post("/new", content=endless()).status_code == 413


def test_a_slow_sender_is_sent_away(visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    import anyio

    monkeypatch.setattr(guard, "SECONDS_TO_SEND", 0.05)
    sent: list[dict[str, object]] = []

    async def never() -> dict[str, object]:
        await anyio.sleep(30)
        return {}

    async def send(message: dict[str, object]) -> None:
        sent.append(message)

    scope = {
        "type": "http", "method": "POST", "path": "/new", "raw_path": b"/new", "query_string": b"",
        "headers": [(b"host", b"testserver")],
    }  # fmt: skip
    # A thread of its own: a browser of other tests may have a loop in this one.
    asking = Thread(target=anyio.run, args=(visitor.app, scope, never, send))
    asking.start()
    asking.join(10)
    assert sent[0]["status"] == 408


def test_other_ways_to_ask_are_refused(visitor: Visitor) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert visitor.client.request(method, "/").status_code == 405
    assert visitor.get("/undo").status_code == 405


def test_a_shared_page_answers_nothing_without_its_token(tmp_path: Path) -> None:
    visitor = Visitor(tmp_path, shared=True)
    token = visitor.keys.new_token()
    for path in ("/", "/static/page.css", "/share", "/m/x", "/enter/", "/enter/wrong"):
        answer = visitor.get(path)
        assert answer.status_code == 404
        assert answer.text == ""
    for way in ("GET", "HEAD", "GET"):  # a preview of the link spends nothing
        looked = visitor.client.request(way, f"/enter/{token}")
        assert looked.status_code == 200
        assert "set-cookie" not in looked.headers
    entered = visitor.client.post(f"/enter/{token}")
    assert entered.status_code == 303
    cookie = entered.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert visitor.get("/").status_code == 200
    # The token is spent: a second device needs another.
    visitor.client.cookies.clear()
    assert visitor.get(f"/enter/{token}").status_code == 404
    assert visitor.client.post(f"/enter/{token}").status_code == 404
    assert visitor.get("/").status_code == 404


def test_the_shared_page_makes_an_address_for_one_more_device(tmp_path: Path) -> None:
    visitor = Visitor(tmp_path, shared=True)
    visitor.client.post(f"/enter/{visitor.keys.new_token()}")
    text = visitor.get("/share").text
    address = text.partition('class="address" href="')[2].partition('"')[0]
    assert "<svg" in text
    visitor.client.cookies.clear()
    assert visitor.client.post(address.removeprefix("http://testserver")).status_code == 303


def test_an_address_for_a_device_expires_and_a_device_can_be_put_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    visitor = Visitor(tmp_path, shared=True)
    old = visitor.keys.new_token()
    visitor.client.post(f"/enter/{visitor.keys.another_token()}", headers={"user-agent": "here"})
    phone = visitor.keys.admit("a phone")
    shown = visitor.get("/share").text
    assert "a phone" in shown
    assert ": here" not in shown
    name = visitor.keys.known[phone].name
    assert visitor.post("/share", {"out": name}).status_code == 303
    assert phone not in visitor.keys.known
    clock = guard.monotonic() + guard.TOKEN_SECONDS
    monkeypatch.setattr(guard, "monotonic", lambda: clock)
    assert not visitor.keys.is_good(old)
    assert not visitor.keys.spend(old)


def test_a_token_is_good_once_and_tokens_differ() -> None:
    keys = Keys(shared=True)
    first, second = keys.another_token(), keys.another_token()
    assert first != second
    assert keys.spend(first)
    assert not keys.spend(first)
    assert keys.spend(second)
    assert not keys.spend("")


def test_a_port_in_use_leaves_the_next_free_one() -> None:
    first = listener(LOCAL, None)
    second = listener(LOCAL, None)
    try:
        assert first.getsockname()[1] != second.getsockname()[1]
        assert {first.getsockname()[0], second.getsockname()[0]} == {LOCAL}
    finally:
        first.close()
        second.close()


def test_silent_connections_shut_nobody_out_and_are_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "HEADER_SECONDS", 3.0)
    with behind_a_port(tmp_path) as address:
        place = (LOCAL, int(address.rpartition(":")[2]))
        silent = [socket.create_connection(place, timeout=10) for _ in range(100)]
        try:
            silent[0].sendall(b"GET / HTTP/1.1\r\n")  # begun, and never ended
            with urlopen(address, timeout=10) as answer:
                assert answer.status == 200
            assert {each.recv(1) for each in silent} == {b""}
        finally:
            for each in silent:
                each.close()
