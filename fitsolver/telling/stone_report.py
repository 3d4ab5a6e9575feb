"""Answers about loose stones as text: a density, a recut, a parcel."""

from __future__ import annotations

import math
from collections.abc import Sequence

from msgspec.structs import asdict

from fitsolver.fitting.setting import cautions
from fitsolver.recutting.recut import NoRecut, Recut
from fitsolver.recutting.reseat import Recutting
from fitsolver.text.layout import (
    bullets,
    columns,
    dimensions,
    list_of,
    page,
    paragraph,
    per_cent,
    plain,
)
from fitsolver.units import format_ct, format_mm
from fitsolver.weighing.consistency import Consistency
from fitsolver.weighing.hydrostatic import TELLING_U_G_CM3, WeighedDensity
from fitsolver.weighing.learned import Held
from fitsolver.weighing.parcel import Tally

WIDTH = 80
# Lines named for one remark.
MANY = 8
# How the new table lies in the old stone.
FACES = {"up": "table where it was", "down": "table where the culet was"}
WATER = (
    "Never put into water: foil-backed or closed-back settings, opal, turquoise, anything porous, "
    "glued or filled"
)
LABORATORY = (
    "This is a consistency check, not an identification and not a laboratory report: let a "
    "laboratory say material, treatment and origin before money changes hands"
)
DENSITY_CAUTIONS = (WATER, LABORATORY)
CUTTER = (
    "How a stone should lie is a cutter's judgement: inclusions, cracks, colour zones and the "
    "direction of colour are not seen here, nor what the wheel takes beyond the new facets"
)
ONE_WAY = (
    "What is ground off is gone: weigh the stone and have a cutter look at it before money "
    "changes hands"
)
RECUT_CAUTIONS = (CUTTER, ONE_WAY)


def carats(low: float, high: float) -> str:
    """Write an interval of weights [ct], rounded outward."""
    return f"{math.floor(low * 100 + 1e-6) / 100:.2f} to {math.ceil(high * 100 - 1e-6) / 100:.2f}"


def agreement_lines(agreement: Consistency, lead: str, width: int) -> list[str]:
    """Say a density, what is compatible with it, and what density cannot tell."""
    density, offered = agreement.implied_density_g_cm3, agreement.offered
    others = [item.material for item in agreement.materials_compatible]
    said = ""
    if offered is not None:
        others = [name for name in others if name != offered.material]
        verb = "is compatible with that" if offered.compatible else "IS NOT COMPATIBLE with that"
        said = f" {offered.material.capitalize()} {verb}."
    head = "Others of like density" if offered is not None else "Compatible with that"
    known = f" {head}: {list_of(others)}." if others else ""
    if not agreement.materials_compatible:
        known += " No material of the library is: check the readings, the mass and the cut."
    return [
        paragraph(
            f"{lead} {density.value:.2f} g/cm3 ({density.low:.2f} to {density.high:.2f})."
            f"{said}{known}",
            width,
        ),
        paragraph(agreement.cannot_tell, width),
    ]


# A density by weighing


def density_text(found: WeighedDensity, width: int = WIDTH) -> str:
    """Say a density that was weighed, how sure it is, and what it agrees with."""
    density, lost = found.density_g_cm3, found.displaced_ct
    needed = found.mass_needed_ct
    telling = f"for a u of {TELLING_U_G_CM3:g} g/cm3, which tells what a density can"
    facts = [
        ["density", f"{density.value:.3f} g/cm3, u {density.u:.3f}"],
        ["water displaced", f"{lost.value:.3f} ct, u {lost.u:.3f}"],
        ["water", f"{found.water_g_cm3:.4f} g/cm3"],
        [
            "mass needed",
            f"no mass will do {telling}" if needed is None else f"{needed:.2g} ct {telling}",
        ],
    ]
    shares = [
        [f"  {name}", per_cent(share)]
        for name, share in sorted(
            found.shares.items(), key=lambda item: (-round(item[1], 6), item[0])
        )
        if share >= 0.005
    ]
    return page(
        [
            agreement_lines(found.consistency, _way(found), width)[:1],
            bullets("Warnings", tuple(text[:1].upper() + text[1:] for text in found.warnings),
                    width),
            columns(facts, "<<", indent=0),
            ["What makes the doubt", *columns(shares, "<>", indent=0)],
            [paragraph(found.consistency.cannot_tell, width)],
            bullets("Cautions", DENSITY_CAUTIONS, width),
        ]
    )  # fmt: skip


