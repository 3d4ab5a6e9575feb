"""What the tests of the page share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from fitsolver.page.helper import Helper
from fitsolver.page.job import prepare


class Shared(Helper):
    """One process for all pages of a run: it outlives each of them."""

    def close(self) -> None:
        """Stay."""

    def end(self) -> None:
        """End the process."""
        super().close()


@pytest.fixture(scope="session")
def helper() -> Iterator[Helper]:
    """The process that works long answers out, as a page that is served has one."""
    found = Shared(prepare)
    yield found
    found.end()
