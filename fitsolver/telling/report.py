"""Answers as text for a buyer at a table: the verdict first, then numbers in columns.

Plain letters only, so that it reads the same on a terminal, in a file and in a message. A line
that begins with ~ stands on something nobody measured.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import groupby

from fitsolver.errors import MOST_TOLD, Fault
from fitsolver.fitting.advice import BETTER_HOW
from fitsolver.fitting.box import Range
from fitsolver.fitting.judge import Verdict
from fitsolver.fitting.pose import Pose
from fitsolver.fitting.proposal import LeftOut, Proposal, Proposals
from fitsolver.fitting.security import not_held
from fitsolver.fitting.setting import (
    Alteration,
    alteration_total_mm,
    alterations,
    cautions,
    ordinary_setting,
)
from fitsolver.fitting.solver import Check, Margin
from fitsolver.seats.belief import Assumed
from fitsolver.seats.contradiction import Contradiction
from fitsolver.seats.mounting import Mounting
from fitsolver.seats.ranking import Ranking
from fitsolver.stones.cut import CutStyle
from fitsolver.stones.material import Material
from fitsolver.telling.pose_report import pose_lines
from fitsolver.telling.stone_report import agreement_lines, carats
from fitsolver.text.layout import (
    bullets,
    columns,
    dimensions,
    page,
    paragraph,
    per_cent,
    plain,
    unit_of,
    words,
)
from fitsolver.text.place import dial, place_words
from fitsolver.units import format_ct, format_mm
from fitsolver.weighing.consistency import Consistency
from fitsolver.weighing.offer import LOOK, tested
from fitsolver.weighing.weight import Weight

WIDTH = 80
ASSUMED = "Assumed, not measured (~)"
SIDES = ("length_mm", "width_mm", "depth_mm")
# Names of readings within a sentence.
# Why a cut ranks where it does if no part stands out.
NO_REASON = "good in every part, best in none"
# How many lines the short lists show; JSON carries all of them.
SHORT = 5
LEGEND = (
    "Margin: how far it holds; minus = short by that much. Limit: what the bench asks for or "
    "allows. Directions: seen from above, length left to right; 0 deg = 3 o'clock = along the "
    "length, 90 deg = 12 o'clock = across the width, up."
)


def faults_text(faults: Sequence[Fault], width: int = WIDTH) -> str:
    """List the faults of an input, each with its place, its rule and its remedy."""
    head = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    told = [
        paragraph(plain(fault), width, first="  ", rest="      ") for fault in faults[:MOST_TOLD]
    ]
    if len(faults) > MOST_TOLD:
        told.append(f"  and {len(faults) - MOST_TOLD:,} more; correct these first")
    return "\n".join([head, *told])


def weight_text(
    weight: Weight,
    style: CutStyle,
    stuff: Material,
    agreement: Consistency | None = None,
    width: int = WIDTH,
    *,
    given: Collection[str] | None = None,
    title: str | None = None,
) -> str:
    """Say what a stone weighs, what the handbook says, and what nobody measured.

    `given` names the readings that were taken, and `material` if that was said; sizes and a
    material that are not among them are marked (~). Without it nothing is marked. `title` takes the
    place of the style's, where a word for a shape covers several.
    """
    blocks = [
        [_weight_line(weight), "", _stone_line(title or style.title, weight, stuff, width, given)],
        bullets("Warnings", weight.warnings, width),
        _covered(weight, width) if title else [],
        [
            *columns(list(_beside(weight)), "<<", indent=0),
            *_source(weight, width),
            paragraph(f"Interval held against: {tested(style, stuff)}.", width),
        ],
        _doubts(weight, [] if given is None or "material" in given else [stuff.name]),
        _agreement(agreement, width),
        bullets("Cautions", cautions(stuff), width),
    ]
    return page(blocks)


def check_text(
    found: Check,
    weight: Weight,
    stuff: Material,
    width: int = WIDTH,
    pose: Pose | None = None,
    *,
    material_given: bool = True,
) -> str:
    """Say whether a stone seats, how far each requirement holds, and what the setter does.

    With its `pose` also how it lies. A material that nobody gave is marked (~).
    """
    style = found.stone.form.style
    binding = next(item for item in found.requirements if item.name == found.binding)
    size = dimensions(found.stone.length_mm, found.stone.width_mm, found.stone.depth_mm)
    blocks = [
        [f"{found.verdict.upper()}   {_chances(found)}"],
        [
            paragraph(plain(found.mounting.name), width),
            paragraph(
                f"{style.title}, {size} mm, {'' if material_given else '~'}{stuff.name}", width
            ),
            _weight_line(weight),
        ],
        bullets("Warnings", weight.warnings, width),
        [paragraph(f"Tightest: {_tightest(binding)}", width), *_margins(found, width)],
        pose_lines(pose, width) if pose is not None else [],
        _bench(found, width),
        _readings(found, width),
        _contradictions(found.contradictions, width),
        [
            *(assumed_lines(found.assumed, width) or ([] if material_given else [ASSUMED])),
            *([] if material_given else [f"~ material: none was given, taken as {stuff.name}"]),
        ],
        bullets("Cautions", cautions(stuff, found.mounting), width),
    ]
    return page(blocks)


def proposals_text(found: Proposals, width: int = WIDTH, *, aim: str = "") -> str:
    """Say what to look for in a mounting: cuts, sizes, weights, and what the setter does.

    `aim` says why the sizes to ask for are the ones they are (`aim.aim_words`).
    """
    mounting = found.mounting
    blocks = [
        [paragraph(headline(found), width)],
        [
            paragraph(plain(mounting.name), width),
            *([paragraph(plain(mounting.story), width)] if mounting.story else []),
            paragraph(f"{seat_words(mounting)}; stones of {found.material.name}.", width),
        ],
    ]
    if found.proposals:
        blocks += [
            [*_ranking(found.proposals), *([paragraph(aim, width, first="  ")] if aim else [])],
            list(_notes(found.proposals, width)),
            _sizes(found.proposals),
            _order(found, width),
            *_best(found.proposals[0], found.material, width),
        ]
    blocks += [
        _left_out(found.left_out, found.not_shown, width),
        _contradictions(found.contradictions, width),
        assumed_lines(found.assumed, width),
        bullets("Cautions", cautions(found.material, mounting), width),
    ]
    return page(blocks)


# Weight


def _weight_line(weight: Weight) -> str:
    """The weight as documents write it; the interval is rounded outward."""
    found = weight.weight_ct
    about = format_ct(found.value, approximately=True)
    return f"{about} ({carats(found.low, found.high)})"


def _stone_line(
    title: str, weight: Weight, stuff: Material, width: int, given: Collection[str] | None
) -> str:
    known = set(SIDES if given is None else given)
    size = " x ".join(
        f"{'' if name in known else '~'}{weight.sizes_mm[name].value:.2f}" for name in SIDES
    )
    mark = "" if given is None or "material" in given else "~"
    return paragraph(f"{title}, {size} mm, {mark}{stuff.name}", width)


def _covered(weight: Weight, width: int) -> list[str]:
    """Say what a word for a shape covers, and which pavilion to look at."""
    rows = [["It may be", "counts", "as such"]]
    rows += [
        [f"  {name}", per_cent(part), f"{ct:.2f} ct"]
        for name, (part, ct) in sorted(weight.covered.items(), key=lambda item: -item[1][0])
        if part >= 0.005
    ]
    if len(rows) < 3:
        return []
    settle = f"To settle it {LOOK}. Then name the cut."
    return [*columns(rows, "<>>", indent=0), paragraph(settle, width)]


def _beside(weight: Weight) -> Iterator[list[str]]:
    """Compare with the handbook: its weight, its coefficient, and this stone's."""
    book = weight.handbook
    form = f"length x width x depth x density x {weight.coefficient:.5f}"
    yield ["this estimate", f"{weight.weight_ct.value:.2f} ct = {form}"]
    if book is None:
        yield ["handbook", "has no coefficient for this cut and make"]
    else:
        yield ["handbook", f"{book.weight_ct:.2f} ct = {book.form} x depth x density x {book.k:g}"]
    if len(weight.makes) > 1:
        parts = (f"{make} {per_cent(part)}" for make, part in weight.makes.items())
        yield ["make not given", ", ".join(parts)]
    else:
        yield ["make", next(iter(weight.makes))]


