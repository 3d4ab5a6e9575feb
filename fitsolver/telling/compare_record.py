"""Candidates for a mounting as a plain record, and as the columns added to their table."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from msgspec.structs import asdict

from fitsolver.fitting.security import not_held
from fitsolver.fitting.setting import ordinary_setting
from fitsolver.market.candidate import RESULTS, CandidateTable
from fitsolver.market.comparison import Compared, Comparison
from fitsolver.telling.compare_report import comparison_cautions
from fitsolver.telling.record import faults_record, mounting_record

Record = dict[str, Any]


def comparison_record(found: Comparison, table: CandidateTable) -> Record:
    """Return candidates for a mounting, the best first, and the rows that were not judged."""
    clear = found.clear
    return {
        "mounting": mounting_record(found.mounting),
        "judged": len(found.stones),
        "not_judged": table.bad_rows,
        "first_without_reservation": None if clear is None else clear.rank,
        "stones": [_stone(stone) for stone in found.stones],
        **faults_record(table.faults),
        "remarks": table.remarks,
        "cautions": comparison_cautions(found),
    }


def _stone(stone: Compared) -> Record:
    candidate, look, check = stone.candidate, stone.look, stone.check
    length, width, depth = candidate.sizes_mm
    weight = stone.weight_ct
    return {
        "rank": stone.rank,
        "row": candidate.row,
        "line": candidate.line,
        "name": candidate.name,
        "cut": candidate.style.name,
        "material": candidate.stuff.name,
        "offered_as": candidate.offered_as,
        "material_assumed": not candidate.offered_as,
        "length_mm": length,
        "width_mm": width,
        "depth_mm": depth,
        "readings": candidate.readings,
        "measured_with": candidate.instrument,
        "verdict": look.verdict,
        "probability": look.probability,
        "probability_after_alteration": look.probability_after_alteration,
        "binding": look.binding,
        "margin_mm": look.margin_mm,
        "margin_u_mm": look.margin_u_mm,
        "held": look.security.held,
        "not_held": not_held(look.security),
        "judged_in_full": check is not None,
        "draws": look.draws,
        "turn_deg": None if check is None else check.turn_deg,
        "alterations": None if check is None else [asdict(work) for work in stone.alterations],
        "alteration_mm": None if check is None else stone.alteration_mm,
        "ordinary_setting": None if check is None else ordinary_setting(check),
        "weight_ct": {
            "value": weight.value, "u": weight.u, "low": weight.low, "high": weight.high,
        },
        "mass_ct": candidate.mass_ct,
        "mass_agrees": stone.mass_agrees,
        "consistency": _agreement(stone),
        "price": candidate.price,
        "price_per_ct": candidate.price_per_ct,
        "cost": None if stone.cost is None else asdict(stone.cost),
        "seen": candidate.seen,
        "stated": {
            **asdict(candidate.stated),
            "by": candidate.stated.by or ("nobody named" if candidate.stated.says else ""),
        },
        "reasons": stone.reasons,
        "reservations": stone.reservations,
        "questions": stone.questions,
        "warnings": stone.warnings,
    }  # fmt: skip


def _agreement(stone: Compared) -> Record | None:
    found = stone.agreement
    if found is None:
        return None
    offered = found.offered
    return {
        "implied_density_g_cm3": asdict(found.implied_density_g_cm3),
        "offered": None
        if offered is None
        else {**asdict(offered), "compatible": offered.compatible},
        "compatible": [item.material for item in found.materials_compatible],
        "measure": found.measure,
        "cannot_tell": found.cannot_tell,
    }


def result_rows(found: Comparison, table: CandidateTable) -> Iterator[list[str]]:
    """Yield the rows of the table as it was, with the columns of `RESULTS` behind.

    They stay empty in rows that were not judged. Numbers have the decimal sign of the table.
    """
    yield [*table.header, *RESULTS]
    by_line = {stone.candidate.line: stone for stone in found.stones}
    breadth = len(table.header)
    for line, cells in table.rows:
        stone = by_line.get(line)
        added = [""] * len(RESULTS) if stone is None else _cells(stone, table.decimal)
        yield [*cells, *[""] * (breadth - len(cells)), *added]


def _cells(stone: Compared, decimal: str) -> list[str]:
    look, weight, cost = stone.look, stone.weight_ct, stone.cost

    def number(value: float | None, decimals: int) -> str:
        return "" if value is None else f"{value:.{decimals}f}".replace(".", decimal)

    return [
        str(stone.rank),
        look.verdict,
        number(look.probability, 3),
        number(look.probability_after_alteration, 3),
        look.binding,
        number(None if stone.check is None else stone.alteration_mm, 3),
        number(weight.value, 4),
        number(weight.low, 4),
        number(weight.high, 4),
        {True: "yes", False: "no", None: ""}[stone.mass_agrees],
        number(None if cost is None else cost.per_ct, 2),
        number(None if cost is None else cost.ceiling_per_ct, 2),
        "" if cost is None or cost.within is None else cost.within,
    ]
