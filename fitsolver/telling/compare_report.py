"""Candidates for a mounting as text: the count first, then side by side, then each by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import ROUND_DOWN, Decimal

from fitsolver.budgeting.budget import rounded
from fitsolver.fitting.security import not_held
from fitsolver.fitting.setting import cautions
from fitsolver.market.candidate import Candidate, CandidateTable
from fitsolver.market.comparison import Compared, Comparison
from fitsolver.market.reservation import RULE
from fitsolver.telling.stone_report import LABORATORY, carats
from fitsolver.text.layout import (
    bullets,
    columns,
    dimensions,
    list_of,
    page,
    paragraph,
    per_cent,
    plain,
    unit_of,
    words,
)
from fitsolver.units import format_ct, format_mm

WIDTH = 80
NAME = 13
# Stones whose statements and remarks are told one by one.
SHORT = 8

DISCLOSURE = (
    "What a report or a seller states is repeated here as stated, and nothing of it is confirmed: "
    "nature, treatment and origin are for a laboratory"
)
DUTY = (
    "Treatments that affect value must be disclosed (16 CFR 23.24; CIBJO Gemstone Book, the same "
    "duty worldwide), and a bare ruby, sapphire or other gem name is for mined stones only (16 CFR "
    "23.25): ask for both in writing, and look to local law"
)
NO = "does not seat"
VERDICTS = {
    "seats": "seats",
    "seats after alteration": "altered",
    "not decided": "not decided",
    NO: "no",
}


def comparison_cautions(found: Comparison) -> tuple[str, ...]:
    """Return what to be careful of with these stones, in this mounting, and in buying any."""
    stuffs = {stone.candidate.stuff.name: stone.candidate.stuff for stone in found.stones}
    each = {name: cautions(stuff, found.mounting) for name, stuff in stuffs.items()}
    common = [
        text for text in next(iter(each.values()), ()) if all(text in its for its in each.values())
    ]
    own = [
        f"{name.capitalize()}: {text[:1].lower()}{text[1:]}"
        for name, its in each.items()
        for text in its
        if text not in common
    ]
    return (DISCLOSURE, DUTY, LABORATORY, *own, *common)


def comparison_text(found: Comparison, *, most: int, width: int = WIDTH) -> str:
    """Lay candidates side by side, the best `most` of them, and say of each why it ranks there."""
    shown = found.stones[:most]
    more = len(found.stones) - len(shown)
    rest = [f"and {more:,} more; -o FILE.csv writes all of them"] if more else []
    blocks = [
        [paragraph(_headline(found), width)],
        [
            paragraph(plain(found.mounting.name), width),
            *(paragraph(text, width) for text in (*first_choice(found), *money_left(found))),
        ],
        [*_table(shown), *rest, *_legend(found, shown, width)] if shown else [],
        *(_stone(stone, width) for stone in shown),
        [paragraph(RULE, width)] if shown else [],
        bullets("Cautions", comparison_cautions(found), width) if shown else [],
    ]
    return page(blocks)


def table_remarks(table: CandidateTable, width: int = WIDTH) -> str:
    """List the rows that were not judged, with every fault, and the columns that are not used."""
    blocks = []
    if table.bad_rows:
        count = "1 row" if table.bad_rows == 1 else f"{table.bad_rows:,} rows"
        blocks.append([
            f"{count} not judged",
            *(paragraph(plain(fault), width, first="  ", rest="      ") for fault in table.faults),
        ])  # fmt: skip
    if table.remarks:
        lines = (paragraph(plain(f"{table.path}  {text}"), width, first="  ", rest="      ")
                 for text in table.remarks)  # fmt: skip
        blocks.append(["Remarks", *lines])
    return page(blocks)


def _headline(found: Comparison) -> str:
    total = len(found.stones)
    seats, altered = found.count("seats"), found.count("seats after alteration")
    doubtful = found.count("not decided")
    if not total:
        return "NO STONE TO JUDGE"
    stones = "STONE" if total == 1 else "STONES"
    if not seats and not altered:
        if doubtful:
            return f"NOT DECIDED: {doubtful:,} of {total:,} {stones.lower()} may seat, none surely"
        return f"NONE OF {total:,} {stones} SEATS, alteration included"
    first, word = (seats, "") if seats else (altered, " AFTER ALTERATION")
    parts = [f"{first:,} OF {total:,} {stones} {'SEATS' if first == 1 else 'SEAT'}{word}"]
    reserved = found.count("seats" if seats else "seats after alteration", reserved=True)
    if reserved:
        parts[0] += f" ({reserved:,} with a reservation)"
    if seats and altered:
        parts.append(f"{altered:,} more after alteration")
    if doubtful:
        parts.append(f"{doubtful:,} not decided")
    return ", ".join(parts)


def first_choice(found: Comparison) -> tuple[str, ...]:
    """Name the first stone that nothing speaks against, if any stone seats."""
    if not any(found.count(verdict) for verdict in ("seats", "seats after alteration")):
        return ()
    clear = found.clear
    if clear is None:
        return ("Every stone that seats has a reservation, told below.",)
    text = f"First choice: {clear.rank}, {plain(clear.candidate.name)}."
    if clear.questions:
        text += f" To ask first: {'; '.join(clear.questions)}."
    return (text,)


def money_left(found: Comparison) -> tuple[str, ...]:
    """Say what the ceiling rests on: prices of a table have no currency of their own."""
    budget = found.mounting.budget
    if not any(stone.cost for stone in found.stones):
        return ()
    if budget is None or not found.has_ceiling:
        return ("No price ceiling: the file of the mounting has no [budget].",)
    return (
        f"Prices are taken to be in {plain(budget.currency)}: the budget leaves "
        f"{plain(budget.written(budget.left))} for the stone.",
    )


def _table(stones: Sequence[Compared]) -> list[str]:
    rows = [["", "stone", "seats?", "holds", "alter", "estimate", "mass", "per ct", "ceiling"]]
    for stone in stones:
        look = stone.look
        rows.append(
            [
                str(stone.rank),
                _short(stone.candidate.name),
                f"{VERDICTS[look.verdict]}{' ?' if stone.check is None else ''}",
                per_cent(look.probability) if look.security.held else "no",
                f"{stone.alteration_mm:.2f}" if stone.alteration_mm and look.verdict != NO else "",
                carats(stone.weight_ct.low, stone.weight_ct.high).replace(" to ", "-"),
                _mass(stone),
                *_rate(stone),
            ]
        )
    filled = [k for k in range(9) if k < 6 or any(row[k] for row in rows[1:])]
    align = "".join("><<>>>>>>"[k] for k in filled)
    return columns([[row[k] for k in filled] for row in rows], align, indent=0, gap=1)


def _mass(stone: Compared) -> str:
    mass = stone.candidate.mass_ct
    if mass is None:
        return ""
    return f"{mass:.2f} {'=' if stone.mass_agrees else '#'}"


def _rate(stone: Compared) -> tuple[str, str]:
    cost = stone.cost
    if cost is None:
        return "", ""
    rate = f"{'' if cost.by_mass or stone.candidate.price is None else '~'}{_per_ct(cost.per_ct)}"
    if cost.within is None:
        return rate, ""
    assert cost.ceiling_per_ct is not None
    sign = {"under": "<", "over": ">", "perhaps": "?"}[cost.within]
    return rate, f"{sign} {_per_ct(cost.ceiling_per_ct)}"


def _legend(found: Comparison, stones: Sequence[Compared], width: int) -> list[str]:
    said = [
        "holds: probability as the seat is. alter: metal to move beyond ordinary setting, at most, "
        "mm. estimate: ct from the size."
    ]
    if any(stone.candidate.mass_ct is not None for stone in stones):
        said.append("mass: as weighed; = agrees with the size, # does not.")
    if any(stone.cost is not None for stone in stones):
        said.append("~ by the estimated weight.")
    if any(stone.cost is not None and stone.cost.within for stone in stones):
        said.append("ceiling: the price is < under, > over, ? perhaps under it.")
    if any(stone.check is None for stone in stones):
        said.append("? behind a verdict: a first look only.")
    return [paragraph(" ".join(said), width, first="  ")]


def _stone(stone: Compared, width: int) -> list[str]:
    candidate = stone.candidate
    title = candidate.style.title.split(" (")[0]
    head = (
        f"{stone.rank}  {plain(candidate.name)} (line {candidate.line}): {title}, "
        f"{dimensions(*candidate.sizes_mm)} mm, {_material(candidate)}"
    )
    lines = [
        *([f"RESERVATION: {'; '.join(stone.reservations)}"] if stone.reservations else []),
        *([f"ask: {'; '.join(stone.questions)}"] if stone.questions else []),
        _seat(stone),
        *_work(stone),
        _weight(stone),
        *_price(stone),
        *_readings(candidate),
        *stone.warnings,
        _stated(candidate),
        *([f"Seen: {plain(candidate.seen)}"] if candidate.seen else []),
    ]
    return [
        paragraph(head, width, rest="   "),
        *(paragraph(_sentence(text), width, first="   - ") for text in lines),
    ]


def _seat(stone: Compared) -> str:
    look = stone.look
    first = f"a first look over {look.draws} draws; fitsolver check judges it in full"
    if not look.security.held:
        text = f"{look.verdict}: {not_held(look.security)}"
        return f"{text} ({first})" if stone.check is None else text
    chances = per_cent(look.probability)
    if look.probability_after_alteration - look.probability >= 0.005:
        chances += f", {per_cent(look.probability_after_alteration)} after alteration"
    state = "to spare" if look.margin_mm >= 0 else "SHORT"
    size = f"{abs(look.margin_mm):.2f} +- {look.margin_u_mm:.2f} mm"
    text = f"{look.verdict}, {chances}; tightest: {look.binding}, {size} {state}"
    if stone.check is None:
        return f"{text} ({first})"
    if stone.check.turn_deg and round(stone.check.turn_deg) % 360:
        text += f"; turned by {round(stone.check.turn_deg) % 360} deg"
    return text


def _work(stone: Compared) -> Iterator[str]:
    if stone.look.verdict == NO:
        return
    for work in stone.alterations:
        about = f"about {format_mm(work.about_mm)}" if work.about_mm >= 0.005 else "perhaps"
        yield (
            f"alteration: {work.work}, {about}, at most {format_mm(work.at_most_mm)} "
            f"({work.requirement}); mind: {work.caution}"
        )


def _weight(stone: Compared) -> str:
    found, candidate = stone.weight_ct, stone.candidate
    about = format_ct(found.value, approximately=True)
    size = f"{about} by its size ({carats(found.low, found.high)})"
    if candidate.mass_ct is None or stone.agreement is None:
        return f"{size}; not weighed"
    density = stone.agreement.implied_density_g_cm3
    implied = f"implies {density.value:.2f} +- {density.u:.2f} g/cm3"
    name = plain(candidate.offered_as or candidate.stuff.name)
    if stone.mass_agrees:
        return f"{size}; weighed {candidate.mass_ct:.2f} ct, which {implied}: agrees with {name}"
    others = [item.material for item in stone.agreement.materials_compatible][:SHORT]
    near = f"; of like density: {list_of(others)}" if others else ""
    return (
        f"{size}; weighed {candidate.mass_ct:.2f} ct, which {implied}: does not belong to the "
        f"material offered, {name}, if readings and cut are right{near}. Weigh and measure again, "
        "then ask a laboratory"
    )


def _price(stone: Compared) -> Iterator[str]:
    cost = stone.cost
    if cost is None:
        return
    asked = stone.candidate.price
    if asked is not None:
        rate = f"{_per_ct(cost.per_ct)} per ct"
        if not cost.by_mass:
            rate += (
                f" by the estimated weight ({_per_ct(cost.per_ct_low)} to "
                f"{_per_ct(cost.per_ct_high)})"
            )
        text = f"asked: {_money(asked)}, {rate}"
    else:
        total = _money(cost.total)
        if not cost.by_mass:
            total += (
                f" by the estimated weight ({_money(cost.total_low)} to {_money(cost.total_high)})"
            )
        text = f"asked: {_per_ct(cost.per_ct)} per ct, together {total}"
    if cost.within is not None:
        assert cost.ceiling_per_ct is not None
        side = {"under": "under", "over": "OVER", "perhaps": "perhaps under"}[cost.within]
        text += f"; {side} the ceiling of {_per_ct(cost.ceiling_per_ct)} per ct"
    yield text


def _readings(candidate: Candidate) -> Iterator[str]:
    for name in candidate.repeated:
        values = candidate.readings[name]
        mean = sum(values) / len(values)
        style = ".2f" if name.endswith("_mm") else "g"
        each = " / ".join(f"{value:{style}}" for value in values)
        times = "twice" if len(values) == 2 else f"{len(values)} times"
        yield f"{words(name)} read {times}, {each}: taken as {mean:.3f} {unit_of(name)}"
    if candidate.instrument != "caliper":
        yield f"sizes by {candidate.instrument}, u {candidate.u_mm:.3f} mm each"


def _stated(candidate: Candidate) -> str:
    says = [f"{what} {plain(text)}" for what, text in candidate.stated.says]
    if not says:
        return "stated: nothing of nature, treatment or origin"
    by = plain(candidate.stated.by)
    return f"stated by {by or 'nobody named'}: {', '.join(says)}"


def _material(candidate: Candidate) -> str:
    offered, name = plain(candidate.offered_as), candidate.stuff.name
    if not offered:
        return f"~ {name} (assumed)"
    return f"offered as {offered}" + ("" if offered.lower() == name else f" ({name})")


def _short(name: str) -> str:
    shown = plain(name)
    return shown if len(shown) <= NAME else f"{shown[: NAME - 2]}.."


def _money(amount: float) -> str:
    """Write an amount without a currency; whole numbers where cents mean nothing.

    >>> _money(1250.0), _money(12.5)
    ('1250', '12.50')
    """
    return f"{amount:.0f}" if amount >= 100 or amount == round(amount) else f"{amount:.2f}"


def _per_ct(amount: float) -> str:
    """Write a price per carat: prices and ceilings cut off alike, so neither belies the sign.

    >>> _per_ct(893.75), _per_ct(12.556)
    ('893', '12.55')
    """
    return rounded(Decimal(str(amount)), ROUND_DOWN)


def _sentence(text: str) -> str:
    full = text[:1].upper() + text[1:]
    return full if full.endswith(".") else f"{full}."