def _source(weight: Weight, width: int) -> list[str]:
    if weight.handbook is None:
        return []
    return [paragraph(f"The handbook's: {weight.handbook.source}.", width)]


def _doubts(weight: Weight, materials: Sequence[str]) -> list[str]:
    """What was assumed, the largest doubts first, and which reading would narrow the weight."""
    if not weight.assumed:
        return []
    gains = dict(weight.next_readings)
    u = weight.weight_ct.u
    rows = [["", "taken as", "share of doubt", "if measured, u in ct"]]
    rows += [["~ material", name, "", ""] for name in materials]
    if "make" in weight.shares:
        rows.append(["~ make", "weighed up", per_cent(weight.shares["make"]), ""])
    for item in weight.assumed[:SHORT]:
        unit = unit_of(item.name)
        value = f"{item.value:.3g} +- {item.u:.2g} {unit}".rstrip()
        gain = gains.get(item.reading, 0.0)
        better = f"{u:.3f} -> {max(u - gain, 0.0):.3f}" if gain >= 0.0005 else ""
        rows.append([f"~ {words(item.name)}", value, per_cent(item.share), better])
    more = len(weight.assumed) - SHORT
    rest = [f"~ and {more} more that matter less"] if more > 0 else []
    lines = [ASSUMED, *columns(rows, "<<>>", indent=0), *rest]
    if weight.next_readings and weight.next_readings[0][1] >= 0.0005:
        name, _ = weight.next_readings[0]
        lines += ["", f"Which reading would narrow it most: {words(name)}."]
    return lines


