"""The guard at the door: who may ask, how much they may send, and what a browser may do with it.

Everything here is settled before a handler sees the request. A page on the bench computer answers
only to its own name; a page shared with a phone answers only to a browser that has shown a token.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Collection, Mapping
from http.cookies import CookieError, SimpleCookie
from time import monotonic, time
from urllib.parse import urlsplit

from anyio import fail_after
from msgspec import Struct, field
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'; object-src 'none'"
)
HEADERS: Mapping[str, str] = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), payment=(), usb=()",
}
# A form of readings takes some kilobytes; files are sent to few places.
FORM_BYTES = 200_000
FILE_BYTES = 2_000_000
LONGEST_ADDRESS = 4_000
SECONDS_TO_SEND = 20.0
SECONDS_TO_ANSWER = 60.0
METHODS = ("GET", "HEAD", "POST")
TOKEN_SECONDS = 600.0
"""How long an address for one more device is good."""
MOST_KNOWN = 2_000
TOKEN_FIELD = "token"
ENTRANCE = "/enter/"
DOOR = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>fitsolver</title>
<meta name="viewport" content="width=device-width, initial-scale=1"></head>
<body><h1>fitsolver</h1><p>This address lets one device in, once.</p>
<form method="post"><p><button>Open it here</button></p></form></body></html>
"""
"""What an address with a token shows; it has no style, since nothing else answers yet."""
_HOST = re.compile(r"([a-z0-9.-]+)(?::\d{1,5})?")


class Device(Struct, frozen=True, kw_only=True):
    """A browser that was let in: a name for it, what it says it is, and since when [s, epoch]."""

    name: str
    device: str
    since: float


class Keys(Struct, kw_only=True):
    """Secrets of one run: who was let in, and which tokens still open the door.

    `shared`: nothing answers without a token. Every token opens the door once. A browser that was
    let in is known by a random cookie; its forms carry a mark that only this run can make of it.
    """

    shared: bool
    cookie: str = "fitsolver"
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    tokens: dict[str, float] = field(default_factory=dict)
    known: dict[str, Device] = field(default_factory=dict)

    def new_token(self) -> str:
        """Return a token that opens the door once; older unused ones go stale."""
        self.tokens.clear()
        return self.another_token()

    def another_token(self) -> str:
        """Return one more token that opens the door once."""
        token = secrets.token_urlsafe(18)
        self.tokens[token] = monotonic() + TOKEN_SECONDS
        return token

    def admit(self, device: str = "") -> str:
        """Let a browser in, and return its cookie's value."""
        value = secrets.token_urlsafe(24)
        name = hashlib.sha256(value.encode()).hexdigest()[:12]
        # Whoever asks without cookies is let in anew each time: those who came first go.
        while len(self.known) >= MOST_KNOWN:
            self.known.pop(next(iter(self.known)), None)
        self.known[value] = Device(name=name, device=device, since=time())
        return value

    def put_out(self, name: str) -> bool:
        """Let a device that was let in ask no more; whether there was one of that name."""
        out = [value for value, device in list(self.known.items()) if device.name == name]
        for value in out:
            self.known.pop(value, None)
        return bool(out)

    def is_good(self, token: str) -> bool:
        """Whether a token would open the door now."""
        now = monotonic()
        return any(
            hmac.compare_digest(each.encode(), token.encode()) and now < end
            for each, end in list(self.tokens.items())
        )

    def spend(self, token: str) -> bool:
        """Use a token up; whether it was good."""
        good = self.is_good(token)
        self.tokens.pop(token, None)
        return good

    def mark(self, browser: str) -> str:
        """Return what the forms of a browser carry, to tell them from forged ones."""
        return hmac.new(self.secret, browser.encode(), hashlib.sha256).hexdigest()

    def is_marked(self, browser: str, mark: str) -> bool:
        """Whether a form was made for this browser in this run."""
        return hmac.compare_digest(self.mark(browser).encode(), mark.encode())


class Refused(Exception):
    """A request that goes no further."""

    def __init__(self, status: int, text: str) -> None:
        """Keep what to answer."""
        self.status = status
        self.text = text
        super().__init__(text)


