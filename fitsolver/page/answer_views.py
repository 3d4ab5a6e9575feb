"""What seats in a mounting: the list of cuts, one of them in full, and both on paper."""

from __future__ import annotations

import datetime
import re
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
    from fitsolver.fitting.solver import Bench, Check
    from fitsolver.market.spec import Spec, Wanted
    from fitsolver.stones.material import Material

USUAL = "corundum"
ONE_LINE = 100_000
"""So wide that no sentence is broken; the browser does that."""
PAPERS = ("a4", "letter")
# Widths of the range chart, either side of the size to ask for.
CURVE_POINTS = 25
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
    task = _done(asked, page)
    if task.answer is None:
        return _wait(asked)
    item = _wanted(asked, task.answer)
    bench = bench_for(asked, page)
    from fitsolver.drawings.drawing import drawing_of
    from fitsolver.page.ink import svg

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
        chart=Markup(range_chart(bench, item)),
        cautions=task.answer.cautions,
        told=check_context(bench, item.ask),
    )


def sheet(asked: Asked) -> Response:
    """Hand the sheet out as PDF."""
    page = asked.site.store.read(asked.slug)
    task = _done(asked, page)
    if task.answer is None:
        return _wait(asked)
    from fitsolver.paper.sheet import sheet_bytes

    paper = asked.query.get("paper", PAPERS[0])
    if paper not in PAPERS:
        raise Wrong(404, asked.site.words.fault.not_found)
    content = sheet_bytes(task.answer, bench_for(asked, page), paper=paper)
    return Response(content, media_type="application/pdf", headers=attachment(asked.slug, ".pdf"))


def card(asked: Asked) -> Response:
    """Make the card for the dealer's table, say how far it is, and hand it out as one HTML file."""
    page = asked.site.store.read(asked.slug)
    found = _done(asked, page)
    if found.answer is None:
        return _wait(asked)
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

    return asked.site.work.task(
        asked.slug, mark, spec_of, readings_for(asked, page), stuff.name, today
    )


def check_context(bench: Bench, found: Check) -> dict[str, Any]:
    """What a judgement says, for the templates: margins, the setter's work, readings to take."""
    from fitsolver.fitting.pose import pose_of
    from fitsolver.telling.layout import words
    from fitsolver.telling.place import place_words
    from fitsolver.telling.pose_report import pose_lines
    from fitsolver.telling.setting import alterations, ordinary_setting

    head, *lies = pose_lines(pose_of(bench, found), ONE_LINE)
    order = sorted(found.requirements, key=lambda item: (item.probability, item.margin_mm))
    sure = found.verdict == "does not seat" or found.probability >= 0.95
    return {
        "check": found,
        "margins": order,
        "binding": next(item for item in found.requirements if item.name == found.binding),
        "ordinary": () if found.verdict == "does not seat" else ordinary_setting(found),
        "alterations": () if found.verdict == "does not seat" else alterations(found),
        "advice": () if sure else [(item, words(item.reading)) for item in found.advice],
        "lies_head": head,
        "lies": [line.strip().removeprefix("- ") for line in lies],
        "contradictions": [
            (words(item.first), words(item.second), item.apart_u) for item in found.contradictions
        ],
        "place": place_words,
        "assumed": assumed_lines(found.assumed),
    }


def assumed_lines(items: Any) -> list[tuple[str, str, float, str, str]]:
    """What nobody measured: name, value, u, unit, source."""
    from fitsolver.telling.layout import words

    return [
        (words(item.name),
         f"{item.value:z.{2 if item.unit == 'mm' else 1}f}" if item.u else f"{item.value:.3g}",
         item.u, item.unit.replace("deg", "°").replace("pct", "%"), item.source)
        for item in items
    ]  # fmt: skip


def outline_of(check: Check) -> Markup:
    """A small picture of the stone from above."""
    from fitsolver.drawings.figure import Board
    from fitsolver.drawings.style_drawing import view_of
    from fitsolver.page.ink import svg

    stone = check.stone
    pen = max(stone.length_mm / 88, stone.width_mm / 66)
    board = Board(pen)
    view = view_of(stone, "above", pen)
    low, high = view.corners()
    board.take(view.items, (48 * pen - (low[0] + high[0]) / 2, -4 * pen - high[1]))
    return Markup(svg(board.sheet("", "", 96), hidden=True))


