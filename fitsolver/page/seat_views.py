"""The mountings of the folder and the form of a seat, with its drawing as one types."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from zlib import crc32

from markupsafe import Markup
from starlette.responses import PlainTextResponse, Response

from fitsolver.errors import FitsolverError, InputFaults
from fitsolver.files.datafile import parse_toml
from fitsolver.page.budget_form import (
    LISTS,
    as_shown,
    budget_changes,
    field_names,
    offered,
)
from fitsolver.page.seat_form import (
    CHOICES,
    CLAWS,
    LEVELS,
    PLACES,
    TAKEN,
    WAYS,
    WEIGHTS,
    Complaint,
    Data,
    Fields,
    belongs,
    complaints,
    data_of,
    fields_of,
    further,
    is_reading,
    may_be_left_out,
    needed,
    read,
    sketched,
    typed_of,
    unkept,
)
from fitsolver.page.site import Asked, Wrong
from fitsolver.page.store import Missing, Overtaken, Page, Unreadable
from fitsolver.readings.mounting_key import KEYS
from fitsolver.seats.allowance import TABLE
from fitsolver.seats.ranking import PARTS
from fitsolver.text.layout import words as in_words

if TYPE_CHECKING:
    from fitsolver.seats.belief import Belief
    from fitsolver.seats.mounting import Mounting

GROUPS = ("ranking", "budget", "budget.costs", "budget.brackets")
"""Parts of the form that have faults of their own, which belong beside none of their fields."""
AT_A_TIME = 50
"""Mountings on one page."""
TOLD = "told_beside"
"""Field of the page that lists what stands beside which fields, by marks."""


def mountings(asked: Asked) -> Response:
    """List the mountings of the folder."""
    said = ""
    words = asked.site.words.mountings
    if "deleted" in asked.query:
        said = words.deleted.format(name=asked.query["deleted"])
    elif "restored" in asked.query:
        said = words.restored.format(name=asked.query["restored"])
    return mountings_with(asked, [], said)


def new(asked: Asked) -> Response:
    """Ask what kind of seat it is; make the mounting of the answer."""
    fields: Fields = dict(asked.fields)
    wrong: list[Complaint] = []
    if asked.request.method == "POST":
        name = fields.get("name", "").strip()
        data = data_of(fields, {})
        wrong = [
            each
            for each in complaints(data, asked.site.store.folder)
            if each.key in (*CHOICES, "name", "period")
        ]
        if not wrong:
            slug = asked.site.store.create(name, toml_of(data, ""))
            return asked.go(f"/m/{slug}")
    return asked.page(
        "new.html", status=422 if wrong else 200, fields=fields, choices=CHOICES, taken=TAKEN,
        faults=_by_key(wrong),
    )  # fmt: skip


def bring(asked: Asked) -> Response:
    """Take a mounting file in."""
    text = asked.fields.get("file", "")
    name = asked.fields.get("file.filename", "").rpartition(".")[0]
    try:
        data = parse_toml(text, name=asked.fields.get("file.filename", "") or "file").data
    except InputFaults as error:
        wrong = [str(fault.rule) + ". " + fault.remedy for fault in error.faults]
        page = mountings_with(asked, wrong)
        page.status_code = 422
        return page
    slug = asked.site.store.create(str(data.get("name") or name or "mounting"), text)
    return asked.go(f"/m/{slug}")


def mountings_with(asked: Asked, wrong: list[str], said: str = "") -> Response:
    """List the mountings, some at a time, with what was wrong with a file."""
    store, words = asked.site.store, asked.site.words.mountings
    stamps = store.stamps()
    sought = " ".join(asked.query.get("find", "").split())[:80].casefold()
    if sought:
        # Every file is looked into once; after that only those that change.
        stamps = tuple(
            (slug, mark) for slug, mark in stamps
            if sought in asked.site.heads.get((slug, mark), partial(_head, asked, slug))
        )  # fmt: skip
    typed = asked.query.get("from", "")
    begin = int(typed[:9]) if typed.isascii() and typed.isdigit() else 0
    begin = min(begin, max(len(stamps) - 1, 0)) // AT_A_TIME * AT_A_TIME
    shown = stamps[begin : begin + AT_A_TIME]
    return asked.page(
        "mountings.html", rows=[_listed(asked, slug, mark) for slug, mark in shown],
        deleted=store.last_deleted(), folder=str(store.folder), said=said, complaints=wrong,
        oddities=[f"{each.name} {each.why}" for each in store.oddities()[:AT_A_TIME]],
        find=asked.query.get("find", "")[:80], many=len(store.stamps()) > AT_A_TIME,
        span=words.span.format(first=begin + 1, last=begin + len(shown), total=len(stamps)),
        earlier=begin - AT_A_TIME if begin else None, some=bool(shown),
        later=begin + AT_A_TIME if begin + AT_A_TIME < len(stamps) else None,
    )  # fmt: skip


def _head(asked: Asked, slug: str) -> str:
    """What a mounting is found by: what its file says before the first table, name and story."""
    try:
        text = asked.site.store.read(slug).text
    except (Missing, Unreadable):
        text = ""
    return f"{slug} {text.partition(chr(10) + '[')[0][:4_000]}".casefold()


def _listed(asked: Asked, slug: str, mark: tuple[int, int]) -> Mapping[str, object]:
    """A mounting as the list shows it, kept as long as its file stays as it is."""

    try:
        return asked.site.listed.get(
            (slug, mark), lambda: _row(slug, asked.site.store.read(slug), asked)
        )
    except (Missing, Unreadable) as error:
        told = str(error) if isinstance(error, Unreadable) else ""
        return {**_row(slug, Page(text="", revision=""), asked), "story": told}


def seat(asked: Asked) -> Response:
    """Show the form of a seat, or save it."""
    store, slug = asked.site.store, asked.slug
    page = store.read(slug)
    if asked.request.method != "POST":
        said = ""
        data = data_in(page)
        fields = fields_of(data)
        if page.text.strip():
            _whole(page.text)
        if "saved" in asked.query:
            said = _saved_text(asked, complaints(data, asked.site.store.folder))
        return _form(asked, page, data, fields, said)
    revision = asked.fields.get("revision", "")
    if page.text.strip():
        _whole(page.text)
    data = data_of(asked.fields, data_in(page))
    if not str(data.get("name", "")).strip():
        data["name"] = slug
    try:
        store.save(slug, toml_of(data, page.text), revision)
    except Overtaken as other:
        return conflict(asked, other.theirs, data)
    return asked.go(f"/m/{slug}?saved=1")


def preview(asked: Asked) -> Response:
    """Show the form again with what was typed, without saving: for browsers without scripts."""
    page = asked.site.store.read(asked.slug)
    fields = unkept(asked.fields)
    data = data_of(fields, data_in(page))
    return _form(asked, page, data, fields, "", fields.get("revision"))


def readings(asked: Asked) -> Response:
    """The part of the form that follows from the kind of seat."""
    fields = unkept(asked.fields)
    data = data_of(fields, data_in(asked.site.store.read(asked.slug)))
    said = _redrawn(asked, complaints(data, asked.site.store.folder))
    return asked.page(
        "changed_kind.html",
        **_form_context(asked, fields, data),
        **_drawing_context(asked, data),
        said=said,
    )


def drawing(asked: Asked) -> Response:
    """The drawing of what was typed, and the faults beside every field that is on the screen."""
    fields = unkept(asked.fields)
    data = data_of(fields, data_in(asked.site.store.read(asked.slug)))
    mounting, found = read(data, asked.site.store.folder)
    faults = _by_key(found, fields)
    context = _drawing_context(asked, data, mounting)
    # Only what has changed is sent: a browser takes longest over many small parts.
    told = asked.fields.get(TOLD)
    changed = None if told is None else _changed(
        _marks(faults, context["assumed_of"]), told.split()
    )  # fmt: skip
    together = {name.partition(".")[0] for name in asked.fields}
    shown = [
        name for name in _shown(fields)
        if name in asked.fields or (name in GROUPS and name.partition(".")[0] in together)
    ]  # fmt: skip
    return asked.page(
        "drawing.html", **context, said=_redrawn(asked, found), faults=faults, keys=KEYS,
        fields_shown=[name for name in shown if changed is None or name in changed],
    )  # fmt: skip


def delete(asked: Asked) -> Response:
    """Put a mounting aside."""
    name = name_in(data_in(asked.site.store.read(asked.slug)), asked.slug)
    asked.site.store.delete(asked.slug)
    from urllib.parse import urlencode

    return asked.go("/?" + urlencode({"deleted": name[:80]}))


def undo(asked: Asked) -> Response:
    """Bring the mounting that was deleted last back."""
    slug = asked.site.store.undo()
    if slug is None:
        raise Wrong(404, asked.site.words.mountings.nothing_to_undo)
    from urllib.parse import urlencode

    return asked.go("/?" + urlencode({"restored": slug}))


def file(asked: Asked) -> Response:
    """Hand the mounting file out."""
    page = asked.site.store.read(asked.slug)
    return PlainTextResponse(
        page.text, headers=attachment(asked.slug, ".toml"), media_type="application/toml"
    )


def attachment(slug: str, end: str) -> dict[str, str]:
    """Headers of a file to be kept, its name in plain letters."""
    from fitsolver.page.store import slug_of

    return {"content-disposition": f'attachment; filename="{slug_of(slug)}{end}"'}


def data_in(page: Page) -> Data:
    """What a mounting file holds; empty where it is no TOML."""
    try:
        return dict(parse_toml(page.text, name="page").data)
    except FitsolverError:
        return {}


def name_in(data: Mapping[str, Any], slug: str) -> str:
    """What a mounting is called."""
    return str(data.get("name") or slug)


def toml_of(data: Data, text: str) -> str:
    """Write data as a mounting file, over the text it had before: comments and order stay.

    Faulty readings are written as they were typed: what was begun can be kept and mended later.
    """
    from fitsolver.files.toml_edit import edited, toml_text
    from fitsolver.seats.mounting_writer import HEAD, HEADED, key_order

    order = key_order()
    if text.strip():
        old = _whole(text)
        try:
            changes = dict(_changes(old, data))
            return edited(text, changes, name="page", order=order, headed=HEADED)
        except FitsolverError:
            # A file that no edit can be made in is written anew, with all that it holds.
            pass
    return HEAD + toml_text(data, order=order, headed=HEADED)


def _whole(text: str) -> Mapping[str, Any]:
    """What a file holds; raises `Unreadable` where it cannot be read, so nothing replaces it."""
    try:
        return parse_toml(text, name="the file").data
    except InputFaults as error:
        raise Unreadable(
            f"This file cannot be read, so nothing is written over it. {error.faults[0]} Mend it "
            "in a text editor; or delete it among the mountings, from where it can be brought "
            "back, and begin anew."
        ) from error


def _changes(old: Mapping[str, Any], new_: Mapping[str, Any]) -> Iterator[tuple[str, object]]:
    """Yield dotted keys with their new values, None for those that go."""
    for key in dict.fromkeys((*old, *new_)):
        before, after = old.get(key), new_.get(key)
        if before == after:
            continue
        if key == "budget":
            yield from budget_changes(before, after)
        elif key in ("seat", *WEIGHTS) and isinstance(before, Mapping) and after:
            for name in dict.fromkeys((*before, *after)):
                if before.get(name) != after.get(name):
                    yield f"{key}.{name}", after.get(name)
        else:
            yield key, after


def _row(slug: str, page: Page, asked: Asked) -> dict[str, object]:
    data = data_in(page)
    table = data.get("seat")
    seat_: Mapping[str, Any] = table if isinstance(table, Mapping) else {}
    kind = asked.site.words.kind
    said = [
        kind[key][str(seat_.get(key))] for key in ("opening_family", "holds", "back")
        if str(seat_.get(key)) in kind[key]
    ]  # fmt: skip
    family = str(seat_.get("opening_family"))
    period = data.get("period")
    return {
        "slug": slug,
        "name": name_in(data, slug),
        "story": str(data.get("story", "")),
        "kind": ", ".join(said),
        "family": family if family in CHOICES["opening_family"] else "oval",
        "period": period if isinstance(period, int) else None,
    }


def _form(
    asked: Asked, page: Page, data: Data, fields: Mapping[str, str], said: str,
    revision: str | None = None,
) -> Response:  # fmt: skip
    return asked.page(
        "seat.html",
        slug=asked.slug,
        name=fields.get("name") or asked.slug,
        revision=page.revision if revision is None else revision,
        said=said,
        choices=CHOICES,
        taken=TAKEN,
        allowances=TABLE,
        **_form_context(asked, fields, data),
        **_drawing_context(asked, data),
    )


def _form_context(asked: Asked, fields: Mapping[str, str], data: Data) -> dict[str, Any]:
    tools = data.get("instruments")
    from fitsolver.readings.instrument import INSTRUMENTS

    own = tuple(tools) if isinstance(tools, Mapping) else ()
    return {
        "fields": fields,
        "kind": {key: fields.get(key, "") for key in CHOICES},
        "first": needed(fields),
        "more": further(fields),
        "more_given": any(typed_of(key, fields) for key in further(fields)),
        "kept": _kept(fields),
        "faults": _by_key(complaints(data, asked.site.store.folder), fields),
        "keys": KEYS,
        "label": partial(label_of, words=asked.site.words),
        "is_reading": is_reading,
        "leavable": {key for key in KEYS if may_be_left_out(key, fields)},
        "in_lines": [key for key in KEYS if KEYS[key].form in (*PLACES, "arcs")],
        "ways": WAYS,
        "levels": LEVELS,
        "tools": tuple(dict.fromkeys((*INSTRUMENTS, *own))),
        "picture": _pictogram,
        **_money_context(fields),
    }


def _money_context(fields: Mapping[str, str]) -> dict[str, Any]:
    from fitsolver.stones.cut import names

    given = {name.partition(".")[0] for name, text in fields.items() if text.strip()}
    return {
        "rows": {kind: offered(fields, kind) for kind in LISTS},
        "cut_names": names(),
        "money_given": "budget" in given,
        "order_given": "ranking" in given,
        "parts": PARTS,
    }


def _pictogram(key: str, kind: Mapping[str, str]) -> Markup:
    from fitsolver.page.pictogram import pictogram

    return Markup(
        pictogram(
            key,
            kind.get("holds", ""),
            kind.get("state", ""),
            kind.get("back", ""),
            kind.get("opening_family", ""),
        )
    )


def _drawing_context(asked: Asked, data: Data, whole: Mounting | None = None) -> dict[str, Any]:
    known = _believed(data, asked.site.store.folder, whole)
    if known is None:
        return {"picture_of_seat": None, "assumed": (), "assumed_of": {}, "marks": _marks}
    from fitsolver.drawings.drawing import seat_drawing
    from fitsolver.drawings.markup import svg
    from fitsolver.text.layout import words as in_words

    assumed = [
        (in_words(item.name), f"{item.value:z.{2 if item.unit == 'mm' else 1}f}", item.u,
         item.unit.replace("deg", "°").replace("pct", "%"), item.source)
        for item in known.assumed
    ]  # fmt: skip
    return {
        "picture_of_seat": Markup(svg(seat_drawing(known))),
        "assumed": assumed,
        "assumed_of": {
            item.name: told for item, told in zip(known.assumed, assumed, strict=True)
        },
        "marks": _marks,
    }  # fmt: skip


def _marks(*beside: Mapping[str, object]) -> list[str]:
    """Mark what stands beside fields, by name: what has the mark that it had is the same."""
    names = dict.fromkeys(name for table in beside for name in table)
    return [
        f"{name}={crc32(repr([table.get(name) for table in beside]).encode()):x}" for name in names
    ]


def _changed(marks: list[str], before: list[str]) -> set[str]:
    return {mark.rpartition("=")[0] for mark in set(marks) ^ set(before)}


def _believed(data: Data, folder: Path, whole: Mounting | None) -> Belief | None:
    """What the readings say of the seat; None before there is an opening.

    `whole` is the mounting where nothing is wrong with the readings; else the faulty ones are left
    out.
    """
    from fitsolver.seats.belief import belief

    mounting = whole or read(sketched(data, folder), folder)[0]
    try:
        return None if mounting is None else belief(mounting)
    except FitsolverError:
        return None


def _by_key(
    found: list[Complaint], fields: Mapping[str, str] = MappingProxyType({})
) -> dict[str, list[Complaint]]:
    faults: dict[str, list[Complaint]] = {}
    for each in found:
        faults.setdefault(as_shown(each.key, fields), []).append(each)
    return faults


def _shown(fields: Mapping[str, str]) -> list[str]:
    """Fields that the form shows and that may have a fault beside them."""
    weights = [f"allowances.{name}" for name in TABLE]
    weights += [f"ranking.{name}" for name in PARTS]
    budget = field_names(fields)
    return [
        "name", "period", *CHOICES, CLAWS, *needed(fields), *further(fields), *weights, *budget,
        *GROUPS,
    ]  # fmt: skip


def _kept(fields: Mapping[str, str]) -> dict[str, str]:
    """What was typed for another kind of seat: kept in the form, not in the file."""
    return {
        name: text for name, text in fields.items()
        if text and name.partition(".")[0] in KEYS and not belongs(name.partition(".")[0], fields)
    }  # fmt: skip


def _count(found: list[Complaint], asked: Asked) -> str:
    words = asked.site.words.seat
    count = len(found)
    return str(words.one_place if count == 1 else words.places.format(count=count))


def _redrawn(asked: Asked, found: list[Complaint]) -> str:
    words = asked.site.words.seat
    if found:
        return str(words.redrawn.format(count=_count(found, asked)))
    return str(words.redrawn_well)


def _saved_text(asked: Asked, found: list[Complaint]) -> str:
    words = asked.site.words.seat
    if found:
        return str(words.saved_with_faults.format(count=_count(found, asked)))
    return str(words.saved)


def conflict(asked: Asked, theirs: Page, mine: Data) -> Response:
    """Show what both wrote, and let the user choose."""
    own, other = fields_of(mine), fields_of(data_in(theirs))
    words = asked.site.words
    rows = []
    for name in dict.fromkeys((*own, *other)):
        a, b = own.get(name, ""), other.get(name, "")
        if a != b:
            rows.append((label_of(name, words), a, b))
    return asked.page(
        "conflict.html", status=409, slug=asked.slug, name=own.get("name") or asked.slug,
        rows=rows, mine=asked.fields, revision=theirs.revision,
    )  # fmt: skip


def label_of(name: str, words: Any) -> str:
    """What a field is called on the page."""
    key, _, part = name.partition(".")
    if key == "allowances":
        return str(TABLE[part].meaning) if part in TABLE else part
    if key in ("ranking", "budget"):
        title = words[key].title
        *row, last = part.split(".")
        number = f" {int(row[1]) + 1}" if len(row) == 2 else ""
        known = {"name": "cost_name", "amount": "cost_amount"}.get(last, last)
        told = next((str(words[key][each]) for each in (known,) if each in words[key]), part)
        return f"{title}{number}: {told}"
    if key in words.readings:
        text = str(words.readings[key])
    elif key in words.kind:
        entry = words.kind[key]
        text = str(entry if isinstance(entry, str) else entry.label)
    else:
        text = in_words(key).capitalize()
    if not part:
        return text
    named = next(
        (str(table[part]) for table in (words.seat.parts, words.seat) if part in table), part
    )
    return f"{text}: {named}"