def _way(found: WeighedDensity) -> str:
    how = "with a bottle" if found.way == "bottle" else "in air and in water"
    return f"Weighing {how} gives a density of"


# A recut


def recut_text(found: Recutting, width: int = WIDTH) -> str:
    """Say what a stone becomes when it is recut, and what that costs in weight."""
    given, result = found.given, found.found
    style = given.stone.form.style
    weight = given.weight_ct
    if isinstance(result, Recut):
        head = (
            f"{format_ct(result.weight_before_ct, approximately=True)} -> "
            f"{format_ct(result.weight_after_ct, approximately=True)}: "
            f"{result.loss_pct:.1f} % lost"
        )
    elif isinstance(result, NoRecut):
        head = f"NO RECUT REACHES IT, short by {format_mm(result.short_by_mm)} all round"
    else:
        head = "DOES NOT SEAT: no size of the new cut holds in this mounting"
    old, new = given.stone, result.after if isinstance(result, Recut) else None
    rows = [["", "now", *(["then"] if new else [])]]
    for name, key in (
        ("length", "length_mm"), ("width", "width_mm"), ("depth", "depth_mm"),
        ("~ crown", "crown_height_mm"), ("~ girdle", "girdle_mm"),
        ("~ pavilion", "pavilion_depth_mm"),
    ):  # fmt: skip
        rows.append([name, *(format_mm(getattr(stone, key)) for stone in (old, new) if stone)])
    drawn = (
        f"~ The stone is drawn as its cut usually is: the readings allow "
        f"{carats(weight.low, weight.high)} ct of {given.material.name}, and the loss varies with "
        "that."
    )
    return page(
        [
            [head],
            [paragraph(f"{style.title} to {found.style.title}, {given.material.name}", width)],
            bullets("Warnings", given.warnings, width),
            columns(rows, "<" + ">" * (len(rows[0]) - 1), indent=0),
            _lies(result, width),
            _seated(found, width),
            [paragraph(drawn, width)],
            bullets("Cautions", (*RECUT_CAUTIONS, *_cleaves(found),
                                 *cautions(given.material, found.mounting)), width),
        ]
    )  # fmt: skip


def _cleaves(found: Recutting) -> tuple[str, ...]:
    cleavage = found.given.material.cleavage
    return (f"Cleavage of {found.given.material.name}: {cleavage}",) if cleavage else ()


def _lies(result: Recut | NoRecut | None, width: int) -> list[str]:
    """How the new stone lies in the old one, and which old facets hold its size."""
    if not isinstance(result, Recut):
        return []
    turn = round(result.turn_deg) % 360
    turned = f", turned by {turn} deg" if turn else ", not turned"
    held = f" Held by the old {list_of(result.touches)}." if result.touches else ""
    return [paragraph(f"It lies with its {FACES[result.table_faces]}{turned}.{held}", width)]


def _seated(found: Recutting, width: int) -> list[str]:
    """What the mounting says to it."""
    if found.mounting is None:
        return []
    name = plain(found.mounting.name)
    if found.box is None:
        left = found.left_out
        why = "" if left is None else (
            f" Its best size, {dimensions(left.length_mm, left.width_mm)} mm, is stopped by "
            f"{left.requirement}, short by {format_mm(left.shortfall_mm)}."
        )  # fmt: skip
        return [paragraph(f"{name}: {found.style.name} does not seat.{why}", width)]
    sizes = " x ".join(f"{side.low:.2f} to {side.high:.2f}" for side in found.box)
    lines = [paragraph(f"{name}: sizes asked for, {sizes} mm (length x width x depth).", width)]
    if found.judged is None:
        again = "A stone just outside these limits may seat too; fitsolver check judges it."
        return [*lines, paragraph(again, width)]
    judged = found.judged
    after = judged.probability_after_alteration
    chance = per_cent(judged.probability)
    if after - judged.probability >= 0.005:
        chance += f", {per_cent(after)} after alteration"
    text = f"The new stone there: {judged.verdict}, {chance}; tightest: {judged.binding}."
    return [*lines, paragraph(text, width)]