def range_chart(bench: Bench, item: Wanted) -> str:
    """Draw how likely each width seats at the proportions of the size to ask for."""
    import numpy as np

    from fitsolver.fitting.solver import chances

    stone = item.ask.stone
    ratio, share = stone.length_mm / stone.width_mm, stone.depth_mm / stone.width_mm
    reach = max(0.35, 1.4 * (item.width_mm.high - item.width_mm.low))
    widths = np.linspace(stone.width_mm - reach, stone.width_mm + reach, CURVE_POINTS)
    ordinary, altered = chances(
        bench, stone.form, np.deg2rad(item.ask.turn_deg), np.outer(widths, [ratio, 1.0]),
        widths[:, None] * share, 128, item.ask.girdle_bottom_mm + stone.girdle_mm / 2,
    )  # fmt: skip
    left, right, top, foot = 44.0, 378.0, 14.0, 150.0
    first, last = float(widths[0]), float(widths[-1])

    def x(width: float) -> float:
        return left + (right - left) * (width - first) / (last - first)

    def y(share: float) -> float:
        return foot - (foot - top) * share

    def line(name: str, values: Any) -> str:
        steps = "L".join(
            f"{x(float(w)):.1f} {y(float(p)):.1f}"
            for w, p in zip(widths, values[:, 0], strict=True)
        )
        return f'<path class="{name}" d="M{steps}"/>'

    parts = [
        f'<rect class="c-box" x="{x(max(item.width_mm.low, first)):.1f}" y="{top:g}" '
        f'width="{max(x(min(item.width_mm.high, last)) - x(max(item.width_mm.low, first)), 1):.1f}"'
        f' height="{foot - top:g}"/>'
    ]
    for share_ in (0.0, 0.5, 0.9, 1.0):
        parts.append(
            f'<path class="c-rule" d="M{left:g} {y(share_):.1f}H{right:g}"/>'
            f'<text class="t" font-size="10" x="{left - 5:g}" y="{y(share_) + 3.5:.1f}" '
            f'text-anchor="end">{100 * share_:.0f} %</text>'
        )
    for width in np.linspace(first, last, 5).tolist():
        parts.append(
            f'<path class="c-tick" d="M{x(width):.1f} {foot:g}v4"/><text class="t" font-size="10" '
            f'x="{x(width):.1f}" y="{foot + 15:g}" text-anchor="middle">{width:.2f}</text>'
        )
    parts += [line("c-altered", altered), line("c-ordinary", ordinary)]
    at = x(stone.width_mm)
    parts.append(
        f'<path class="c-ask" d="M{at:.1f} {top - 6:g}V{foot:g}"/>'
        f'<circle class="c-dot" cx="{at:.1f}" cy="{y(item.probability):.1f}" r="3.5"/>'
    )
    return (
        '<svg class="drawing chart" viewBox="0 0 390 172" aria-hidden="true" focusable="false">'
        + "".join(parts)
        + "</svg>"
    )


def _answer_context(spec: Spec) -> dict[str, Any]:
    from fitsolver.telling.layout import words
    from fitsolver.telling.report import NAMES

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
                "notes": NAMES.sub(lambda name: words(name[0]), notes),
                "binding": binding,
                "title": short_title(item.style.title),
            }
        )
    return {
        "spec": spec,
        "rows": rows,
        "count": count,
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


def _done(asked: Asked, page: Page) -> Task:
    found = complaints(data_in(page), asked.site.store.folder)
    if found:
        raise Wrong(422, asked.site.words.answer.faulty)
    return task_for(asked, page)


def _wait(asked: Asked) -> Response:
    query = urlencode({"material": material_of(asked).name})
    return asked.go(asked.request.url.path.split("/m/")[0] + f"/m/{_quoted(asked)}/answer?{query}")


def _quoted(asked: Asked) -> str:
    from urllib.parse import quote

    return quote(asked.slug, safe="")


def _wanted(asked: Asked, spec: Spec) -> Wanted:
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
