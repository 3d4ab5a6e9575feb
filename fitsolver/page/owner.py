"""One owner of a folder: the page that holds its lock, and where that page answers.

Two servers on one folder would lose each other's work. The lock is the operating system's: it goes
with the process that holds it, however that ends.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from fitsolver.errors import FitsolverError

ANSWERS_AT = ".page"
LOCK = ".page.lock"


class Taken(FitsolverError):
    """Another page has the folder; `address` is where it answers, empty while it is starting."""

    def __init__(self, folder: Path, address: str) -> None:
        """Keep where the other page answers."""
        self.address = address
        where = f" at {address}" if address else ""
        super().__init__(f"{folder} is open in another page already{where}; use that one")


class Owner:
    """Holds the folder from when it is made until `release`; raises `Taken`."""

    def __init__(self, folder: Path) -> None:
        """Take the folder's lock."""
        from filelock import FileLock, Timeout

        self._address = folder / ANSWERS_AT
        self._lock = FileLock(folder / LOCK)
        try:
            self._lock.acquire(timeout=0)
        except Timeout as error:
            address = ""
            with suppress(OSError, UnicodeDecodeError):
                address = self._address.read_text(encoding="utf-8")[:200].strip()
            raise Taken(folder, address if address.startswith("http://") else "") from error
        except (OSError, NotImplementedError) as error:
            raise FitsolverError(f"{folder} cannot be locked: {error}") from error
        with suppress(OSError):
            self._address.unlink()

    def answers_at(self, address: str) -> None:
        """Say where the page answers, to whoever would open the folder a second time."""
        with suppress(OSError):
            handle = os.open(self._address, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with open(handle, "w", encoding="utf-8") as file:
                file.write(address)

    def release(self) -> None:
        """Let the folder go."""
        with suppress(OSError):
            self._address.unlink()
        self._lock.release()
