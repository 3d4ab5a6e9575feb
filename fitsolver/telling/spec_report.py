"""The size spec as text, for a buyer at a table: what to ask for first, the rest behind it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import ROUND_DOWN, ROUND_UP

from fitsolver.budgeting.budget import Budget, rounded
from fitsolver.fitting.box import Range
from fitsolver.market.aim import aim_words
from fitsolver.market.money import Money, PricedSize, PriceLimit, StepDown
from fitsolver.market.refusal import Refusal
from fitsolver.market.spec import Change, ReadingLine, Spec, Wanted
from fitsolver.telling.report import (
    WIDTH,
    assumed_lines,
    headline,
    seat_words,
    size_words,
    verdict_lines,
)
from fitsolver.telling.stone_report import carats
from fitsolver.text.layout import (
    bullets,
    columns,
    dimensions,
    list_of,
    page,
    paragraph,
    per_cent,
    plain,
    words,
)
from fitsolver.units import format_ct, format_mm

ESTIMATE = "Estimate, not a laboratory report."


def spec_text(found: Spec, width: int = WIDTH) -> str:
    """Say what to ask for in a mounting, what to refuse, what it may cost, and what it rests on."""
    money = found.money
    blocks = [
        [f"SIZE SPEC, {found.date.isoformat()}. {ESTIMATE}", headline(found.proposals)],
        strip_lines(found),
        [
            paragraph(plain(found.mounting.name), width),
            paragraph(f"{seat_words(found.mounting)}; a stone of {found.material.name}.", width),
        ],
        _in_the_way(found.changes, width),
        _ask_for(found.wanted),
        list(_beside(found.wanted, width)),
        *([] if money is None else _price(money, found.wanted, width)),
        _refuse(found, width),
        _readings(found.readings),
        assumed_lines(found.assumed, width),
        bullets("Cautions", found.cautions, width),
    ]
    return page(blocks)


def strip(found: Spec) -> tuple[tuple[str, str], ...]:
    """Return what has to be known at the table of the first choice, in three lines: (what, text).

    Outline and sizes, depth and carats, ceiling; empty where nothing seats.
    """
    if not found.wanted:
        return ()
    first = found.wanted[0]
    stone, decided = first.ask.stone, first.verdict != "not decided"
    size = dimensions(stone.length_mm, stone.width_mm)
    outline = f"{first.style.title}, {size} mm"
    depth = f"{stone.depth_mm:.2f} mm"
    weight = f"about {format_ct(first.ask_weight_ct)}"
    if decided:
        outline += f" ({_span(first.length_mm)} x {_span(first.width_mm)})"
        depth += f" ({_span(first.depth_mm)})"
        weight += f" ({carats(first.weight_ct.low, first.weight_ct.high).replace(' to ', '-')})"
    ceiling = "none: the file of the mounting has no budget"
    if found.money is not None and first.price is not None:
        budget, asked = found.money.budget, first.price.asked
        ceiling = (
            f"{budget.about(asked.ceiling_per_ct, ROUND_DOWN)} a carat at {asked.document_ct} ct, "
            f"{budget.written(found.money.left)} in all"
        )
    return (
        ("Ask for" if decided else "Nearest", outline),
        ("Depth", f"{depth}, {weight}"),
        ("At most", ceiling),
    )


def strip_lines(found: Spec) -> list[str]:
    """The strip as text."""
    lines = [[what, plain(text)] for what, text in strip(found)]
    return columns(lines, "<<") if lines else []


def written_text(found: Spec) -> str:
    """What is said where the spec itself was written to a file: the verdict and the strip."""
    return page([[headline(found.proposals), *strip_lines(found)]])


def _ask_for(wanted: Sequence[Wanted]) -> list[str]:
    """The outlines in order: the size to ask for, and the limits within which all sizes hold."""
    if not wanted:
        return []
    rows = [["Ask for, in this order", "", "length", "width", "depth mm", "weight ct"]]
    for rank, item in enumerate(wanted, 1):
        stone = item.ask.stone
        first, second = verdict_lines(item.verdict)
        chance = per_cent(item.probability)
        after = per_cent(item.ask.probability_after_alteration)
        sides = (item.length_mm, item.width_mm, item.depth_mm)
        undecided = item.verdict == "not decided"
        rows.append(
            [
                f"{rank} {item.style.name}", "nearest" if undecided else "ask for",
                f"{stone.length_mm:.2f}",
                f"{stone.width_mm:.2f}", f"{stone.depth_mm:.2f}",
                f"about {format_ct(item.ask_weight_ct).removesuffix(' ct')}",
            ]
        )  # fmt: skip
        limits = ["", "", "", ""]
        if not undecided:
            weight = carats(item.weight_ct.low, item.weight_ct.high).replace(" to ", "-")
            limits = [*map(_span, sides), weight]
        label = "within" if any(limits) else ""
        if item.verdict == "seats after alteration":
            rows.append([f"  {first}", label, *limits])
            rows.append([f"  {second}, {after}", "", "", "", "", ""])
        else:
            rows.append([f"  {first}, {chance}", label, *limits])
        if undecided:
            rows.append([f"{second} {after}", "", "", "", "", ""])
    return columns(rows, "<<<<<<", indent=0, gap=1)


def _span(side: Range) -> str:
    if side.high - side.low < 0.005:
        return f"{side.low:.2f}"
    return f"{side.low:.2f}-{side.high:.2f}"


def _beside(wanted: Sequence[Wanted], width: int) -> Iterator[str]:
    """Calibrated sizes, tolerance of the first choice, and what to know of each cut."""
    if not wanted:
        return
    if said := aim_words(item.aim for item in wanted):
        yield paragraph(said, width)
    first = wanted[0]
    if first.verdict != "not decided":
        tolerance = first.tolerance_mm
        text = (
            f"Tolerance on length and width of 1: +{tolerance.plus:.2f} / "
            f"-{tolerance.minus:.2f} mm from the size to ask for."
        )
        yield paragraph(text, width)
    sizes = [
        f"{size_words(size.length_mm, size.width_mm)} mm for {rank} ({per_cent(size.probability)})"
        for rank, item in enumerate(wanted, 1)
        for size in item.calibrated
    ]
    yield paragraph(f"Calibrated sizes that hold: {', '.join(sizes) or 'none'}.", width)
    for rank, item in enumerate(wanted, 1):
        if item.notes:
            yield paragraph(plain("; ".join(item.notes)), width, first=f"{rank:2d} ")


# Money


def _price(money: Money, wanted: Sequence[Wanted], width: int) -> list[list[str]]:
    """What is left, the ceiling of each cut, the largest that it buys, and where less is better."""
    budget = money.budget
    limits = [(rank, item.price) for rank, item in enumerate(wanted, 1) if item.price is not None]
    return [
        [paragraph(text, width) for text in left_words(money, limits)],
        _ceilings(budget, limits),
        _buys(budget, limits, width),
        _thresholds(budget, limits, width),
        bullets("About the money", money.notes, width),
    ]


def left_words(money: Money, limits: Sequence[tuple[int, PriceLimit]]) -> Iterator[str]:
    """Say what is left for the stone, and where it is too little; limits come with their rank."""
    budget = money.budget
    costs = [
        plain(cost.name) + " " + budget.written(cost.amount)
        + ("" if cost.pct is None else f" ({cost.pct:f} %)")
        for cost in budget.costs
    ]  # fmt: skip
    less = f" less {list_of(costs)}" if costs else ""
    yield f"FOR THE STONE: {budget.written(money.left)}, of {budget.written(budget.total)}{less}."
    beyond = [
        str(rank)
        for rank, limit in limits
        if limit.asked.price is not None and limit.asked.price.high > money.left
    ]
    short = money.short
    if short is None and beyond:
        yield (
            f"By the quotes it may not reach the size to ask for of {list_of(beyond)}: see below "
            "what it buys."
        )
    if short is not None:
        yield (
            f"TOO LITTLE for any stone that seats, by the quotes: the cheapest, {short.cut} "
            f"{_size(short.at)}, is {budget.about(short.short_by, ROUND_UP)} dearer. It holds at "
            f"{budget.about(short.holds_at_per_ct, ROUND_DOWN)} per carat or less."
        )


def _ceilings(budget: Budget, limits: Sequence[tuple[int, PriceLimit]]) -> list[str]:
    """The most that a carat may cost, at the estimated weight and at the heavy end of it."""
    if not limits:
        return []
    rows = [
        [f"At most, {plain(budget.currency)} a carat", "smallest", "size to ask for", "largest"]
    ]
    for rank, limit in limits:
        sizes = (limit.smallest, limit.asked, limit.largest)
        rows.append(
            [
                f"{rank} {limit.cut}",
                *(f"{rounded(size.ceiling_per_ct, ROUND_DOWN)} at {size.document_ct} ct"
                  for size in sizes),
            ]
        )  # fmt: skip
        rows.append(
            [
                "  safe, if as heavy as",
                *(f"{rounded(size.safe_ceiling_per_ct, ROUND_DOWN)} at {size.heavy_document_ct} ct"
                  for size in sizes),
            ]
        )  # fmt: skip
    return columns(rows, "<<<<", indent=0)


def _buys(budget: Budget, limits: Sequence[tuple[int, PriceLimit]], width: int) -> list[str]:
    """The largest stone of each cut that what is left buys, by the quotes."""
    if not budget.brackets or not limits:
        return []
    lines = ["By the quotes it buys at most (dear end of the quotes; weight as estimated)"]
    for rank, limit in limits:
        lines.append(paragraph(bought_words(budget, limit), width, first=f"{rank} ", rest="  "))
    return lines


def bought_words(budget: Budget, limit: PriceLimit) -> str:
    """Say which size of a cut is the largest that what is left buys, by the quotes."""
    size = limit.affordable
    parts = []
    if size is None and limit.short is not None:
        price = budget.about(limit.short.holds_at_per_ct, ROUND_DOWN)
        parts.append(
            f"nothing that seats: short by {budget.about(limit.short.short_by, ROUND_UP)}; "
            f"{_size(limit.short.at)} holds at {price} per carat"
        )
    elif size is None and limit.affordable_at_best is not None:
        parts.append(f"at the cheap end only: {_size(limit.affordable_at_best)}")
    elif size is None:
        parts.append("nobody quoted a price for these weights")
    else:
        whole = ", the largest that seats" if size == limit.largest else ""
        parts.append(f"{_size(size)}{whole}")
        surely = limit.affordable_surely
        if surely is not None and surely != size:
            parts.append(f"even at the heavy end of its weight: {_size(surely)}")
        best = limit.affordable_at_best
        if best is not None and best != size:
            parts.append(f"at the cheap end: {_size(best)}")
    parts += [f"no quote for {gap.low_ct} to {gap.high_ct} ct" for gap in limit.unquoted]
    return "; ".join(parts) + "."


def _size(size: PricedSize) -> str:
    sides = dimensions(size.length_mm, size.width_mm, size.depth_mm)
    return f"{sides} mm, {size.document_ct} ct"


def _thresholds(budget: Budget, limits: Sequence[tuple[int, PriceLimit]], width: int) -> list[str]:
    lines = []
    for rank, limit in limits:
        for step in limit.steps:
            text = step_words(budget, step)
            lines.append(paragraph(text, width, first=f"{rank} ", rest="  "))
    return ["A little smaller is the better buy", *lines] if lines else []


def step_words(budget: Budget, step: StepDown) -> str:
    """Say what a size a little under a threshold of price saves, and what it gives up."""
    # Dear ends of two quotes may lie nearer to each other than the cheap ends.
    low, high = sorted((step.saves.low, step.saves.high))
    saves = budget.about(high, ROUND_DOWN)
    if low != high:
        saves = f"{rounded(low, ROUND_DOWN)} to {saves}"
    return (
        f"under {step.threshold_ct} ct: {_size(step.below)} instead of {_size(step.above)} saves "
        f"{saves} for {step.gives_up_ct} ct and {step.gives_up_width_mm:.2f} mm of width."
    )


# What to refuse, and what it rests on


def _refuse(found: Spec, width: int) -> list[str]:
    """What to refuse of the first choice and of any stone; the other cuts have their limits."""
    first = found.wanted[0].style.name if found.wanted else ""
    told = [item for item in found.refuse if item.kind != "cut" and item.cut in ("", first)]
    undecided = [
        item for item in found.refuse if item.kind == "undecided" and item.cut not in ("", first)
    ]
    left = [item for item in found.refuse if item.kind == "cut"]
    lines = [_bullet(item, width) for item in (*told, *undecided)]
    if left and found.wanted:
        more = len(found.proposals.left_out) - len(left)
        rest = f"; and {more} more cuts" if more > 0 else ""
        text = "; ".join(f"{item.what} ({item.why})" for item in left)
        lines.append(paragraph(f"other cuts: {text}{rest}", width, first="  - "))
    if not lines:
        return []
    head = f"Refuse ({first})" if first else "Refuse"
    others = any(item.verdict != "not decided" for item in found.wanted[1:])
    tail = ["  The others likewise past their limits above."] if others else []
    return [head, *lines, *tail]


def _bullet(item: Refusal, width: int) -> str:
    return paragraph(f"{item.what}: {item.why}", width, first="  - ")


def _in_the_way(changes: Iterable[Change], width: int) -> list[str]:
    """What would have to change, where nothing seats."""
    lines = []
    for item in changes:
        size = dimensions(item.length_mm, item.width_mm)
        text = f"{item.cut}, {size} mm at best: {item.why}, by {format_mm(item.short_by_mm)}. "
        if item.work:
            text += (
                f"To {item.work} answers to that, by up to {format_mm(item.allowed_mm)} in bench "
                f"practice: {item.caution}. A licensed bench says whether this metal gives more."
            )
        else:
            text += "No usual alteration answers to that."
        lines.append(paragraph(text, width, first="  - "))
    if not lines:
        return []
    tail = "Readings taken again, another cut, or a new seat are the ways left."
    return ["What is in the way, the nearest miss first", *lines, paragraph(tail, width)]


def _readings(lines: Sequence[ReadingLine]) -> list[str]:
    """The readings, radii of one instrument in one line."""
    rows = [["Rests on these readings", "mm", "+- u", "taken with", "at"]]
    radii = [item for item in lines if item.name.startswith("opening_radii_mm")]
    for item in lines:
        if item not in radii:
            times = f", {item.repeats} times" if item.repeats > 1 else ""
            tool = f"{item.instrument}{times}"
            rows.append(
                [f"  {words(item.name)}", f"{item.value_mm:.2f}", f"{item.u_mm:.2f}", tool,
                 item.level]
            )  # fmt: skip
    for tool in dict.fromkeys(item.instrument for item in radii):
        row = [item for item in radii if item.instrument == tool]
        low, high = min(item.value_mm for item in row), max(item.value_mm for item in row)
        doubt = max(item.u_mm for item in row)
        rows.append(
            [f"  {len(row)} opening radii", f"{low:.2f}-{high:.2f}", f"{doubt:.2f}", tool,
             row[0].level]
        )  # fmt: skip
    return columns(rows, "<>><<", indent=0)
