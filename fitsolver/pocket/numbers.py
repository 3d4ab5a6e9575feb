"""The tables of a card as plain data for its script: small whole numbers, packed in base 64."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from fitsolver.budgeting.budget import Budget
from fitsolver.fitting.bench import Bench
from fitsolver.fitting.requirement import KINDS
from fitsolver.market.refusal import FAILS, why
from fitsolver.market.spec import Spec
from fitsolver.pocket.size_table import SizeTable
from fitsolver.seats.mounting import Mounting
from fitsolver.stones.material import Material

if TYPE_CHECKING:
    from fitsolver.pocket.view import View

Array = NDArray[np.float64]
Record = dict[str, Any]

# Steps of the packed numbers: normal scores, margins and uncertainties [mm], directions [deg].
Z_STEP, MARGIN_STEP_MM, U_STEP_MM, DIRECTION_STEP_DEG = 1 / 25, 0.001, 0.002, 2.0
NOWHERE = 255


class Known(Struct, frozen=True, kw_only=True):
    """A cut that a card knows.

    `said` is what the spec says of it; `limits_mm` by requirement how far the bench may alter the
    seat for the size to ask for [mm], 0 for not at all: the allowance, less where metal must
    remain. `loose` says why claws do not hold that size from sliding out, "" if they do: tables
    of margins know nothing of it.
    """

    table: SizeTable
    said: str
    limits_mm: Mapping[str, float]
    loose: str


def card_numbers(
    found: Spec,
    ready: Bench,
    material: Material,
    tables: Sequence[Known],
    drawn: View | None,
) -> Record:
    """Gather what the card's script reads."""
    allowed = ready.allowances
    budget = ready.mounting.budget
    return {
        "seats_from": allowed["seats_from_probability"],
        "fails_to": allowed["fails_to_probability"],
        "material": {
            "name": material.name,
            "density": material.density_g_cm3,
            "u": material.density_u_g_cm3,
            "low": material.density_low_g_cm3,
            "high": material.density_high_g_cm3,
        },
        "money": None if budget is None else _money(budget),
        "plan": None if drawn is None else {
            "centre": _rounded(drawn.centre, 1), "face": _rounded(drawn.face, 1),
        },
        "needs": {
            name: need(
                name,
                ready.mounting,
                alters=any(one.limits_mm.get(name, 0.0) > 0 for one in tables),
            )
            for name in sorted({name for one in tables for name in one.table.names})
        },
        "z_step": Z_STEP, "margin_step": MARGIN_STEP_MM, "u_step": U_STEP_MM,
        "direction_step": DIRECTION_STEP_DEG,
        "cuts": [_cut(one, ready.mounting.budget) for one in tables],
    }  # fmt: skip


def _money(budget: Budget) -> Record:
    return {
        "left": float(budget.left),
        "currency": budget.currency,
        "first": budget.currency_first,
    }


def need(name: str, mounting: Mounting, *, alters: bool) -> Record:
    """Say what a requirement means, why a stone fails it, what the bench does then and minds.

    Without `alters` the bench can do nothing for it in this seat.
    """
    kind = KINDS[name]
    work = kind.alteration
    if mounting.holds == "claws" and kind.claw_alteration:
        work = kind.claw_alteration
    return {
        "holds": kind.meaning,
        "fails": why(name, mounting) if name in FAILS else f"not so: {kind.meaning}",
        "work": work if alters else "",
        "mind": kind.caution if alters else "",
    }


def _cut(known: Known, budget: Budget | None) -> Record:
    table = known.table
    style, weight = table.style, table.weight
    brackets = () if budget is None else budget.brackets_for(style.name)
    return {
        "name": style.name,
        "said": known.said,
        "loose": known.loose,
        "limits": [round(known.limits_mm.get(name, 0.0), 3) for name in table.names],
        "usual": table.usual_ratio,
        "low": style.length_ratio.low,
        "high": style.length_ratio.high,
        "measuring": dict(style.measuring),
        "excess": _rounded(table.excess, 4),
        "width": _rounded(table.width, 4),
        "depth": _rounded(table.depth, 4),
        "z": _packed(table.z, Z_STEP, np.int8),
        "names": list(table.names),
        "margin_excess": _rounded(table.margin_excess, 4),
        "margin_width": _rounded(table.margin_width, 4),
        "margin_depth": _rounded(table.margin_depth, 4),
        "margin": _packed(table.margin_mm, MARGIN_STEP_MM, np.int16),
        "u": _packed(table.u_mm, U_STEP_MM, np.uint8),
        "direction": _packed(
            np.where(
                np.isnan(table.direction_deg),
                NOWHERE * DIRECTION_STEP_DEG,
                table.direction_deg % 359.9,
            ),
            DIRECTION_STEP_DEG,
            np.uint8,
        ),
        "weight": {
            "ratio": _rounded(weight.ratio, 5),
            "share": _rounded(weight.share, 5),
            "width": _rounded(weight.width, 4),
            "coefficient": _rounded(1000 * weight.coefficient.ravel(), 4),
            "u": _rounded(100 * weight.relative_u.ravel(), 2),
        },
        "brackets": [
            {
                "from": float(item.from_ct),
                "below": None if item.below_ct is None else float(item.below_ct),
                "low": float(item.low),
                "high": float(item.high),
            }
            for item in brackets
        ],
    }


def _rounded(values: Array, digits: int) -> list[float]:
    return [float(value) for value in np.round(values, digits)]


def _packed(values: Array, step: float, kind: type[np.integer[Any]]) -> str:
    """Whole steps in base 64, low byte first; beyond the kind's range they are held at its end."""
    limits = np.iinfo(kind)
    steps = np.clip(np.round(values / step), limits.min, limits.max).astype(kind)
    return base64.b64encode(steps.astype(steps.dtype.newbyteorder("<")).tobytes()).decode("ascii")
