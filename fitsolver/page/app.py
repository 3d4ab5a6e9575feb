"""The addresses of the page, and what answers at each."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from fitsolver.errors import FitsolverError
from fitsolver.page import (
    answer_views,
    range_views,
    seat_views,
    share_views,
    stone_views,
    trace_views,
)
from fitsolver.page.guard import Guard, Keys
from fitsolver.page.helper import Helper
from fitsolver.page.site import Asked, Site, View, Wrong
from fitsolver.page.store import Missing, Store

READ, WRITE = ("GET",), ("POST",)
BOTH = ("GET", "POST")
ROUTES: tuple[tuple[str, View, tuple[str, ...]], ...] = (
    ("/", seat_views.mountings, READ),
    ("/new", seat_views.new, BOTH),
    ("/bring", seat_views.bring, WRITE),
    ("/undo", seat_views.undo, WRITE),
    ("/weigh", stone_views.weigh_one, READ),
    ("/share", share_views.share, BOTH),
    ("/m/{slug}", seat_views.seat, BOTH),
    ("/m/{slug}/preview", seat_views.preview, WRITE),
    ("/m/{slug}/readings", seat_views.readings, WRITE),
    ("/m/{slug}/drawing", seat_views.drawing, WRITE),
    ("/m/{slug}/trace", trace_views.trace, BOTH),
    ("/m/{slug}/trace/look", trace_views.look, WRITE),
    ("/m/{slug}/delete", seat_views.delete, WRITE),
    ("/m/{slug}/file", seat_views.file, READ),
    ("/m/{slug}/answer", answer_views.answer, READ),
    ("/m/{slug}/answer/{cut}", answer_views.chosen, READ),
    ("/m/{slug}/answer/{cut}/range", range_views.seating_range, READ),
    ("/m/{slug}/sheet", answer_views.sheet, READ),
    ("/m/{slug}/card", answer_views.card, READ),
    ("/m/{slug}/stones", stone_views.stones, READ),
    ("/m/{slug}/try", stone_views.try_one, READ),
    ("/m/{slug}/keep", stone_views.keep, WRITE),
    ("/m/{slug}/remove", stone_views.remove, WRITE),
    ("/m/{slug}/stones/list", stone_views.hand_out, READ),
    ("/m/{slug}/stones/bring", stone_views.bring, WRITE),
)
FILES = ("/bring",)
"""Ends of the addresses that take a whole file."""


def build(
    store: Store, keys: Keys, hosts: Collection[str], *, address: str = "",
    helper: Helper | None = None,
) -> Guard:  # fmt: skip
    """Return the page over a folder, behind its guard; a `helper` works long answers out."""
    site = Site(store, keys, address=address, helper=helper)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        site.close()

    async def static(request: Request) -> Response:
        # Looked up among what was loaded at the start: no name of a request is a path.
        found = site.static.get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        content, kind = found
        keep = "public, max-age=31536000, immutable" if request.url.query else "no-cache"
        return Response(content, media_type=kind, headers={"cache-control": keep})

    app = Starlette(
        routes=[
            Route("/static/{name}", static, methods=["GET"]),
            *(Route(path, site.endpoint(view), methods=list(methods))
              for path, view, methods in ROUTES),
        ],
        lifespan=lifespan,
        exception_handlers={
            HTTPException: _told(site, _http_text),
            Wrong: _told(site, lambda _, error: (error.status, error.told)),
            Missing: _told(site, lambda site, _: (404, site.words.mountings.gone)),
            FitsolverError: _told(site, lambda _, error: (422, str(error))),
            # A full disk, a folder that was moved away: said, and the page goes on.
            OSError: _told(site, lambda _, error: (422, (error.strerror or str(error)) + ".")),
        },
    )  # fmt: skip
    app.state.site = site
    return Guard(app, keys=keys, hosts=hosts, files=FILES)


def _http_text(site: Site, error: HTTPException) -> tuple[int, str]:
    words = site.words.fault
    return error.status_code, words.method if error.status_code == 405 else words.not_found


def _told(site: Site, text_of: Callable[[Site, Any], tuple[int, str]]) -> Any:
    async def answer(request: Request, error: Exception) -> Response:
        status, told = text_of(site, error)
        asked = Asked(request, {}, site)
        return HTMLResponse(site.render("wrong.html", asked, told=told), status)

    return answer
