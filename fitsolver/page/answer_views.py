"""What seats in a mounting: the list of cuts, one of them in full, and both on paper."""

from __future__ import annotations

import datetime
import re
from decimal import ROUND_DOWN
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from fitsolver.errors import FitsolverError, InputFaults
from fitsolver.page.job import Readings, bench_of, card_of, spec_of
from fitsolver.page.seat_form import complaints
from fitsolver.page.seat_views import attachment, data_in, name_in
from fitsolver.page.site import Asked, Wrong
from fitsolver.page.store import Page
from fitsolver.page.work import Mark, Task

if TYPE_CHECKING:
    from fitsolver.budgeting.budget import Budget
    from fitsolver.fitting.bench import Bench
    from fitsolver.fitting.solver import Check
    from fitsolver.market.money import PriceLimit
    from fitsolver.market.spec import Spec, Wanted
    from fitsolver.stones.material import Material

USUAL = "corundum"
ONE_LINE = 100_000
"""So wide that no sentence is broken; the browser does that."""
PAPERS = ("a4", "letter")
# How long a card is waited for before the page says that it is being made.
CARD_PATIENCE_S = 1.0
# How long a script that asks how far the work is waits for news; an end is told at once.
LIVE_PATIENCE_S = 0.25


def answer(asked: Asked) -> Response:
    """List what seats; while it is worked out, how far the work is."""
    page = asked.site.store.read(asked.slug)
    data = data_in(page)
    context: dict[str, Any] = {
        "slug": asked.slug,
        "name": name_in(data, asked.slug),
        "materials": material_choices(),
        "material": material_of(asked).name,
        "material_said": bool(asked.query.get("material")),
        "waiting": False,
    }
    found = complaints(data, asked.site.store.folder)
    if found:
        return asked.page("answer.html", **context, found=found, task=None, spec=None)
    task = task_for(asked, page)
    if asked.live:
        task.wait(LIVE_PATIENCE_S)
    # Looked at once: the work may end while the page is being written.
    waiting = not task.ready
    context["waiting"] = waiting
    if asked.live and waiting:
        return asked.page("progress.html", **context, task=task)
    if asked.live:
        response: Response = HTMLResponse("")
        response.headers["hx-refresh"] = "true"
        return response
    if waiting or task.answer is None:
        return asked.page("answer.html", **context, found=[], task=task, spec=None)
    return asked.page("answer.html", **context, found=[], task=task, **_answer_context(task.answer))


def chosen(asked: Asked) -> Response:
    """Show one proposed cut in full: its seat, its margins, what the setter does."""
    page = asked.site.store.read(asked.slug)
    task = done(asked, page)
    if task.answer is None:
        return wait(asked)
    item = wanted(asked, task.answer)
    bench = bench_for(asked, page)
    from fitsolver.drawings.drawing import drawing_of
    from fitsolver.drawings.markup import svg
    from fitsolver.telling.report import NO_REASON

    rank = task.answer.wanted.index(item) + 1
    return asked.page(
        "chosen.html",
        slug=asked.slug,
        name=task.answer.mounting.name,
        material=task.answer.material.name,
        item=item,
        rank=rank,
        proposal=task.answer.proposals.proposals[rank - 1],
        drawing=Markup(svg(drawing_of(bench, item.ask, headed=False))),
        price=None if item.price is None else price_words(bench.mounting.budget, item.price),
        why="; ".join(item.reasons) or NO_REASON,
        money_notes=() if task.answer.money is None else task.answer.money.notes,
        cautions=task.answer.cautions,
        told=check_context(bench, item.ask),
    )


def sheet(asked: Asked) -> Response:
    """Hand the sheet out as PDF."""
    page = asked.site.store.read(asked.slug)
    task = done(asked, page)
    if task.answer is None:
        return wait(asked)
    from fitsolver.paper.sheet import sheet_bytes

    paper = asked.query.get("paper", PAPERS[0])
    if paper not in PAPERS:
        raise Wrong(404, asked.site.words.fault.not_found)
    content = sheet_bytes(task.answer, bench_for(asked, page), paper=paper)
    return Response(content, media_type="application/pdf", headers=attachment(asked.slug, ".pdf"))


