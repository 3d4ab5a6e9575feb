"""The folder of mountings: one TOML file each, its candidates in a CSV file of the same name.

The command line reads and writes the same files. A name that comes with a request is only ever
looked for among the names that the folder has; it is never made into a path.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import RLock

from msgspec import Struct

from fitsolver.errors import FitsolverError
from fitsolver.files.datafile import MAX_BYTES, new_file

DELETED = ".deleted"
MOUNTING, CANDIDATES = ".toml", ".csv"
NOTHING = ""
"""The revision of a file that does not exist."""
LONGEST_SLUG = 60
MOST_FILES = 5_000


class Page(Struct, frozen=True, kw_only=True):
    """What a file holds, and the mark of exactly that content."""

    text: str
    revision: str


class Overtaken(Exception):
    """The file was changed by somebody else since the form was made; `theirs` is what it holds."""

    def __init__(self, theirs: Page) -> None:
        """Keep what the other one wrote."""
        self.theirs = theirs
        super().__init__("changed meanwhile")


class Missing(Exception):
    """There is no such mounting, or not any more."""


def default_folder() -> Path:
    """Where mountings are kept unless the user says otherwise: the user's own data folder."""
    from platformdirs import user_data_path

    return user_data_path("fitsolver", appauthor=False) / "mountings"


def slug_of(name: str) -> str:
    """Make a file's name of a mounting's name.

    >>> slug_of("Großmutters Ring (1890)"), slug_of("../../etc"), slug_of("指輪")
    ('grossmutters-ring-1890', 'etc', 'mounting')
    """
    plain = unicodedata.normalize("NFKD", name.casefold()).encode("ascii", "ignore").decode()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_SLUG].strip("-")
    reserved = re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)", slug)
    return f"{slug}-mounting" if reserved else slug or "mounting"


def revision_of(content: bytes) -> str:
    """Mark of a content: the same for the same bytes, another for any other."""
    return hashlib.sha256(content).hexdigest()[:20]


class Store:
    """Mountings and candidates in one folder, which is made if it is not there."""

    def __init__(self, folder: Path) -> None:
        """Open a folder and clear away what a crash has left half-written."""
        self.folder = folder.expanduser().resolve()
        self._lock = RLock()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for left in self.folder.glob(".*.part"):
                left.unlink(missing_ok=True)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise FitsolverError(f"{self.folder} cannot be used: {reason}") from error
        if not os.access(self.folder, os.W_OK | os.X_OK):
            raise FitsolverError(f"{self.folder} is not yours to write in")

    def slugs(self) -> tuple[str, ...]:
        """Names of all mountings, the one changed last first."""
        found = []
        for path in self._files():
            try:
                found.append((-path.stat().st_mtime_ns, path.stem))
            except OSError:  # gone meanwhile
                continue
        return tuple(stem for _, stem in sorted(found))

    def read(self, slug: str) -> Page:
        """Return a mounting's file; raises `Missing`."""
        return self._page(self._path(slug))

    def candidates(self, slug: str) -> Page:
        """Return a mounting's list of candidates, empty if it has none yet."""
        path = self._path(slug).with_suffix(CANDIDATES)
        try:
            return self._page(path)
        except Missing:
            return Page(text="", revision=NOTHING)

    def candidates_file(self, slug: str) -> Path:
        """Return where a mounting's candidates are, for those who read the table themselves."""
        return self._path(slug).with_suffix(CANDIDATES)

    def create(self, name: str, text: str) -> str:
        """Write a new mounting under a name of its own, and return that."""
        with self._lock:
            taken = {path.stem.casefold() for path in self._files()}
            taken |= {path.stem.casefold() for path in self.folder.glob(f"*{CANDIDATES}")}
            if len(taken) >= MOST_FILES:
                raise FitsolverError(f"there are {MOST_FILES} mountings in the folder already")
            slug = base = slug_of(name)
            number = 2
            while slug in taken:
                slug, number = f"{base}-{number}", number + 1
            self._write(self.folder / f"{slug}{MOUNTING}", text)
            return slug

    def save(self, slug: str, text: str, revision: str) -> Page:
        """Write a mounting over the content that `revision` marks.

        Raises `Overtaken` if the file holds something else by now, `Missing` if it is gone.
        """
        with self._lock:
            path = self._path(slug)
            return self._over(path, text, revision, self._page(path))

    def save_candidates(self, slug: str, text: str, revision: str) -> Page:
        """Write a mounting's candidates over the content that `revision` marks; as `save`."""
        with self._lock:
            path = self._path(slug).with_suffix(CANDIDATES)
            return self._over(path, text, revision, self.candidates(slug))

    def delete(self, slug: str) -> None:
        """Put a mounting and its candidates aside, from where `undo` brings them back."""
        with self._lock:
            path = self._path(slug)
            aside = self.folder / DELETED / f"{time.time_ns():020d}-{secrets.token_hex(2)}"
            aside.mkdir(parents=True)
            # The list first: without its mounting nobody would see it.
            for each in (path.with_suffix(CANDIDATES), path):
                if each.is_file():
                    os.replace(each, aside / each.name)

    def last_deleted(self) -> str | None:
        """Name of the mounting that `undo` would bring back, if there is one."""
        aside = self._last_aside()
        return None if aside is None else next(aside.glob(f"*{MOUNTING}")).stem

    def undo(self) -> str | None:
        """Bring the mounting that was deleted last back; its name, or None if there is none."""
        with self._lock:
            aside = self._last_aside()
            if aside is None:
                return None
            old = next(aside.glob(f"*{MOUNTING}")).stem
            slug, number = old, 2
            while any((self.folder / f"{slug}{end}").exists() for end in (MOUNTING, CANDIDATES)):
                slug, number = f"{old}-{number}", number + 1
            for end in (CANDIDATES, MOUNTING):
                if (aside / f"{old}{end}").is_file():
                    os.replace(aside / f"{old}{end}", self.folder / f"{slug}{end}")
            aside.rmdir()
            return slug

    def _last_aside(self) -> Path | None:
        folders = sorted((self.folder / DELETED).glob("*-*"), reverse=True)
        return next((each for each in folders if any(each.glob(f"*{MOUNTING}"))), None)

    def _files(self) -> Iterator[Path]:
        for path in self.folder.glob(f"*{MOUNTING}"):
            # A link could lead out of the folder.
            if not path.name.startswith(".") and path.is_file() and not path.is_symlink():
                yield path

    def _path(self, slug: str) -> Path:
        for path in self._files():
            if path.stem == slug:
                return path
        raise Missing(slug)

    def _page(self, path: Path) -> Page:
        if path.is_symlink():
            raise Missing(path.stem)
        with _as_missing(path), open(path, "rb") as file:
            content = file.read(MAX_BYTES + 1)
        return Page(text=content.decode("utf-8", "replace"), revision=revision_of(content))

    def _over(self, path: Path, text: str, revision: str, now: Page) -> Page:
        if now.revision != revision and now.text != text:
            raise Overtaken(now)
        return self._write(path, text)

    def _write(self, path: Path, text: str) -> Page:
        with new_file(path, overwrite=True) as file:
            file.write(text)
        return Page(text=text, revision=revision_of(text.encode()))


@contextmanager
def _as_missing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise Missing(path.stem) from error