class Guard:
    """ASGI middleware that checks every request before the page sees it.

    `hosts` are the names (without port) under which the page answers; `files` the ends of
    addresses that take a whole file.
    """

    def __init__(
        self, app: ASGIApp, *, keys: Keys, hosts: Collection[str], files: Collection[str]
    ) -> None:
        """Stand in front of an application."""
        self.app = app
        self.keys = keys
        self.hosts = frozenset(hosts)
        self.files = tuple(files)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request, hand it on, and put the headers on its answer."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = {
            name.decode("latin-1").lower(): value.decode("latin-1")
            for name, value in scope["headers"]
        }
        begun = False

        async def answered(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                given = {name.lower() for name, _ in message.get("headers", [])}
                more = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
                if b"cache-control" not in given:
                    more.append((b"cache-control", b"no-store"))
                message["headers"] = [*message.get("headers", []), *more]
            await send(message)

        try:
            browser = self._admitted(scope, headers)
            body = await self._body(scope, headers, receive)
            self._own_form(scope, headers)
        except Refused as no:
            await PlainTextResponse(no.text, no.status)(scope, receive, answered)
            return
        except _Door:
            await HTMLResponse(DOOR)(scope, receive, answered)
            return
        except _Entrance as door:
            await door.answer(scope, receive, answered)
            return
        fresh = browser is None
        browser = browser or self.keys.admit()
        scope["state"] = {**scope.get("state", {}), "browser": browser}
        read = False

        async def replay() -> Message:
            nonlocal read
            if read:
                return await receive()
            read = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def greeted(message: Message) -> None:
            if message["type"] == "http.response.start" and fresh:
                cookie = f"{self.keys.cookie}={browser}; Path=/; HttpOnly; SameSite=Strict"
                message["headers"] = [
                    *message.get("headers", []), (b"set-cookie", cookie.encode()),
                ]  # fmt: skip
            await answered(message)

        try:
            with fail_after(SECONDS_TO_ANSWER):
                await self.app(scope, replay, greeted)
        except TimeoutError:
            if not begun:
                await PlainTextResponse("This took too long.", 503)(scope, receive, answered)

    def _admitted(self, scope: Scope, headers: Mapping[str, str]) -> str | None:
        """Return the cookie of a browser that was let in before, None for a new one."""
        host = _HOST.fullmatch(headers.get("host", "").lower())
        if host is None or host[1] not in self.hosts:
            raise Refused(400, "This page does not answer to that name.")
        if scope["method"] not in METHODS:
            raise Refused(405, "Not a way to ask.")
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > LONGEST_ADDRESS:
            raise Refused(414, "The address is too long.")
        browser = self._cookie(headers)
        path = scope["path"]
        if path.startswith(ENTRANCE):
            token = path.removeprefix(ENTRANCE)
            if browser is None and scope["method"] != "POST":
                # A preview of the link asks for it too: only the button on it opens the door.
                if not self.keys.is_good(token):
                    raise Refused(404, "")
                raise _Door
            self._own_form(scope, headers)
            if browser is None and not self.keys.spend(token):
                raise Refused(404, "")
            device = headers.get("user-agent", "")[:120]
            raise _Entrance(self.keys.cookie, browser or self.keys.admit(device))
        if browser is None and self.keys.shared:
            raise Refused(404, "")
        return browser

    def _cookie(self, headers: Mapping[str, str]) -> str | None:
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return None
        morsel = jar.get(self.keys.cookie)
        return morsel.value if morsel is not None and morsel.value in self.keys.known else None

    def _own_form(self, scope: Scope, headers: Mapping[str, str]) -> None:
        """Refuse what another site makes a browser send; the mark in the form is checked later."""
        if scope["method"] != "POST":
            return
        origin = headers.get("origin")
        if origin is not None and _place(origin) != headers.get("host", ""):
            raise Refused(403, "That form is from another site.")
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise Refused(403, "That form is from another site.")

    async def _body(self, scope: Scope, headers: Mapping[str, str], receive: Receive) -> bytes:
        most = FILE_BYTES if scope["path"].endswith(self.files) else FORM_BYTES
        too_large = Refused(413, "That is too large to be readings.")
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit():
            raise Refused(400, "The length of the request is no number.")
        if int(length[:20]) > most:
            raise too_large
        parts: list[bytes] = []
        size = 0
        try:
            with fail_after(SECONDS_TO_SEND):
                while True:
                    message = await receive()
                    if message["type"] != "http.request":
                        raise Refused(400, "The request broke off.")
                    parts.append(message.get("body", b""))
                    size += len(parts[-1])
                    if size > most:
                        raise too_large
                    if not message.get("more_body", False):
                        return b"".join(parts)
        except TimeoutError as error:
            raise Refused(408, "The request came too slowly.") from error


def _place(origin: str) -> str | None:
    """Host and port of an origin; None if it is no address."""
    try:
        return urlsplit(origin).netloc
    except ValueError:  # "http://["
        return None


class _Door(Exception):
    """A browser that shows a good token, and has yet to press the button."""


class _Entrance(Exception):
    """A browser that showed a good token: it gets its cookie and goes to the first page."""

    def __init__(self, cookie: str, value: str) -> None:
        response: Response = RedirectResponse("/", 303)
        response.set_cookie(cookie, value, httponly=True, samesite="strict", path="/")
        self.answer = response
        super().__init__("entrance")