def card(asked: Asked) -> Response:
    """Make the card for the dealer's table, say how far it is, and hand it out as one HTML file."""
    page = asked.site.store.read(asked.slug)
    found = done(asked, page)
    if found.answer is None:
        return wait(asked)
    spec: Spec = found.answer
    task = asked.site.work.task(
        f"{asked.slug}/card", (page.revision, f"card {found.mark[1]}"), card_of,
        readings_for(asked, page), spec,
    )  # fmt: skip
    task.wait(CARD_PATIENCE_S)
    waiting = not task.ready
    if task.answer is not None and "file" in asked.query:
        return Response(
            task.answer, media_type="text/html", headers=attachment(asked.slug, "-card.html")
        )
    return asked.page(
        "card.html",
        slug=asked.slug,
        name=spec.mounting.name,
        material=spec.material.name,
        task=task,
        waiting=waiting,
    )


def material_choices() -> list[tuple[str, str]]:
    """Every material with the trade names under which it is sold."""
    from fitsolver.stones.material import materials

    return [
        (stuff.name, f"{stuff.name} ({', '.join(stuff.aliases[:2])})" if stuff.aliases
         else stuff.name)
        for stuff in materials()
    ]  # fmt: skip


def material_of(asked: Asked) -> Material:
    """The material asked for; corundum if none is."""
    from fitsolver.stones.material import material

    try:
        return material(asked.query.get("material") or USUAL)
    except FitsolverError as error:
        raise Wrong(422, str(error)) from error


def bench_for(asked: Asked, page: Page) -> Bench:
    """The mounting made ready, kept as long as its file is the same."""
    return asked.site.benches.get(page.revision, lambda: bench_of(readings_for(asked, page)))


def readings_for(asked: Asked, page: Page) -> Readings:
    """What a mounting's file says."""
    return Readings(text=page.text, name=asked.slug, folder=asked.site.store.folder)


def task_for(asked: Asked, page: Page) -> Task:
    """The answer to a mounting as it is now, done or in the making."""
    stuff = material_of(asked)
    today = datetime.date.today()
    mark: Mark = (page.revision, f"{stuff.name} {today.isoformat()}")

    task = asked.site.work.task(
        asked.slug, mark, spec_of, readings_for(asked, page), stuff.name, today
    )
    if task.answer is not None:
        found: Spec = task.answer
        asked.site.proposed.put(page.revision, tuple(item.style.name for item in found.wanted))
    return task


def check_context(bench: Bench, found: Check) -> dict[str, Any]:
    """What a judgement says, for the templates: margins, the setter's work, readings to take."""
    from fitsolver.fitting.pose import pose_of
    from fitsolver.fitting.security import not_held
    from fitsolver.fitting.setting import ordinary_setting
    from fitsolver.telling.pose_report import LIES_HEAD, pose_sentences
    from fitsolver.text.layout import words
    from fitsolver.text.place import place_words

    order = sorted(found.requirements, key=lambda item: (item.probability, item.margin_mm))
    sure = found.verdict == "does not seat" or found.probability >= 0.95
    return {
        "check": found,
        "margins": order,
        "binding": next(item for item in found.requirements if item.name == found.binding),
        "not_held": not_held(found.security),
        "ordinary": () if found.verdict == "does not seat" else ordinary_setting(found),
        "alterations": altering(found),
        "advice": () if sure else [(item, words(item.reading)) for item in found.advice],
        "lies_head": LIES_HEAD,
        "lies": pose_sentences(pose_of(bench, found)),
        "contradictions": [
            (item.first.words, "" if item.second is None else item.second.words, item.apart_u)
            for item in found.contradictions
        ],
        "place": place_words,
        "assumed": assumed_lines(found.assumed),
    }


def altering(found: Check) -> list[str]:
    """The alterations of a stone as the command line tells them: work, limit, what to mind."""
    from fitsolver.fitting.setting import alterations
    from fitsolver.telling.report import alteration_words, total_words

    if found.verdict == "does not seat":
        return []
    told = [alteration_words(work) for work in alterations(found)]
    return [f"{text[:1].upper()}{text[1:]}" for text in (*told, total_words(found)) if text]


