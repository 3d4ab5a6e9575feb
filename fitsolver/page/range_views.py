"""The seating range of one proposed cut: its chart, its extents, and how likely each width seats.

It takes seconds, so that it is worked out behind the page of the cut and joins it when it is ready.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from fitsolver.page.answer_views import done, readings_for, wait, wanted
from fitsolver.page.helper import Progress
from fitsolver.page.job import Readings, kept_bench
from fitsolver.page.site import Asked

if TYPE_CHECKING:
    from fitsolver.crew import Crew
    from fitsolver.fitting.bench import Bench
    from fitsolver.fitting.proposal import Proposal
    from fitsolver.market.spec import Spec, Wanted

# Widths of the chart of chances, either side of the size to ask for.
CURVE_POINTS = 25
# How long a range is waited for before the page says how far it is.
PATIENCE_S = 0.3


def seating_range(asked: Asked) -> Response:
    """Show the seating range of a cut, as part of its page or, without scripts, as its own."""
    page = asked.site.store.read(asked.slug)
    found = done(asked, page)
    if found.answer is None:
        return HTMLResponse("", headers={"hx-refresh": "true"}) if asked.live else wait(asked)
    spec: Spec = found.answer
    item = wanted(asked, spec)
    proposal = spec.proposals.proposals[spec.wanted.index(item)]
    task = asked.site.work.task(
        f"{asked.slug}/range", (page.revision, f"range {item.style.name} {found.mark[1]}"),
        range_of, readings_for(asked, page), proposal, item,
    )  # fmt: skip
    task.wait(PATIENCE_S)
    # Looked at once: the work may end while the page is being written.
    waiting = not task.ready
    return asked.page(
        "range.html" if asked.live else "range_page.html",
        slug=asked.slug,
        name=spec.mounting.name,
        material=spec.material.name,
        item=item,
        task=task,
        waiting=waiting,
        found=None if waiting else task.answer,
    )


def range_of(
    readings: Readings, proposal: Proposal, item: Wanted, *, progress: Progress
) -> dict[str, Any]:
    """Work the range out: a job, which another process can do."""
    from fitsolver.drawings.markup import svg
    from fitsolver.drawings.range_chart import range_chart
    from fitsolver.fitting.region import region
    from fitsolver.telling.range_report import calibrated_words, depth_rows, extent_rows

    bench = kept_bench(readings)
    every = region(bench, proposal, crew=_told(progress))
    return {
        "chart": Markup(svg(range_chart(every))),
        "extents": extent_rows(every),
        "depths": depth_rows(every),
        "calibrated": list(calibrated_words(every)),
        "chances": Markup(chance_chart(bench, item)),
    }


def _told(progress: Progress) -> Crew:
    """A crew that tells how far it is."""
    from fitsolver.crew import together

    def crew(
        do: Callable[[Any], Any], items: Sequence[Any], told: Callable[[int], None] | None = None
    ) -> list[Any]:
        total = len(items)
        return together(do, items, lambda count: progress(min(count, total), total))

    return crew


def chance_chart(bench: Bench, item: Wanted) -> str:
    """Draw how likely each width seats at the proportions of the size to ask for."""
    import numpy as np

    from fitsolver.fitting.judge import Stand, judge

    stone = item.ask.stone
    ratio, share = stone.length_mm / stone.width_mm, stone.depth_mm / stone.width_mm
    reach = max(0.35, 1.4 * (item.width_mm.high - item.width_mm.low))
    widths = np.linspace(stone.width_mm - reach, stone.width_mm + reach, CURVE_POINTS)
    stand = Stand.all(len(widths), np.deg2rad(item.ask.turn_deg), item.ask.girdle_bottom_mm)
    found = judge(
        bench, stone.form.style, widths * ratio, widths, widths[:, None] * share, stand, draws=128,
        figure=stone.form,
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
    parts += [line("c-altered", found.after), line("c-ordinary", found.probability)]
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
