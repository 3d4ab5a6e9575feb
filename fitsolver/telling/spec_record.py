"""The size spec as a plain record: what `fitsolver spec --json` writes."""

from __future__ import annotations

from msgspec.structs import asdict

from fitsolver.budgeting.budget import Budget
from fitsolver.fitting.setting import alterations, ordinary_setting
from fitsolver.market.money import Money, PricedSize, PriceLimit, Short
from fitsolver.market.spec import Spec, Wanted
from fitsolver.telling.record import Record, mounting_record, range_record

SIDES = ("length_mm", "width_mm", "depth_mm")


def spec_record(found: Spec) -> Record:
    """Return the whole size spec; amounts of money are numbers in the file's currency."""
    return {
        "date": found.date.isoformat(),
        "mounting": mounting_record(found.mounting),
        "material": found.material.name,
        "verdict": found.verdict,
        "wanted": [_wanted(item) for item in found.wanted],
        "refuse": [asdict(item) for item in found.refuse],
        "tolerance_mm": None if found.tolerance_mm is None else asdict(found.tolerance_mm),
        "changes": [asdict(item) for item in found.changes],
        "money": None if found.money is None else _money(found.money),
        "left_out": [asdict(item) for item in found.proposals.left_out],
        "not_shown": found.proposals.not_shown,
        "readings": [asdict(item) for item in found.readings],
        "assumed": [asdict(item) for item in found.assumed],
        "cautions": found.cautions,
    }


def _wanted(item: Wanted) -> Record:
    ask, wider = item.ask, item.after_alteration
    return {
        "cut": item.style.name,
        "title": item.style.title,
        "outline": item.style.family,
        "verdict": item.verdict,
        "probability": item.probability,
        "probability_after_alteration": ask.probability_after_alteration,
        "binding": ask.binding,
        "ask": {
            "length_mm": ask.stone.length_mm,
            "width_mm": ask.stone.width_mm,
            "depth_mm": ask.stone.depth_mm,
            "aim": item.aim,
        },
        "length_mm": range_record(item.length_mm),
        "width_mm": range_record(item.width_mm),
        "depth_mm": range_record(item.depth_mm),
        "after_alteration": None
        if wider is None
        else dict(zip(SIDES, map(range_record, wider), strict=True)),
        "tolerance_mm": asdict(item.tolerance_mm),
        "weight_ct": {
            "value": item.ask_weight_ct,
            "u": item.ask_weight_u_ct,
            **range_record(item.weight_ct),
        },
        "calibrated": [asdict(size) for size in item.calibrated],
        "ordinary_setting": ordinary_setting(ask),
        "alterations": [asdict(work) for work in alterations(ask)],
        "notes": item.notes,
        "reasons": item.reasons,
        "price": None if item.price is None else _price(item.price),
    }


def _price(limit: PriceLimit) -> Record:
    return {
        **{
            name: _size(getattr(limit, name))
            for name in (
                "smallest", "asked", "largest", "affordable", "affordable_surely",
                "affordable_at_best",
            )
        },
        "most_ct": limit.most_ct,
        "most_at_best_ct": limit.most_at_best_ct,
        "thresholds": [
            {
                "threshold_ct": step.threshold_ct,
                "below": _size(step.below),
                "above": _size(step.above),
                "saves": asdict(step.saves),
                "gives_up_ct": step.gives_up_ct,
                "gives_up_length_mm": step.gives_up_length_mm,
                "gives_up_width_mm": step.gives_up_width_mm,
            }
            for step in limit.steps
        ],
        "unquoted": [asdict(item) for item in limit.unquoted],
        "short": _short(limit.short),
    }  # fmt: skip


def _size(size: PricedSize | None) -> Record | None:
    if size is None:
        return None
    return {
        "length_mm": size.length_mm,
        "width_mm": size.width_mm,
        "depth_mm": size.depth_mm,
        "weight_ct": {"value": size.weight_ct, "low": size.low_ct, "high": size.high_ct},
        "document_weight_ct": size.document_ct,
        "heavy_document_weight_ct": size.heavy_document_ct,
        "ceiling_per_ct": size.ceiling_per_ct,
        "safe_ceiling_per_ct": size.safe_ceiling_per_ct,
        "quoted_per_ct": None if size.per_ct is None else asdict(size.per_ct),
        "price": None if size.price is None else asdict(size.price),
    }


def _short(short: Short | None) -> Record | None:
    if short is None:
        return None
    return {
        "cut": short.cut,
        "at": _size(short.at),
        "short_by": short.short_by,
        "holds_at_per_ct": short.holds_at_per_ct,
    }


def _money(money: Money) -> Record:
    return {
        **budget_record(money.budget),
        "left": money.left,
        "short": _short(money.short),
        "notes": money.notes,
    }


def budget_record(budget: Budget) -> Record:
    """Return a budget as it was written."""
    return {
        "currency": budget.currency,
        "currency_stands": "before" if budget.currency_first else "after",
        "total": budget.total,
        "costs": [asdict(cost) for cost in budget.costs],
        "brackets": [asdict(item) for item in budget.brackets],
    }