def _agreement(agreement: Consistency | None, width: int) -> list[str]:
    if agreement is None:
        return []
    return agreement_lines(agreement, "Mass over size implies a density of", width)


# One stone


def _chances(found: Check) -> str:
    if not found.security.held:
        return not_held(found.security)
    as_is, after = found.probability, found.probability_after_alteration
    text = f"{per_cent(as_is)} as the seat is"
    return text if after - as_is < 0.005 else f"{text}, {per_cent(after)} after alteration"


def _tightest(margin: Margin) -> str:
    state = "to spare" if margin.margin_mm >= 0 else "SHORT"
    size = f"{abs(margin.margin_mm):.2f} +- {margin.u_mm:.2f} mm"
    at = "" if margin.direction_deg is None else f" at {place_words(margin.direction_deg)}"
    return f"{margin.name}, {size} {state}{at} ({margin.meaning})."


def _margins(found: Check, width: int) -> list[str]:
    """Every requirement, the least sure first."""
    rows = [["", "margin mm", "+- u", "holds", "limit mm", "tightest at"]]
    order = sorted(found.requirements, key=lambda item: (item.probability, item.margin_mm))
    for item in order:
        at = ""
        if item.direction_deg is not None:
            at = dial(item.direction_deg) if width >= WIDTH else f"{item.direction_deg:.0f} deg"
        rows.append(
            [
                item.name, f"{item.margin_mm:z.2f}",
                f"{item.u_mm:.2f}", per_cent(item.probability),
                f"{item.threshold_mm:z.2f}", at,
            ]
        )  # fmt: skip
    return [*columns(rows, "<>>>>>"), paragraph(LEGEND, width, first="  ")]


def alteration_words(work: Alteration) -> str:
    """Tell one alteration: the work, how much of it of what is allowed, and what to mind."""
    about = f"about {format_mm(work.about_mm)}" if work.about_mm >= 0.005 else "perhaps"
    most = f", at most {format_mm(work.at_most_mm)}" if about != "perhaps" else (
        f" by up to {format_mm(work.at_most_mm)}"
    )  # fmt: skip
    how = f"{about}{most} of {format_mm(work.limit_mm)} allowed"
    if work.about_mm > work.limit_mm:
        how = f"{about}, more than the {format_mm(work.limit_mm)} allowed"
    return f"{work.work}, {how} ({work.requirement}). Mind: {work.caution}."


def total_words(found: Check) -> str:
    """Tell how much metal moves in all alterations of a stone together, "" where none does."""
    total, limit = alteration_total_mm(found)
    if limit <= 0:
        return ""
    return f"Metal to move in all: about {total:.2f} mm, at most {format_mm(limit)}."


def _bench(found: Check, width: int) -> list[str]:
    """What the setter does, in ordinary setting and beyond it."""
    if found.verdict == "does not seat":
        return []
    lines = ["At the bench"]
    for step in ordinary_setting(found):
        lines.append(paragraph(step, width, first="  - "))
    for work in alterations(found):
        lines.append(paragraph(f"Alteration: {alteration_words(work)}", width, first="  - "))
    if total := total_words(found):
        lines.append(paragraph(total, width, first="  - "))
    return lines


