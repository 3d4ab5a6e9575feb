"""The budget of a mounting: what is to be spent, what of it is spent already, prices as quoted.

All figures are the user's own and exact decimals; nothing here knows a price. Stones are priced by
the weight on the document, which has two decimals and is cut off, not rounded: 1.998 ct is sold as
1.99 and 1.999 as 2.00 (`units.document_weight_ct`).
"""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal

from msgspec import Struct

POINT_CT = Decimal("0.01")
"""One point, the step of weights on documents [ct]."""
CENT = Decimal("0.01")
"""The step to which amounts are shown."""


class Cost(Struct, frozen=True, kw_only=True):
    """A cost fixed already; `pct` is the share of the total [%] where it was given so."""

    name: str
    amount: Decimal
    pct: Decimal | None = None


class Bracket(Struct, frozen=True, kw_only=True):
    """A price per carat as quoted, for document weights from `from_ct` up to below `below_ct`.

    `below_ct` is None where it is open upward. `low` and `high` are per carat, equal where one
    price was quoted. `cut` is the style it was quoted for, empty for any.
    """

    from_ct: Decimal
    below_ct: Decimal | None
    low: Decimal
    high: Decimal
    cut: str = ""
    note: str = ""
    quoted_by: str = ""
    quoted_on: str = ""

    def holds(self, document_ct: Decimal) -> bool:
        """Whether a document weight [ct] falls into it."""
        return self.from_ct <= document_ct and (
            self.below_ct is None or document_ct < self.below_ct
        )


class Budget(Struct, frozen=True, kw_only=True):
    """What may be spent on a mounting in all, and what of it is fixed.

    `currency` stands as the user wrote it, before the amount if `currency_first`.
    """

    currency: str
    currency_first: bool = False
    total: Decimal
    costs: tuple[Cost, ...] = ()
    brackets: tuple[Bracket, ...] = ()

    @property
    def left(self) -> Decimal:
        """What is left for the stone: total less costs."""
        return self.total - sum((cost.amount for cost in self.costs), Decimal(0))

    def brackets_for(self, cut: str) -> tuple[Bracket, ...]:
        """Brackets that hold for a cut, lightest first: those that name it, else the general."""
        own = tuple(item for item in self.brackets if item.cut == cut)
        return own or tuple(item for item in self.brackets if not item.cut)

    def quote(self, cut: str, document_ct: Decimal) -> Bracket | None:
        """The bracket for a document weight [ct] of a cut, None where nobody quoted."""
        return next((item for item in self.brackets_for(cut) if item.holds(document_ct)), None)

    def most_ct(self, cut: str, *, dear: bool = True) -> Decimal | None:
        """Heaviest document weight [ct] that what is left buys; None if not even the lightest.

        At the dear end of the quotes, or the cheap one. Within a bracket at price p the weight is
        left / p, cut off to a point, and never at or above its end; the heaviest of all brackets
        counts, so a price per carat that falls with weight is allowed for too.
        """
        found = []
        for item in self.brackets_for(cut):
            price = item.high if dear else item.low
            weight = (self.left / price).quantize(POINT_CT, rounding=ROUND_DOWN)
            if item.below_ct is not None:
                weight = min(weight, item.below_ct - POINT_CT)
            if weight >= max(item.from_ct, POINT_CT):
                found.append(weight)
        return max(found, default=None)

    def written(self, amount: Decimal, rounding: str = ROUND_HALF_UP) -> str:
        """Write an amount with its currency as the user does; hundredths only if there are any.

        >>> Budget(currency="EUR", total=Decimal(900)).written(Decimal("812.5"))
        '812.50 EUR'
        """
        return self._with_currency(_figure(amount.quantize(CENT, rounding=rounding)))

    def about(self, amount: Decimal, rounding: str = ROUND_HALF_UP) -> str:
        """Write an amount that was worked out: from a hundred up in whole units.

        >>> Budget(currency="EUR", total=Decimal(900)).about(Decimal("812.5"), ROUND_DOWN)
        '812 EUR'
        """
        return self._with_currency(rounded(amount, rounding))

    def _with_currency(self, figure: str) -> str:
        if not self.currency_first:
            return f"{figure} {self.currency}"
        # A sign stands close to its amount, a word does not.
        gap = " " if self.currency[-1].isalpha() or self.currency[-1] == "." else ""
        return f"{self.currency}{gap}{figure}"


def rounded(amount: Decimal, rounding: str = ROUND_HALF_UP) -> str:
    """Write an amount that was worked out without its currency, from a hundred up in whole units.

    >>> rounded(Decimal("812.5"), ROUND_DOWN), rounded(Decimal("8.125"), ROUND_DOWN)
    ('812', '8.12')
    """
    step = Decimal(1) if abs(amount) >= 100 else CENT
    return _figure(amount.quantize(step, rounding=rounding))


def _figure(number: Decimal) -> str:
    return f"{number:.2f}" if number % 1 else f"{number:.0f}"