# A parcel


def parcel_text(tally: Tally, output: str, width: int = WIDTH) -> str:
    """Say how many stones were weighed, what they weigh together, and where the list is."""
    stones = "1 stone" if tally.rows == 1 else f"{tally.rows:,} stones"
    about = format_ct(tally.weight_ct, approximately=True)
    if tally.bad_rows:
        stones = f"{tally.weighed:,} of {stones}"
    return paragraph(f"{stones} weighed, together {about}. List: {plain(output)}", width)


def remarks_text(tally: Tally, path: str, width: int = WIDTH) -> str:
    """List the rows that could not be weighed, and what is unusual about others."""
    blocks = []
    if tally.bad_rows:
        count = "1 row" if tally.bad_rows == 1 else f"{tally.bad_rows:,} rows"
        lines = [f"{count} not weighed"]
        lines += [paragraph(plain(fault), width, first="  ", rest="      ")
                  for fault in tally.faults]  # fmt: skip
        told = len({fault.line for fault in tally.faults})
        if tally.bad_rows > told:
            lines.append(f"  and {tally.bad_rows - told:,} rows more")
        blocks.append(lines)
    if tally.remarked:
        lines = ["Remarks"]
        places: dict[str, list[str]] = {}
        for line, text in tally.remarks:
            places.setdefault(text, []).extend([] if line is None else [str(line)])
        for text, at in places.items():
            some = [*at[:MANY], *([f"{len(at) - MANY} more"] if len(at) > MANY else [])]
            where = f"{path}:{list_of(some)}" if some else path
            lines.append(paragraph(plain(f"{where}  {text}"), width, first="  ", rest="      "))
        if tally.remarked > len(tally.remarks):
            lines.append(f"  and {tally.remarked - len(tally.remarks):,} remarks more")
        blocks.append(lines)
    return page(blocks)


def held_text(held: Sequence[Held], width: int = WIDTH) -> str:
    """Say how estimate and interval held on weighed stones, by cut, against the handbook."""
    if not held:
        return ""
    heads = ("cut", "material", "stones", "error", "median", "holds", "width", "handbook", "here")
    rows = [heads]
    for each in held:
        rows.append(
            (
                each.cut,
                each.material,
                f"{each.stones:,}",
                f"{each.mean_error_pct:.1f} %",
                f"{each.median_error_pct:+.1f} %",
                f"{each.holds_pct:.0f} %",
                "-" if each.width_over_scatter is None else f"{each.width_over_scatter:.2f}",
                "-" if each.handbook_error_pct is None else f"{each.handbook_error_pct:.1f} %",
                "-" if each.own_error_pct is None else f"{each.own_error_pct:.1f} %",
            )
        )
    off = sum(each.far_off for each in held)
    meaning = (
        "Error: mean, without sign. Holds: stones whose mass lies in their 95 % interval. Width: "
        "the interval over what 95 % of these stones would have needed (from 20 stones). Handbook: "
        "mean error of its coefficient, and the error here on the same stones."
    )
    if off:
        masses = "1 mass is" if off == 1 else f"{off:,} masses are"
        meaning += f" {masses} over 30 % off, perhaps a slip, and in all figures."
    return page(
        [
            ["How the weights held on stones whose mass is known", *columns(rows, "<<>>>>>>>")],
            [paragraph(meaning, width)],
        ]
    )


def held_record(held: Sequence[Held]) -> list[dict[str, object]]:
    """Return the same as a plain record."""
    return [asdict(each) for each in held]