def _readings(found: Check, width: int) -> list[str]:
    """Which reading to take again, where a reading could still change the answer."""
    sure = found.verdict == "does not seat" or found.probability >= 0.95
    if sure or not found.advice:
        return []
    head = f"Readings that would help ({found.binding})"
    rows = [["", "+- u, mm", "settled", "better tool"]]
    for item in found.advice:
        verb = "take again" if item.measured else "measure"
        rows.append(
            [
                f"  {verb}: {words(item.reading)}",
                f"{item.u_now_mm:.3f} -> {item.u_then_mm:.3f}",
                per_cent(item.settled), per_cent(item.settled_better),
            ]
        )  # fmt: skip
    table = columns(rows, "<<>>", indent=0)
    if found.verdict == "seats" or max(map(len, table)) > width:
        return [head, *columns([row[:2] for row in rows], "<<", indent=0)]
    legend = (
        "Settled: how often the answer would then be a plain yes or no; better tool: with "
        f"{BETTER_HOW}."
    )
    return [head, *table, paragraph(legend, width, first="  ")]


def _contradictions(items: Sequence[Contradiction], width: int) -> list[str]:
    """Which readings hardly go together; nothing if all do."""
    pairs = [
        f"{item.first.words} and "
        f"{'what all others say together' if item.second is None else item.second.words}: "
        f"{item.apart_u:.1f} standard uncertainties apart"
        for item in items
    ]
    return bullets("Readings that hardly agree: take them again", pairs, width)


def assumed_lines(items: Sequence[Assumed], width: int) -> list[str]:
    """List what nobody measured, with what was taken for it and why."""
    if not items:
        return []
    rows = []
    for item in items:
        decimals = 2 if item.unit == "mm" else 1
        value = f"{item.value:z.{decimals}f} +- {item.u:.{decimals}f}"
        if item.u == 0:
            value = f"{item.value:.3g}"
        rows.append([f"~ {words(item.name)}", f"{value} {_sign(item.unit)}"])
    heads = columns(rows, "<<", indent=0)
    room = max(len(head) for head in heads) + 2
    return [
        ASSUMED,
        *(
            paragraph(item.source, width, first=f"{head:<{room}}")
            for head, item in zip(heads, items, strict=True)
        ),
    ]


def _sign(unit: str) -> str:
    return "%" if unit == "pct" else unit


# All cuts


def headline(found: Proposals) -> str:
    """What came of it, in one line."""
    count: dict[Verdict, int] = {}
    for item in found.proposals:
        count[item.verdict] = count.get(item.verdict, 0) + 1
    seats, altered = count.get("seats", 0), count.get("seats after alteration", 0)
    doubtful = count.get("not decided", 0)
    if not found.proposals:
        return "NOTHING SEATS in this mounting, alteration included."
    if not seats and not altered:
        come = "comes" if doubtful == 1 else "come"
        return f"NOT DECIDED: no cut earns a yes from these readings; {doubtful} {come} close."
    first, word = (seats, "") if seats else (altered, " AFTER ALTERATION")
    head = f"{first} {'CUT SEATS' if first == 1 else 'CUTS SEAT'}{word}"
    more = [f"{number} {text}" for number, text in (
        (altered if seats else 0, "more after alteration"),
        (doubtful, "not decided"),
    ) if number]  # fmt: skip
    return ", ".join([head, *more])


def seat_words(mounting: Mounting) -> str:
    """The seat in the trade's words."""
    holds = "wall seat" if mounting.holds == "wall" else "claw seat"
    made = "cut" if mounting.state == "cut" else "not cut yet"
    when = f", {mounting.period}" if mounting.period is not None else ""
    text = f"{mounting.opening_family} {holds}, {made}, {mounting.back} back{when}"
    return text[0].upper() + text[1:]


def _ranking(proposals: Sequence[Proposal]) -> list[str]:
    """The table: a second line where alteration or doubt has to be told."""
    rows = [["", "", "", "holds", "ask for, mm", "about", "calibrated"]]
    for rank, item in enumerate(proposals, 1):
        stone = item.ask.stone
        sizes = [f"{size_words(size.length_mm, size.width_mm)}" for size in item.calibrated]
        first, second = verdict_lines(item.verdict)
        rows.append(
            [
                str(rank), item.style.name, first, per_cent(item.probability),
                dimensions(stone.length_mm, stone.width_mm, stone.depth_mm),
                format_ct(item.ask_weight_ct), sizes[0] if sizes else "-",
            ]
        )  # fmt: skip
        after = per_cent(item.ask.probability_after_alteration) if second else ""
        more = sizes[1:]
        if second or more:
            rows.append(["", "", second, after, "", "", more[0] if more else ""])
        rows.extend(["", "", "", "", "", "", size] for size in more[1:])
    return columns(rows, "><<><><", indent=0, gap=1)


def verdict_lines(verdict: Verdict) -> tuple[str, str]:
    """Set a verdict in two narrow lines."""
    if verdict == "seats after alteration":
        return "seats after", "alteration"
    return verdict, "  altered:" if verdict == "not decided" else ""


