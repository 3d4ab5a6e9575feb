"""The table [budget] of a mounting file: its keys, their forms, and what does not go together."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Any, Literal

from msgspec import Struct
from pydantic import Field, field_validator, model_validator

from fitsolver.budgeting.budget import POINT_CT, Bracket, Budget, Cost
from fitsolver.files.datafile import Many, RuleError, nearest
from fitsolver.readings.reading_entry import CrossFault, FileModel
from fitsolver.stones.cut import names

MOST = Decimal(10) ** 12
"""Larger amounts are a slip of the keys."""
PLAIN = 'write it plainly, as 1500 or "1500,50"'

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)")
# A comma or point before exactly three digits may part thousands or decimals.
_AMBIGUOUS = re.compile(r"[+-]?[0-9]{1,3}[.,][0-9]{3}")


def decimal_of(value: object) -> Decimal:
    """Read an exact number as people write it; of a float, the digits that were typed.

    Raises `RuleError` for what is no plain number, and for "1,500", which may be either of two.

    >>> decimal_of("6,5"), decimal_of(0.1)
    (Decimal('6.5'), Decimal('0.1'))
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise RuleError("must be one number", PLAIN)
    if isinstance(value, float) and not math.isfinite(value):
        raise RuleError("is not a finite number", PLAIN)
    text = value.strip().replace("−", "-") if isinstance(value, str) else repr(value)
    if isinstance(value, str) and _AMBIGUOUS.fullmatch(text):
        whole, part = re.split("[.,]", text)
        raise RuleError(
            "may mean thousands or decimals", f"write {whole}{part}, or {whole}.{part}0"
        )
    if isinstance(value, str) and not _NUMBER.fullmatch(text):
        raise RuleError("is not a plain number", f"{PLAIN}, without the currency")
    return Decimal(text.replace(",", "."))


class _Exact:
    """Read an exact number that is not negative."""

    @staticmethod
    def read(value: object) -> Decimal:
        number = decimal_of(value)
        if not 0 <= number <= MOST:
            raise RuleError("must be 0 or more", "correct the value")
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(self.read)


class _ToThePoint(_Exact):
    """Read a weight to 0.01 ct, as documents state it."""

    @staticmethod
    def read(value: object) -> Decimal:
        weight = _Exact.read(value)
        if weight > 10000:
            raise RuleError("must be 0 to 10000 ct", "give the weight in carats")
        if weight != weight.quantize(POINT_CT):
            raise RuleError(
                "has more than two decimals",
                "prices go by the weight on the document, which has two",
            )
        return weight


class _Price(_Exact):
    """Read a price per carat."""

    @staticmethod
    def read(value: object) -> Decimal:
        price = _Exact.read(value)
        if price == 0:
            raise RuleError("must be more than 0", "give the price of one carat as quoted")
        return price


class _CostOrShare(_Exact):
    """Read a cost as an amount, or as "20 %" of the total."""

    @staticmethod
    def read(value: object) -> CostEntry:  # type: ignore[override]
        if isinstance(value, str) and value.strip().endswith("%"):
            share = _Exact.read(value.strip().removesuffix("%"))
            if share >= 100:
                raise RuleError("must be less than 100 %", "give the share of the total")
            return CostEntry(pct=share)
        return CostEntry(amount=_Exact.read(value))


class CostEntry(Struct, frozen=True, kw_only=True):
    """A cost as typed: an amount, or a share of the total [%]."""

    amount: Decimal = Decimal(0)
    pct: Decimal | None = None


Exact = Annotated[Decimal, _Exact()]
Carats = Annotated[Decimal, _ToThePoint()]
Price = Annotated[Decimal, _Price()]
AnyCost = Annotated[CostEntry, _CostOrShare()]


class PriceEntry(FileModel):
    """A price per carat quoted from ... to."""

    low: Price
    high: Price

    @model_validator(mode="after")
    def _rising(self) -> PriceEntry:
        if self.low > self.high:
            raise RuleError("must have low no more than high", "swap the two")
        return self


