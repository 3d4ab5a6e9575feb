"""What speaks against a stone that was found, and what is still to be asked: one rule for both.

`RULE` says in words what they do to the order and to the first choice; `rank_of` and
`comparison.Comparison.clear` do it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from fitsolver.market.candidate import Candidate
from fitsolver.text.layout import list_of, plain

RULE = (
    "Reservations and questions change no verdict. A reservation (the mass does not belong to the "
    "size, or the price is over the ceiling) ranks a stone behind all others of its verdict, and "
    "it is never the first choice. A question (what nobody stated, weighed or named) leaves a "
    "stone where it is and is told beside it: ask before paying."
)


def reservations(
    candidate: Candidate, *, mass_agrees: bool | None, over_ceiling: bool
) -> Iterator[str]:
    """Say what speaks against buying a stone, however well it seats."""
    if mass_agrees is False:
        offered = plain(candidate.offered_as or candidate.stuff.name)
        yield f"its mass does not belong to the material offered, {offered}"
    if over_ceiling:
        yield "over the price ceiling"


def questions(candidate: Candidate) -> Iterator[str]:
    """Say what is to be asked before a stone is paid for."""
    if not candidate.offered_as:
        yield f"the material ({candidate.stuff.name} is assumed)"
    if candidate.mass_ct is None:
        yield "the mass, which was not weighed"
    missing = [
        what
        for what, text in (
            ("nature", candidate.stated.nature),
            ("treatment", candidate.stated.treatment),
        )
        if not text
    ]
    if missing:
        yield f"{list_of(missing)}, of which nothing is stated"
    if candidate.stated.says and not candidate.stated.by:
        yield "who states what is stated"


def rank_of(reserved: bool) -> Literal[0, 1]:
    """Where a stone stands within its verdict: 0 in front, 1 behind those without a reservation."""
    return 1 if reserved else 0
