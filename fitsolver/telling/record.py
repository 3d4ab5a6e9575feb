"""Answers as plain records: what the commands write as JSON, with units in every name.

Numbers are the library's own, rounded to six decimals; what is not finite is written as null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from msgspec.structs import asdict

from fitsolver.errors import Fault
from fitsolver.fitting.box import Range
from fitsolver.fitting.pose import Pose
from fitsolver.fitting.proposal import Proposal, Proposals
from fitsolver.fitting.setting import alteration_total_mm, alterations, cautions, ordinary_setting
from fitsolver.fitting.solver import Check
from fitsolver.readings.uncertainty import Estimate
from fitsolver.recutting.recut import NoRecut, Recut
from fitsolver.recutting.reseat import Recutting, heights_mm
from fitsolver.seats.allowance import TABLE, Allowances
from fitsolver.seats.contradiction import Contradiction
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.cut import CutStyle, cut
from fitsolver.stones.material import Material
from fitsolver.stones.stone import Stone
from fitsolver.telling.pose_report import pose_record
from fitsolver.telling.stone_report import DENSITY_CAUTIONS, RECUT_CAUTIONS
from fitsolver.text.place import place_words
from fitsolver.units import document_weight_ct
from fitsolver.weighing.consistency import Consistency
from fitsolver.weighing.hydrostatic import WeighedDensity
from fitsolver.weighing.offer import tested
from fitsolver.weighing.weight import Weight, height_prior

Record = dict[str, Any]
DECIMALS = 6


def as_json(record: Record) -> str:
    """Write a record as JSON text, one field to a line."""
    return json.dumps(_plain(record), indent=2, ensure_ascii=False, allow_nan=False)


def _plain(value: Any) -> Any:
    """Round floats, turn mappings and sequences into JSON's own; what is not finite into null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, str) or value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, Sequence):
        return [_plain(item) for item in value]
    number = float(value)
    # Adding 0.0 turns a rounded-away -0.0 into 0.0.
    return round(number, DECIMALS) + 0.0 if math.isfinite(number) else None


def faults_record(faults: Iterable[Fault]) -> Record:
    """Return the faults of an input, each with place, value, rule and remedy."""

    def value_of(value: object) -> object:
        simple = value is None or isinstance(value, str | bool | int)
        finite = isinstance(value, float) and math.isfinite(value)
        return value if simple or finite else str(value)

    return {
        "faults": [
            {
                "file": fault.file,
                "line": fault.line,
                "key": fault.key,
                "value": value_of(fault.value),
                "rule": fault.rule,
                "remedy": fault.remedy,
            }
            for fault in faults
        ]
    }


def weight_record(weight: Weight, stuff: Material, agreement: Consistency | None = None) -> Record:
    """Return a stone's weight, where it comes from and which reading would narrow it."""
    return {
        "cut": weight.style,
        "material": weight.material,
        "weight_ct": _estimate(weight.weight_ct),
        "document_weight_ct": document_weight_ct(weight.weight_ct.value),
        "coefficient": weight.coefficient,
        "handbook": asdict(weight.handbook) if weight.handbook is not None else None,
        "makes": weight.makes,
        "held_against": tested(cut(weight.style), stuff),
        "covered": {
            name: {"share": part, "weight_ct": ct} for name, (part, ct) in weight.covered.items()
        },
        **{name: _estimate(size) for name, size in weight.sizes_mm.items()},
        "proportions": {name: _estimate(item) for name, item in weight.proportions.items()},
        "shares": weight.shares,
        "assumed": [asdict(item) for item in weight.assumed],
        "next_readings": [
            {"reading": name, "gain_ct": gain} for name, gain in weight.next_readings
        ],
        "consistency": _agreement(agreement),
        "warnings": weight.warnings,
        "cautions": cautions(stuff),
    }


