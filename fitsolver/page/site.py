"""What every view of the page shares: folder, keys, words, templates and what is kept in memory."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from threading import Lock, Thread
from typing import TYPE_CHECKING, Any, Generic, TypeVar
from urllib.parse import parse_qsl

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from fitsolver.files.datafile import load_toml
from fitsolver.files.encoding import decoded
from fitsolver.page.guard import TOKEN_FIELD, Keys
from fitsolver.page.helper import Helper, Stopped
from fitsolver.page.store import MOST_FILES, Store

if TYPE_CHECKING:
    from fitsolver.fitting.bench import Bench
    from fitsolver.page.work import Work

HERE = Path(__file__).parent
MOST_FIELDS = 1_200
# What is loaded after the first page, for the first drawing and for the first answer.
DRAWN_WITH = ("shapely", "fitsolver.drawings.drawing", "fitsolver.seats.mounting_file")
ANSWERED_WITH = (
    "fitsolver.fitting.pose", "fitsolver.market.comparison", "fitsolver.market.spec",
    "fitsolver.telling.pose_report", "fitsolver.telling.report",
)  # fmt: skip
KINDS = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
}

Key = TypeVar("Key")
Value = TypeVar("Value")
View = Callable[["Asked"], Response]


class Wrong(Exception):
    """A request that cannot be answered as it is; `told` says so in the page's own words."""

    def __init__(self, status: int, told: str) -> None:
        """Keep status and text."""
        self.status = status
        self.told = told
        super().__init__(told)


class Words:
    """A table of texts; a text that is not there is an error, so that none is missed.

    >>> Words({"a": {"b": "text"}}).a["b"]
    'text'
    """

    def __init__(self, table: Mapping[str, Any]) -> None:
        """Take a table as TOML has it."""
        self._table = table

    def __getattr__(self, name: str) -> Any:
        """Return a text, or the table below."""
        return self[name]

    def __getitem__(self, name: str) -> Any:
        """As attributes, for keys known only at run time."""
        value = self._table[name]
        return Words(value) if isinstance(value, Mapping) else value

    def __contains__(self, name: object) -> bool:
        """Whether there is such a text."""
        return name in self._table

    def __iter__(self) -> Iterator[str]:
        """Go through the keys."""
        return iter(self._table)


