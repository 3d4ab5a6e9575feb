"""What all tests share.

Pytest puts the folder of this file on the path, so that tests in the sub-folders find `solids`.
Property tests draw the same examples on every run: a law never holds on one and fails on the next.
Forty each, or a hundred with THOROUGH set.
"""

import os
from collections.abc import Iterator
from typing import Any

import pytest
from browser import started
from hypothesis import settings

EXAMPLES = 100 if os.environ.get("THOROUGH") else 40
settings.register_profile("repeatable", deadline=None, derandomize=True, max_examples=EXAMPLES)
settings.load_profile("repeatable")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, started once for all tests that need it."""
    with started() as found:
        yield found