def check_record(found: Check, weight: Weight, stuff: Material, pose: Pose | None = None) -> Record:
    """Return the judgement on one stone in one mounting, with its `pose` if that was asked for."""
    stone = found.stone
    return {
        "mounting": mounting_record(found.mounting),
        "cut": stone.form.style.name,
        "material": stuff.name,
        "stone": _stone(stone),
        "verdict": found.verdict,
        "probability": found.probability,
        "probability_after_alteration": found.probability_after_alteration,
        "rest_height_mm": found.rest_height_mm,
        "rests_on": found.rests_on,
        "turn_deg": found.turn_deg,
        "shift_mm": {"length": found.shift_mm[0], "width": found.shift_mm[1]},
        "requirements": _requirements(found),
        "security": asdict(found.security),
        "pose": None if pose is None else pose_record(pose),
        "binding": found.binding,
        "weight_ct": _estimate(weight.weight_ct),
        "gap_evenness": found.gap_evenness,
        "face_up_fill": found.face_up_fill,
        "ordinary_setting": ordinary_setting(found),
        "alterations": [asdict(item) for item in alterations(found)],
        "alteration_total_mm": _total(found),
        "advice": [asdict(item) for item in found.advice],
        "assumed": [asdict(item) for item in found.assumed],
        "contradictions": [_contradiction(item) for item in found.contradictions],
        "warnings": weight.warnings,
        "cautions": cautions(stuff, found.mounting),
    }


def _contradiction(item: Contradiction) -> Record:
    second = "" if item.second is None else str(item.second)
    return {"first": str(item.first), "second": second, "apart_u": item.apart_u}


def proposals_record(found: Proposals) -> Record:
    """Return what to look for in a mounting, best first, and why other cuts were left out."""
    return {
        "mounting": mounting_record(found.mounting),
        "material": found.material.name,
        "proposals": [_proposal(item) for item in found.proposals],
        "left_out": [asdict(item) for item in found.left_out],
        "not_shown": found.not_shown,
        "ranking": found.ranking.weights,
        "assumed": [asdict(item) for item in found.assumed],
        "contradictions": [_contradiction(item) for item in found.contradictions],
        "cautions": cautions(found.material, found.mounting),
    }


def _proposal(item: Proposal) -> Record:
    ask = item.ask
    return {
        "cut": item.style.name,
        "verdict": item.verdict,
        "probability": item.probability,
        "probability_after_alteration": ask.probability_after_alteration,
        "ask": {
            "length_mm": ask.stone.length_mm,
            "width_mm": ask.stone.width_mm,
            "depth_mm": ask.stone.depth_mm,
        },
        "length_mm": range_record(item.length_mm),
        "width_mm": range_record(item.width_mm),
        "depth_mm": range_record(item.depth_mm),
        "after_alteration": None
        if item.after_alteration is None
        else dict(
            zip(
                ("length_mm", "width_mm", "depth_mm"),
                map(range_record, item.after_alteration),
                strict=True,
            )
        ),
        "weight_ct": {
            "value": item.ask_weight_ct,
            "u": item.ask_weight_u_ct,
            **range_record(item.weight_ct),
        },
        "calibrated": [asdict(size) for size in item.calibrated],
        "binding": ask.binding,
        "turn_deg": ask.turn_deg,
        "gap_evenness": ask.gap_evenness,
        "face_up_fill": ask.face_up_fill,
        "requirements": _requirements(ask),
        "ordinary_setting": ordinary_setting(ask),
        "alterations": [asdict(work) for work in alterations(ask)],
        "alteration_total_mm": _total(ask),
        "advice": [asdict(advice) for advice in ask.advice],
        "notes": item.notes,
        "merits": item.merits,
        "reasons": item.reasons,
        "score": item.score,
    }


def allowances_record(found: Allowances, mounting: str = "") -> Record:
    """Return every allowance in force, with its range, meaning and source."""
    return {
        "mounting": mounting or None,
        "allowances": [
            {
                "name": name,
                "value": found[name],
                "default": TABLE[name].default,
                "unit": TABLE[name].unit,
                "low": TABLE[name].low,
                "high": TABLE[name].high,
                "meaning": TABLE[name].meaning,
                "source": found.source(name),
            }
            for name in found
        ],
    }


def density_record(found: WeighedDensity) -> Record:
    """Return a density by weighing, how sure it is, and what it agrees with."""
    return {
        "way": found.way,
        "density_g_cm3": _estimate(found.density_g_cm3),
        "displaced_ct": _estimate(found.displaced_ct),
        "water_g_cm3": found.water_g_cm3,
        "shares": found.shares,
        "mass_needed_ct": found.mass_needed_ct,
        "consistency": _agreement(found.consistency),
        "warnings": found.warnings,
        "cautions": DENSITY_CAUTIONS,
    }