class BracketTable(FileModel):
    """One price per carat as quoted, and the weights it was quoted for."""

    from_ct: Carats
    to_ct: Carats | None = None
    per_ct: PriceEntry
    cut: str = ""
    note: str = ""
    quoted_by: str = ""
    quoted_on: datetime.date | str = ""

    @field_validator("per_ct", mode="before")
    @classmethod
    def _one_price(cls, value: Any) -> Any:
        return value if isinstance(value, dict) else {"low": value, "high": value}

    @field_validator("cut")
    @classmethod
    def _a_cut(cls, value: str) -> str:
        if value and value not in names():
            raise RuleError("is not the name of a cut style", nearest(value, names()))
        return value

    @model_validator(mode="after")
    def _rising(self) -> BracketTable:
        if self.to_ct is not None and self.to_ct <= self.from_ct:
            raise RuleError("must have to_ct more than from_ct", "swap the two, or leave to_ct out")
        return self

    def span(self) -> str:
        """Write the weights it was quoted for."""
        return (
            f"{self.from_ct} ct up" if self.to_ct is None else f"{self.from_ct} to {self.to_ct} ct"
        )


class BudgetTable(FileModel):
    """The table [budget]."""

    currency: Annotated[str, Field(min_length=1, max_length=20)] | None = None
    currency_stands: Literal["after", "before"] = "after"
    total: Exact | None = None
    costs: dict[str, AnyCost] = Field(default_factory=dict)
    brackets: Many[BracketTable] = ()

    def cross_faults(self) -> Iterator[CrossFault]:
        """Yield what is missing and what does not go together: (key, value, rule, remedy)."""
        if self.currency is None:
            yield (
                "currency",
                None,
                "is missing",
                'add currency = "EUR", as it stands beside amounts',
            )
        elif not self.currency.strip():
            yield "currency", self.currency, "is blank", 'write it as currency = "EUR"'
        if self.total is None:
            yield "total", None, "is missing", "add total = VALUE: all there is to spend"
        elif self.total == 0:
            yield "total", 0, "must be more than 0", "give all there is to spend"
        else:
            spent = sum((cost.amount for cost in self._costs(self.total)), Decimal(0))
            if spent >= self.total:
                rule = f"come to {spent:f} of {self.total:f}: nothing is left for the stone"
                yield "costs", None, rule, "lower a cost or raise the total"
        yield from self._bracket_faults()

    def _bracket_faults(self) -> Iterator[CrossFault]:
        """Brackets of one cut that overlap, or leave a hole between them."""
        for cut in dict.fromkeys(item.cut for item in self.brackets):
            row = self._in_order(cut)
            for (_, before), (index, item) in pairwise(row):
                key, start, end = f"brackets[{index}].from_ct", item.from_ct, before.to_ct
                shown = float(start)
                if start == before.from_ct or (end is not None and end > start):
                    rule = f"overlaps the bracket of {before.span()}"
                    remedy = "let each weight have one price; keep another quality in another file"
                    yield key, shown, rule, remedy
                elif end is not None and end < start - POINT_CT:
                    rule = f"leaves a hole: no bracket holds from {end} to {start} ct"
                    remedy = "ask what they cost, or leave to_ct out: a bracket reaches to the next"
                    yield key, shown, rule, remedy

    def _in_order(self, cut: str) -> list[tuple[int, BracketTable]]:
        row = [(index, item) for index, item in enumerate(self.brackets) if item.cut == cut]
        return sorted(row, key=lambda pair: pair[1].from_ct)

    def _costs(self, total: Decimal) -> Iterator[Cost]:
        for name, cost in self.costs.items():
            amount = cost.amount if cost.pct is None else total * cost.pct / 100
            yield Cost(name=name, amount=amount, pct=cost.pct)

    def budget(self) -> Budget:
        """Return the budget; the table must be free of faults."""
        assert self.currency is not None
        assert self.total is not None
        brackets = []
        for cut in dict.fromkeys(item.cut for item in self.brackets):
            row = [item for _, item in self._in_order(cut)]
            for item, after in zip(row, (*row[1:], None), strict=True):
                below = None if item.to_ct is None else item.to_ct + POINT_CT
                if after is not None:  # its end may have been written as 1.99 or as 2
                    below = after.from_ct
                on = item.quoted_on
                brackets.append(
                    Bracket(
                        from_ct=item.from_ct,
                        below_ct=below,
                        low=item.per_ct.low,
                        high=item.per_ct.high,
                        cut=cut,
                        note=item.note,
                        quoted_by=item.quoted_by,
                        quoted_on=on if isinstance(on, str) else on.isoformat(),
                    )
                )
        return Budget(
            currency=self.currency.strip(),
            currency_first=self.currency_stands == "before",
            total=self.total,
            costs=tuple(self._costs(self.total)),
            brackets=tuple(brackets),
        )
