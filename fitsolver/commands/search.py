"""The search through the cuts that several commands make: how it is asked for and run."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from fitsolver.commands.answer import progress_bar
from fitsolver.commands.desk import Desk

if TYPE_CHECKING:
    from fitsolver.fitting.bench import Bench
    from fitsolver.fitting.proposal import Proposals
    from fitsolver.market.spec import Spec
    from fitsolver.stones.material import Material


class Search(Struct, frozen=True, kw_only=True):
    """A mounting made ready, with the ranking asked for; what the stone is to be; how many cuts."""

    ready: Bench
    stuff: Material
    limit: int

    def proposals(self) -> Proposals:
        """Propose cuts and sizes."""
        from fitsolver.crew import keep_memory, together
        from fitsolver.fitting.proposal import propose

        keep_memory()
        with progress_bar("Trying cuts") as progress:
            return propose(
                self.ready, self.stuff, limit=self.limit, progress=progress, crew=together
            )

    def spec(self, date: datetime.date) -> Spec:
        """Work out the size spec of a day."""
        from fitsolver.crew import keep_memory, together
        from fitsolver.market.spec import spec

        keep_memory()
        with progress_bar("Trying cuts") as progress:
            return spec(
                self.ready, self.stuff, date=date, limit=self.limit, progress=progress,
                crew=together,
            )  # fmt: skip


def search(
    desk: Desk,
    mounting: Path | None,
    *,
    material: str | None,
    limit: int | None,
    rank: Iterable[str],
) -> Search | None:
    """Read what a search is asked for; None if that is unsound, with the faults at the desk."""
    ready, stuff = desk.bench(mounting), desk.material(material)
    desk.limit(limit)
    order = desk.ranking(rank, ready)
    if ready is None or stuff is None or order is None:
        return None
    from fitsolver.fitting.proposal import LIMIT

    return Search(
        ready=replace(ready, ranking=order), stuff=stuff, limit=LIMIT if limit is None else limit
    )