def recut_record(found: Recutting) -> Record:
    """Return what a stone becomes when it is recut, null where it cannot."""
    result = found.found
    made = result if isinstance(result, Recut) else None
    short = result if isinstance(result, NoRecut) else None
    stuff = found.given.material
    return {
        "from": found.given.stone.form.style.name,
        "to": found.style.name,
        "material": stuff.name,
        "before": _stone(found.given.stone),
        "after": None if made is None else _stone(made.after),
        "weight_ct": _estimate(found.given.weight_ct),
        "weight_before_ct": None if made is None else made.weight_before_ct,
        "weight_after_ct": None if made is None else made.weight_after_ct,
        "loss_pct": None if made is None else made.loss_pct,
        "table_faces": None if made is None else made.table_faces,
        "turn_deg": None if made is None else made.turn_deg,
        "shift_mm": None if made is None else made.shift_mm,
        "touches": () if made is None else made.touches,
        "short_by_mm": None if short is None else short.short_by_mm,
        "mounting": None if found.mounting is None else mounting_record(found.mounting),
        "verdict": found.verdict,
        "probability": None if found.judged is None else found.judged.probability,
        "sizes_asked_for": None if found.box is None else dict(
            zip(("length_mm", "width_mm", "depth_mm"), map(range_record, found.box), strict=True)
        ),
        "left_out": None if found.left_out is None else asdict(found.left_out),
        "warnings": found.given.warnings,
        "cautions": (*RECUT_CAUTIONS, *cautions(stuff, found.mounting)),
    }  # fmt: skip


def _stone(stone: Stone) -> Record:
    return {
        "length_mm": stone.length_mm,
        "width_mm": stone.width_mm,
        "depth_mm": stone.depth_mm,
        **heights_mm(stone),
    }


def cuts_record(styles: Iterable[CutStyle]) -> Record:
    """Return the list of cut styles, each in one line of facts."""
    return {"cuts": [_style(style) for style in styles]}


def cut_record(style: CutStyle) -> Record:
    """Return one cut style in full."""
    return {
        **_style(style),
        "notes": style.notes,
        "measuring": style.measuring,
        "proportions": {name: asdict(item) for name, item in style.proportions.items()},
        "proportions_by_make": {
            make: {name: asdict(item) for name, item in items.items()}
            for make, items in style.makes.items()
        },
        "handbook": {make: asdict(item) for make, item in style.handbook.items()},
        "facet_rows": [
            {
                "part": row.part,
                "name": row.name,
                "directions_deg": row.directions_deg,
                "outer": row.outer,
                "inner": row.inner,
            }
            for row in style.rows
        ],
        "domes": [asdict(dome) for dome in style.domes],
    }


def _style(style: CutStyle) -> Record:
    mean, covariance = height_prior(style)
    depth, spread = 100 * float(mean.sum()), 100 * float(covariance.sum()) ** 0.5
    return {
        "name": style.name,
        "title": style.title,
        "outline": style.family,
        "period": {
            "begin": style.period_from,
            "end": style.period_to,
            "source": style.period_source,
        },
        "length_ratio": asdict(style.length_ratio),
        "depth_pct": {"typical": depth, "spread": spread},
        "facet_count": style.facet_count,
        "strung": style.strung,
        "make": style.make,
        "makes": tuple(style.makes),
    }


def _estimate(item: Estimate) -> Record:
    return {"value": item.value, "u": item.u, "low": item.low, "high": item.high}


def range_record(item: Range) -> Record:
    """Return both ends of an interval."""
    return {"low": item.low, "high": item.high}


def _requirements(found: Check) -> list[Record]:
    return [
        {
            **asdict(margin),
            "place": None if margin.direction_deg is None else place_words(margin.direction_deg),
        }
        for margin in found.requirements
    ]


def _total(found: Check) -> Record:
    about, most = alteration_total_mm(found)
    return {"about": about, "at_most": most}


def mounting_record(mounting: Mounting) -> Record:
    """Return what a mounting is, without its readings."""
    return {
        "name": mounting.name,
        "story": mounting.story,
        "period": mounting.period,
        "holds": mounting.holds,
        "state": mounting.state,
        "back": mounting.back,
    }


def _agreement(agreement: Consistency | None) -> Record | None:
    if agreement is None:
        return None
    return {
        "implied_density_g_cm3": _estimate(agreement.implied_density_g_cm3),
        "offered": _compatibility(agreement.offered),
        "compatible": [item.material for item in agreement.materials_compatible],
        "measure": agreement.measure,
        "cannot_tell": agreement.cannot_tell,
    }


def _compatibility(item: Any) -> Record | None:
    return None if item is None else {**asdict(item), "compatible": item.compatible}