def size_words(length_mm: float, width_mm: float) -> str:
    """Write a calibrated size as the trade does."""
    return f"{length_mm:g}" if length_mm == width_mm else f"{length_mm:g} x {width_mm:g}"


def _notes(proposals: Sequence[Proposal], width: int) -> Iterator[str]:
    for rank, item in enumerate(proposals, 1):
        if item.notes:
            yield paragraph(plain("; ".join(item.notes)), width, first=f"{rank:2d} ")


def _sizes(proposals: Sequence[Proposal]) -> list[str]:
    """The seating ranges of every cut: as the seat is, and what alteration opens."""
    rows = [["Sizes that seat, mm", "length", "width", "depth"]]
    for rank, item in enumerate(proposals, 1):
        if item.verdict == "not decided":
            continue
        own = [between(side, "") for side in (item.length_mm, item.width_mm, item.depth_mm)]
        how = " altered" if item.verdict != "seats" else ""
        rows.append([f"{rank} {item.style.name}{how}", *own])
        if item.after_alteration is not None:
            rows.append(["  with alteration", *(between(side, "") for side in
                                                item.after_alteration)])  # fmt: skip
    return columns(rows, "<<<<", indent=0) if len(rows) > 1 else []


def order_words(order: Ranking) -> str:
    """How much each part counts in the order of the cuts, per cent."""
    return ", ".join(f"{name} {100 * weight:.0f} %" for name, weight in order.weights.items())


def _order(found: Proposals, width: int) -> list[str]:
    """Why the cuts stand in this order."""
    if len(found.proposals) < 2:
        return []
    lines = [paragraph(f"Why in this order ({order_words(found.ranking)})", width)]
    told = [
        (rank, "; ".join(item.reasons) or NO_REASON) for rank, item in enumerate(found.proposals, 1)
    ]
    for text, alike in groupby(told, key=lambda each: each[1]):
        ranks = [rank for rank, _ in alike]
        which = f"{ranks[0]}" if len(ranks) == 1 else f"{ranks[0]}-{ranks[-1]}"
        lines.append(paragraph(text, width, first=f"  {which:3} "))
    return [*lines, "  Of equals, the one with more facets first: it shows a window least."]


def _best(item: Proposal, stuff: Material, width: int) -> Iterator[list[str]]:
    """The first proposal in full: how heavy, how tight it is, what the setter does."""
    ask = item.ask
    facts = [
        ["weight", f"{carats(item.weight_ct.low, item.weight_ct.high)} ct of {stuff.name}"],
        [
            "seen from above",
            f"fills {per_cent(ask.face_up_fill)} of the opening, like it in shape to "
            f"{per_cent(ask.gap_evenness)}",
        ],
    ]
    for size in item.calibrated:
        size_mm = size_words(size.length_mm, size.width_mm)
        facts.append(["calibrated", f"{size_mm} mm holds with {per_cent(size.probability)}"])
    binding = next(margin for margin in ask.requirements if margin.name == ask.binding)
    yield [
        f"First choice: {item.style.name}",
        *columns(facts, "<<"),
        paragraph(f"Tightest: {_tightest(binding)}", width, first="  "),
    ]
    yield _bench(ask, width)
    yield _readings(ask, width)


def between(lengths: Range | None, unit: str = " mm") -> str:
    """Write a range, with its unit unless that stands over the column."""
    if lengths is None:
        return ""
    if lengths.high - lengths.low < 0.005:
        return f"{lengths.low:.2f}{unit}"
    return f"{lengths.low:.2f} to {lengths.high:.2f}{unit}"


def _left_out(left_out: Sequence[LeftOut], not_shown: Sequence[str], width: int) -> list[str]:
    lines = []
    if not_shown:
        names = ", ".join(not_shown)
        head = f"May seat too, ranked lower, not worked out ({len(not_shown)})"
        lines.append(paragraph(f"{head}: {names}.", width))
    if not left_out:
        return lines
    if lines:
        lines.append("")
    rows = [["Left out", "stopped by", "short by", "at its best size"]]
    for item in left_out[:SHORT]:
        rows.append(
            [
                f"  {item.cut}", item.requirement,
                "slides out" if item.requirement == "security" else format_mm(item.shortfall_mm),
                f"{dimensions(item.length_mm, item.width_mm)} mm",
            ]
        )  # fmt: skip
    more = len(left_out) - SHORT
    return [*lines, *columns(rows, "<<><", indent=0), *([f"  and {more} more"] if more > 0 else [])]


# Cut styles