class Kept(Generic[Key, Value]):
    """The last few results, by what they were made of."""

    def __init__(self, most: int) -> None:
        """Keep at most so many."""
        self._most = most
        self._items: OrderedDict[Key, Value] = OrderedDict()
        self._lock = Lock()

    def get(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return what is kept, or make it."""
        with self._lock:
            if key in self._items:
                self._items.move_to_end(key)
                return self._items[key]
        value = make()
        self.put(key, value)
        return value

    def find(self, key: Key) -> Value | None:
        """Return what is kept, or None."""
        with self._lock:
            return self._items.get(key)

    def put(self, key: Key, value: Value) -> None:
        """Keep a result; the oldest goes."""
        with self._lock:
            self._items[key] = value
            self._items.move_to_end(key)
            while len(self._items) > self._most:
                self._items.popitem(last=False)


class Asked:
    """One request: its fields as plain text, and who asks."""

    def __init__(self, request: Request, fields: dict[str, str], site: Site) -> None:
        """Take what the request says."""
        self.request = request
        self.fields = fields
        self.site = site
        self.query: Mapping[str, str] = {
            name: _plain(value) for name, value in request.query_params.items()
        }

    @property
    def slug(self) -> str:
        """The mounting in the address."""
        return str(self.request.path_params["slug"])

    @property
    def browser(self) -> str:
        """The browser's cookie, as the guard knows it."""
        return str(self.request.state.browser)

    @property
    def live(self) -> bool:
        """Whether a script asks for a part of the page."""
        return self.request.headers.get("hx-request") == "true"

    def page(self, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """Answer with a page."""
        text = self.site.render(template, self, **context)
        return HTMLResponse(text, status, background=BackgroundTask(self.site.warm_up))

    def go(self, address: str) -> Response:
        """Send the browser on."""
        return RedirectResponse(address, 303)


class Site:
    """One folder of mountings with its page."""

    def __init__(
        self, store: Store, keys: Keys, *, address: str = "", helper: Helper | None = None
    ) -> None:
        """Load words, templates and static files; nothing heavy."""
        self.store = store
        self.keys = keys
        self.address = address
        self.words = Words(load_toml(HERE / "words.toml").data)
        self.static = {
            path.name: (path.read_bytes(), KINDS[path.suffix])
            for path in (HERE / "static").iterdir()
            if path.suffix in KINDS
        }
        mark = hashlib.sha256(b"".join(content for content, _ in self.static.values()))
        self.environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.globals |= {
            "w": self.words,
            "version": mark.hexdigest()[:10],
            "static": frozenset(self.static),
            "mm": lambda value: f"{value:z.2f}",
            "carat": _carat,
            "between": _between,
            "shared": keys.shared,
            "outline": _outline,
        }
        self.environment.filters |= {"data": data_element, "per_cent": per_cent_element}
        self.benches: Kept[str, Bench] = Kept(6)
        self.helper = helper
        # Cuts proposed last for a mounting as its file is, the best first.
        self.proposed: Kept[str, tuple[str, ...]] = Kept(50)
        # Mountings as they are listed, by name and by time of change and size of the file.
        self.listed: Kept[tuple[str, tuple[int, int]], Mapping[str, object]] = Kept(2 * MOST_FILES)
        self.heads: Kept[tuple[str, tuple[int, int]], str] = Kept(2 * MOST_FILES)
        self._work: Work | None = None
        self._warm = False
        self._lock = Lock()

    @property
    def work(self) -> Work:
        """Proposals in the making."""
        with self._lock:
            if self._work is None:
                from fitsolver.page.work import Work

                self._work = Work(self.helper)
            return self._work

    def close(self) -> None:
        """Stop what still works."""
        if self._work is not None:
            self._work.close()
        if self.helper is not None:
            self.helper.close()

    def warm_up(self) -> None:
        """Load the solver in the background, once the first page is out."""
        with self._lock:
            if self._warm:
                return
            self._warm = True
        Thread(target=self._load, name="warm-up", daemon=True).start()

    def _load(self) -> None:
        """Load what the first drawing and the first answer need, and have the helper do so."""
        if self.helper is not None:
            with suppress(Stopped):
                self.helper.start()
        for name in DRAWN_WITH:
            import_module(name)
        for name in self.environment.list_templates():
            self.environment.get_template(name)
        for name in ANSWERED_WITH:
            import_module(name)
        from fitsolver.stones.cut import cuts
        from fitsolver.stones.material import materials

        cuts()
        materials()

    def render(self, template: str, asked: Asked, **context: Any) -> str:
        """Fill a template."""
        return self.environment.get_template(template).render(
            mark=self.keys.mark(asked.browser),
            path=asked.request.url.path,
            **{"said": "", **context},
        )

    def endpoint(self, view: View) -> Callable[[Request], Awaitable[Response]]:
        """Make a view of plain text fields into one that the server can call."""

        async def answer(request: Request) -> Response:
            fields: dict[str, str] = {}
            if request.method == "POST":
                fields = await self._fields(request)
            return await run_in_threadpool(view, Asked(request, fields, self))

        return answer

    async def _fields(self, request: Request) -> dict[str, str]:
        """Read a form, urlencoded or with files; every value is text."""
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        fault = self.words.fault
        if kind == "multipart/form-data":
            fields = await self._parts(request)
        else:
            try:
                text = (await request.body()).decode()
                pairs = parse_qsl(
                    text, keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
                )
            except UnicodeDecodeError as error:
                raise Wrong(400, fault.not_text) from error
            except ValueError as error:
                raise Wrong(400, fault.too_many) from error
            fields = dict(pairs)
        mark = fields.pop(TOKEN_FIELD, "")
        if not self.keys.is_marked(str(request.state.browser), mark):
            raise Wrong(403, fault.forged)
        return {name: _plain(value) for name, value in fields.items()}

    async def _parts(self, request: Request) -> dict[str, str]:
        from starlette.exceptions import HTTPException

        fields: dict[str, str] = {}
        try:
            async with request.form(max_files=2, max_fields=MOST_FIELDS) as form:
                for name, value in form.multi_items():
                    if isinstance(value, str):
                        fields[name] = value
                    else:
                        content = await value.read()
                        fields[name] = decoded(content)[0]
                        fields[f"{name}.filename"] = value.filename or ""
        except UnicodeDecodeError as error:
            raise Wrong(400, self.words.fault.not_text) from error
        except HTTPException as error:
            raise Wrong(400, self.words.fault.too_many) from error
        return fields


def _carat(weight_ct: float) -> str:
    """Write a weight as every other face does, by the document rule."""
    from fitsolver.units import document_weight_ct

    return str(document_weight_ct(weight_ct))


def _between(low_ct: float, high_ct: float) -> tuple[str, str]:
    """Write the ends of an interval of weights as every other face does, rounded outward."""
    from fitsolver.telling.stone_report import carats

    low, _, high = carats(low_ct, high_ct).partition(" to ")
    return low, high


def _outline(family: str) -> Markup:
    from fitsolver.page.pictogram import outline_picture

    return Markup(outline_picture(family))


def _plain(text: str) -> str:
    """Take out what no file of readings can hold."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    kept = "".join(
        letter for letter in text if letter in "\n\t" or (letter >= " " and letter != "\x7f")
    )
    return kept.encode("utf-8", "ignore").decode()


def data_element(value: float, shown: str) -> Markup:
    """Write a number as people read it, with the exact one in the element's own attribute."""
    return Markup('<data value="{}">{}</data>').format(repr(round(float(value), 6) + 0.0), shown)


def per_cent_element(value: float) -> Markup:
    """Write a probability in per cent."""
    from fitsolver.text.layout import per_cent

    return data_element(value, per_cent(value))
