"""Stones: one that is tried in a mounting, one that is weighed, and the list of those found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from fitsolver.errors import FitsolverError, InputFaults, OutOfRange, explain
from fitsolver.files.encoding import NAMES as ENCODINGS
from fitsolver.page.answer_views import (
    USUAL,
    altering,
    bench_for,
    check_context,
    material_choices,
    outline_of,
    readings_for,
    short_title,
    told,
)
from fitsolver.page.job import comparison_of
from fitsolver.page.seat_form import complaints
from fitsolver.page.seat_views import attachment, data_in, name_in
from fitsolver.page.site import Asked, Wrong
from fitsolver.page.stone_list import (
    MOST_STONES,
    StoneList,
    UnreadableList,
    names_of,
    stone_list,
)
from fitsolver.page.store import NOTHING, Overtaken, Page, Unreadable

if TYPE_CHECKING:
    from fitsolver.market.comparison import Comparison
    from fitsolver.stones.cut import CutStyle
    from fitsolver.stones.material import Material
    from fitsolver.weighing.weight import Weight

SIZES = ("length_mm", "width_mm", "depth_mm")
HEIGHTS = ("crown_height_mm", "girdle_mm", "pavilion_depth_mm")
FURTHER = (*HEIGHTS, "table_pct")
# Columns of the list as the page writes it; a list brought in keeps its own.
COLUMNS = (
    "stone", "cut", "material", *SIZES, *FURTHER, "mass_ct", "price", "seen",
)  # fmt: skip
# A short list is judged before the page is answered.
PATIENCE_S = 2.0

Faults = dict[str, str]


def stones(asked: Asked) -> Response:
    """Show the stones found for a mounting, judged side by side, and the form to try one."""
    words = asked.site.words.stones
    said = words.kept.format(name=asked.query["kept"][:80]) if "kept" in asked.query else ""
    if asked.query.get("was") in ENCODINGS.values():
        said += " " + words.was.format(encoding=asked.query["was"])
    return _page(asked, asked.query, said=said)


def try_one(asked: Asked) -> Response:
    """Judge one stone in the mounting, without keeping it."""
    page = asked.site.store.read(asked.slug)
    style, stuff, readings, faults = _stone(asked, asked.query, needed=SIZES)
    result: dict[str, Any] | None = None
    if not faults and not _seat_faults(asked, page):
        assert style is not None
        assert stuff is not None
        try:
            result = _judged(asked, page, style, stuff, readings)
        except FitsolverError as error:
            faults[_field_of(error)] = _sentence(error)
    return _page(asked, asked.query, faults=faults, result=result)


def keep(asked: Asked) -> Response:
    """Put a stone into the list."""
    store = asked.site.store
    store.read(asked.slug)
    _, _, _, faults = _stone(asked, asked.fields, needed=SIZES)
    if faults:
        return _page(asked, asked.fields, faults=faults, status=422)
    filled = {
        name: " ".join(asked.fields.get(name, "").split()) for name in COLUMNS
    }  # fmt: skip
    filled["material"] = filled["material"] or USUAL
    kept: list[str] = []

    def longer(now: Page) -> str:
        listed = stone_list(now.text)
        if len(listed.rows) >= MOST_STONES:
            raise Wrong(422, asked.site.words.stones.full)
        kept[:] = [filled["stone"] or _default_name(asked, listed)]
        return listed.with_stone({**filled, "stone": kept[0]}, COLUMNS)

    try:
        before = store.candidates(asked.slug)
        store.change_candidates(asked.slug, longer)
    except (Unreadable, UnreadableList) as error:
        return _page(asked, asked.fields, faults={"": _sentence(error)}, status=422)
    name, was = kept[0], ENCODINGS[before.encoding]
    said = {"kept": name[:80], **({} if was == "UTF-8" else {"was": was})}
    from urllib.parse import quote, urlencode

    return asked.go(f"/m/{quote(asked.slug, safe='')}/stones?" + urlencode(said))


def remove(asked: Asked) -> Response:
    """Take a stone out of the list as it was when the page was made."""
    store = asked.site.store
    number = asked.fields.get("row", "")

    def shorter(now: Page) -> str:
        if now.revision != asked.fields.get("revision", ""):
            raise Overtaken(now)
        listed = stone_list(now.text)
        row = int(number[:9]) if number.isascii() and number.isdigit() else 0
        if not 1 <= row <= len(listed.rows):
            raise Wrong(404, asked.site.words.fault.not_found)
        return listed.without(row)

    try:
        store.change_candidates(asked.slug, shorter)
    except (Unreadable, UnreadableList) as error:
        return _page(asked, {}, faults={"": _sentence(error)}, status=422)
    except Overtaken:
        return _page(asked, {}, said=asked.site.words.stones.changed, status=409)
    from urllib.parse import quote

    return asked.go(f"/m/{quote(asked.slug, safe='')}/stones")


def hand_out(asked: Asked) -> Response:
    """Hand the list out as CSV."""
    text = asked.site.store.candidates(asked.slug).text
    return Response(text, media_type="text/csv", headers=attachment(asked.slug, ".csv"))


def bring(asked: Asked) -> Response:
    """Take a list in, in place of the one there is."""
    text = asked.fields.get("file", "")
    if not text.strip():
        return _page(asked, {}, said=asked.site.words.stones.empty_file, status=422)
    try:
        asked.site.store.save_candidates(asked.slug, text, asked.fields.get("revision", ""))
    except Overtaken as other:
        return asked.page(
            "list_conflict.html", status=409, slug=asked.slug, text=text,
            theirs=other.theirs.text, revision=other.theirs.revision,
        )  # fmt: skip
    except Unreadable as error:
        return _page(asked, {}, faults={"": _sentence(error)}, status=422)
    from urllib.parse import quote

    return asked.go(f"/m/{quote(asked.slug, safe='')}/stones")


def weigh_one(asked: Asked) -> Response:
    """Weigh one stone by its readings."""
    given = asked.query
    context: dict[str, Any] = {
        "cuts": cut_groups(asked, None),
        "usual": USUAL,
        "makes": makes(),
        "materials": material_choices(),
        "given": given,
        "faults": {},
        "weight": None,
    }
    if any(given.get(name) for name in (*SIZES, *FURTHER, "mass_ct")):
        style, stuff, readings, faults = _stone(asked, given, needed=())
        if not faults:
            assert style is not None
            assert stuff is not None
            try:
                context |= _weighed(style, stuff, readings, given.get("make", ""))
            except FitsolverError as error:
                faults[_field_of(error)] = _sentence(error)
        context["faults"] = faults
    return asked.page("weigh.html", **context)


def cut_groups(asked: Asked, page: Page | None) -> list[tuple[str, list[tuple[str, str]]]]:
    """Every cut by name and title in groups, those for a mounting first if it is about one.

    Those proposed for it, in their order, if that has been worked out; then those with the outline
    of its opening; then all others. Strung stones are weighed but set in no seat.
    """
    from fitsolver.stones.cut import cuts

    words = asked.site.words.stones
    every = {
        style.name: style for style in sorted(cuts(), key=lambda item: (item.family, item.name))
        if page is None or not style.strung
    }  # fmt: skip

    def named(names: Iterable[str]) -> list[tuple[str, str]]:
        return [(name, f"{short_title(every[name].title)} ({name})") for name in names]

    if page is None:
        return [("", named(every))]
    seat = data_in(page).get("seat")
    family = seat.get("opening_family") if isinstance(seat, Mapping) else None
    first = [name for name in asked.site.proposed.find(page.revision) or () if name in every]
    like = [name for name, style in every.items() if style.family == family and name not in first]
    rest = [name for name in every if name not in first and name not in like]
    return [
        (words.cuts_proposed, named(first)),
        (words.cuts_like, named(like)),
        (words.cuts_other, named(rest)),
    ]


def makes() -> list[tuple[str, str]]:
    """Every make that some cut has."""
    from fitsolver.stones.cut import cuts

    return [(name, name) for name in sorted({make for style in cuts() for make in style.makes})]


def _page(
    asked: Asked,
    given: Mapping[str, str],
    *,
    faults: Faults | None = None,
    result: dict[str, Any] | None = None,
    said: str = "",
    status: int = 200,
) -> Response:
    page = asked.site.store.read(asked.slug)
    listed, names, unread = Page(text="", revision=NOTHING), [], []
    try:
        listed = asked.site.store.candidates(asked.slug)
        names = names_of(stone_list(listed.text))
    except (Unreadable, UnreadableList) as error:
        unread = [_sentence(error)]
    data = data_in(page)
    context: dict[str, Any] = {
        "slug": asked.slug,
        "name": name_in(data, asked.slug),
        "cuts": cut_groups(asked, page),
        "usual": USUAL,
        "materials": material_choices(),
        "given": given,
        "faults": faults or {},
        "result": result,
        "said": said,
        "seat_faulty": bool(complaints(data, asked.site.store.folder)),
        "revision": listed.revision,
        "task": None,
        "waiting": False,
        "table": None,
        "compared": None,
        "unread": unread,
        "listed": names,
        "encoding": ENCODINGS[listed.encoding],
    }
    if listed.text.strip() and not unread and not context["seat_faulty"]:
        context |= _compared(asked, page, listed)
    return asked.page("stones.html", status=status, **context)


def _default_name(asked: Asked, listed: StoneList) -> str:
    """What a stone is called that nobody named: its cut and size, numbered if there is another."""
    from fitsolver.stones.cut import cut

    size = {name: asked.fields.get(f"{name}_mm", "").strip() for name in ("length", "width")}
    title = short_title(cut(asked.fields.get("cut", "")).title)
    name = base = str(asked.site.words.stones.default_name.format(cut=title, **size))
    taken = set(names_of(listed))
    number = 2
    while name in taken:
        name, number = f"{base} ({number})", number + 1
    return name


def _compared(asked: Asked, page: Page, listed: Page) -> dict[str, Any]:
    """Judge the list; while it is worked out, how far the work is."""
    from fitsolver.market.candidate import read_candidates

    try:
        table = read_candidates(asked.site.store.candidates_file(asked.slug))
    except InputFaults as error:
        return {"unread": told(error)}
    task = asked.site.work.task(
        f"{asked.slug}/stones", (page.revision, listed.revision), comparison_of,
        readings_for(asked, page), table.candidates,
    )  # fmt: skip
    task.wait(PATIENCE_S)
    # Looked at once: the work may end while the page is being written.
    waiting = not task.ready
    context: dict[str, Any] = {}
    if not waiting and task.answer is not None:
        from fitsolver.fitting.security import not_held
        from fitsolver.market.reservation import RULE
        from fitsolver.telling.compare_report import comparison_cautions, first_choice, money_left

        found: Comparison = task.answer
        context["compared_head"] = (*first_choice(found), *money_left(found))
        context["compared_rule"] = RULE
        context["compared_cautions"] = comparison_cautions(found) if found.stones else ()
        context["not_held"] = lambda stone: not_held(stone.look.security)
        context["altering"] = altering
        context["pictures"] = {
            each.rank: outline_of(each.check) for each in task.answer.stones[:100]
            if each.check is not None
        }  # fmt: skip
    return {
        "task": task,
        "table": table,
        "compared": None if waiting else task.answer,
        "waiting": waiting,
        **context,
        "unread": [
            f"{fault.line}: {fault.key}: {fault.rule}. {fault.remedy}" for fault in table.faults
        ],
    }


def _judged(
    asked: Asked, page: Page, style: CutStyle, stuff: Material, readings: Mapping[str, float]
) -> dict[str, Any]:
    """Judge a stone, and hold a stated mass against its size."""
    from fitsolver.drawings.drawing import drawing_of
    from fitsolver.drawings.markup import svg
    from fitsolver.fitting.setting import cautions
    from fitsolver.fitting.solver import check

    bench = bench_for(asked, page)
    heights = {name: readings[name] for name in HEIGHTS if name in readings}
    found = check(bench, style, *(readings[name] for name in SIZES), heights_mm=heights)
    weighed = _weighed(style, stuff, readings, "")
    return {
        "style": style,
        "stuff": stuff,
        "drawing": Markup(svg(drawing_of(bench, found, measured=heights, headed=False))),
        "cautions": cautions(stuff, bench.mounting),
        **weighed,
        **check_context(bench, found),
    }


def _weighed(
    style: CutStyle, stuff: Material, readings: Mapping[str, float], make: str
) -> dict[str, Any]:
    from fitsolver.text.layout import words
    from fitsolver.weighing.consistency import consistency, implied_density
    from fitsolver.weighing.weight import every_make, weigh

    styles = (style.in_make(make),) if make else every_make(style, stuff)
    # A stated mass is a claim to hold against the size, so the estimate is made without it.
    taken = {name: value for name, value in readings.items() if name != "mass_ct"}
    found: Weight = weigh(styles, stuff, **taken)
    agreement = None
    if "mass_ct" in readings:
        agreement = consistency(implied_density(styles, readings["mass_ct"], **taken), stuff)
    nearest = found.next_readings[0] if found.next_readings else None
    return {
        "weight": found,
        "agreement": agreement,
        "stuff": stuff,
        "style": style,
        "doubts": [
            (words(item.name), item.value, item.u, item.share) for item in found.assumed[:5]
        ],
        "next_reading": words(nearest[0]) if nearest and nearest[1] >= 0.0005 else "",
    }


def _stone(
    asked: Asked, given: Mapping[str, str], *, needed: Sequence[str]
) -> tuple[CutStyle | None, Material | None, dict[str, float], Faults]:
    """Read what was typed of a stone; every fault by its field."""
    from fitsolver.stones.cut import cut
    from fitsolver.stones.material import material
    from fitsolver.units import parse_length_mm, why_not
    from fitsolver.weighing.evidence import evidence_of, readable

    words = asked.site.words.stones
    faults: Faults = {}
    readings: dict[str, float] = {}
    style: CutStyle | None = None
    stuff: Material | None = None
    try:
        if not given.get("cut", ""):
            faults["cut"] = words.no_cut
        else:
            style = cut(given["cut"])
    except FitsolverError as error:
        faults["cut"] = _sentence(error)
    try:
        stuff = material(given.get("material") or USUAL)
    except FitsolverError as error:
        faults["material"] = _sentence(error)
    for name in (*SIZES, *FURTHER, "mass_ct"):
        typed = given.get(name, "").strip()
        if not typed:
            if name in needed:
                faults[name] = f"{words.needed}. {words.needed_remedy}."
            continue
        try:
            readings[name] = parse_length_mm(typed)
        except ValueError as error:
            rule, remedy = why_not(typed, error, in_mm=name.endswith("_mm"))
            faults[name] = f"{typed[:40]} {rule}. {remedy}."
            continue
        if style is None:
            continue
        if name not in readable(style):
            faults[name] = words.not_of_cut.format(cut=style.name)
            continue
        size = {} if name in ("length_mm", "width_mm") else {"width_mm": 100.0}
        try:
            evidence_of(style, {**size, name: readings[name]})
        except FitsolverError as error:
            faults[name] = _sentence(error)
    if style is not None and not faults:
        try:
            evidence_of(style, readings)
        except FitsolverError as error:
            faults[_field_of(error)] = _sentence(error)
    return style, stuff, readings, faults


def _seat_faults(asked: Asked, page: Page) -> bool:
    return bool(complaints(data_in(page), asked.site.store.folder))


def _field_of(error: FitsolverError) -> str:
    known = (*SIZES, *FURTHER, "mass_ct")
    return error.name if isinstance(error, OutOfRange) and error.name in known else ""


def _sentence(error: FitsolverError) -> str:
    if isinstance(error, InputFaults):
        return " ".join(told(error))
    name, value, rule, remedy = explain(error)
    about = "" if name in (*SIZES, *FURTHER, "mass_ct") else f"{name}: ".replace("_", " ")
    shown = "" if value is None or value == "" else f"{str(value)[:40]} "
    return f"{about}{shown}{rule}. {remedy}."