def price_words(budget: Budget | None, limit: PriceLimit) -> dict[str, Any]:
    """What the budget means for a cut: what a carat may cost, what it buys, where less is better.

    `ceilings` are (size, most at the estimated weight, that weight, most at the heavy end, that).
    """
    from fitsolver.budgeting.budget import rounded
    from fitsolver.telling.spec_report import bought_words, step_words

    assert budget is not None
    sizes = {"smallest": limit.smallest, "asked": limit.asked, "largest": limit.largest}
    return {
        "currency": budget.currency,
        "ceilings": [
            (name, rounded(size.ceiling_per_ct, ROUND_DOWN), str(size.document_ct),
             rounded(size.safe_ceiling_per_ct, ROUND_DOWN), str(size.heavy_document_ct))
            for name, size in sizes.items()
        ],
        "bought": bought_words(budget, limit) if budget.brackets else "",
        "steps": [step_words(budget, step) for step in limit.steps],
    }  # fmt: skip


def assumed_lines(items: Any) -> list[tuple[str, str, float, str, str]]:
    """What nobody measured: name, value, u, unit, source."""
    from fitsolver.text.layout import words

    return [
        (words(item.name),
         f"{item.value:z.{2 if item.unit == 'mm' else 1}f}" if item.u else f"{item.value:.3g}",
         item.u, item.unit.replace("deg", "°").replace("pct", "%"), item.source)
        for item in items
    ]  # fmt: skip


def outline_of(check: Check) -> Markup:
    """A small picture of the stone from above."""
    from fitsolver.drawings.figure import Board
    from fitsolver.drawings.markup import svg
    from fitsolver.drawings.style_drawing import view_of

    stone = check.stone
    pen = max(stone.length_mm / 88, stone.width_mm / 66)
    board = Board(pen)
    view = view_of(stone, "above", pen)
    low, high = view.corners()
    board.take(view.items, (48 * pen - (low[0] + high[0]) / 2, -4 * pen - high[1]))
    return Markup(svg(board.sheet("", "", 96), hidden=True))


def _answer_context(spec: Spec) -> dict[str, Any]:
    from fitsolver.telling.report import NO_REASON, order_words
    from fitsolver.telling.spec_report import left_words

    limits = [(k, item.price) for k, item in enumerate(spec.wanted, 1) if item.price is not None]
    budget = spec.mounting.budget
    count: dict[str, int] = {}
    for item in spec.wanted:
        count[item.verdict] = count.get(item.verdict, 0) + 1
    rows = []
    for item in spec.wanted:
        notes = "; ".join(item.notes)
        binding = next(each for each in item.ask.requirements if each.name == item.ask.binding)
        rows.append(
            {
                "item": item,
                "picture": outline_of(item.ask),
                "notes": notes,
                "binding": binding,
                "title": short_title(item.style.title),
                "why": "; ".join(item.reasons) or NO_REASON,
                "price": None if item.price is None else price_words(budget, item.price),
            }
        )
    return {
        "spec": spec,
        "rows": rows,
        "count": count,
        "order": order_words(spec.proposals.ranking),
        "order_changed": spec.proposals.ranking.changed,
        "left": [] if spec.money is None else list(left_words(spec.money, limits)),
        "money_notes": () if spec.money is None else spec.money.notes,
        "left_out": spec.proposals.left_out,
        "not_shown": spec.proposals.not_shown,
        "assumed": assumed_lines(spec.assumed),
    }


def short_title(title: str) -> str:
    """The first words of a cut's title.

    >>> short_title("Emerald cut (cut-corner step)")
    'Emerald cut'
    """
    return re.split(r" \(|, ", title)[0]


def done(asked: Asked, page: Page) -> Task:
    """The answer to a mounting, which may be in the making still; refused if the seat is faulty."""
    found = complaints(data_in(page), asked.site.store.folder)
    if found:
        raise Wrong(422, asked.site.words.answer.faulty)
    return task_for(asked, page)


def wait(asked: Asked) -> Response:
    """Send the browser to the list, which waits for the answer."""
    query = urlencode({"material": material_of(asked).name})
    return asked.go(asked.request.url.path.split("/m/")[0] + f"/m/{_quoted(asked)}/answer?{query}")


def _quoted(asked: Asked) -> str:
    from urllib.parse import quote

    return quote(asked.slug, safe="")


def wanted(asked: Asked, spec: Spec) -> Wanted:
    """The proposed cut in the address."""
    name = asked.request.path_params["cut"]
    for item in spec.wanted:
        if item.style.name == name:
            return item
    raise Wrong(404, asked.site.words.fault.not_found)


def told(error: FitsolverError) -> list[str]:
    """Write an error of the library as lines."""
    if isinstance(error, InputFaults):
        return [f"{fault.key}: {fault.rule}. {fault.remedy}" for fault in error.faults]
    return [str(error)]
