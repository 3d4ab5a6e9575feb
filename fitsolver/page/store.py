"""The folder of mountings: one TOML file each, its candidates in a CSV file of the same name.

The command line reads and writes the same files. A name that comes with a request is only ever
looked for among the names that the folder has; it is never made into a path. What cannot be read
back whole is never written over, and the version before each change is kept, dated, in `.earlier`.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import stat
import time
import unicodedata
from collections.abc import Callable
from pathlib import Path
from threading import RLock

from msgspec import Struct

from fitsolver.errors import FitsolverError
from fitsolver.files.datafile import MAX_BYTES, sync_folder, write_bytes
from fitsolver.files.encoding import decoded

DELETED, EARLIER = ".deleted", ".earlier"
MOUNTING, CANDIDATES = ".toml", ".csv"
NOTHING = ""
"""The revision of a file that does not exist."""
LONGEST_SLUG = 60
MOST_FILES = 5_000
MOST_EARLIER = 10
"""Versions of one file that are kept before the newest."""
MOST_LIST_BYTES = 2_000_000


class Page(Struct, frozen=True, kw_only=True):
    """What a file holds, in which encoding, and the mark of exactly that content."""

    text: str
    revision: str
    encoding: str = "utf-8"


class Overtaken(Exception):
    """The file was changed by somebody else since the form was made; `theirs` is what it holds."""

    def __init__(self, theirs: Page) -> None:
        """Keep what the other one wrote."""
        self.theirs = theirs
        super().__init__("changed meanwhile")


class Missing(Exception):
    """There is no such mounting, or not any more."""


class Unreadable(FitsolverError):
    """A file that the page can neither show nor write over; the text says why."""


class Oddity(Struct, frozen=True, kw_only=True):
    """Something in the folder that has a mounting's name and is none."""

    name: str
    why: str


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
        self._known: set[str] = set()
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
        return tuple(slug for slug, _ in self.stamps())

    def stamps(self) -> tuple[tuple[str, tuple[int, int]], ...]:
        """Every mounting, the one changed last first, with time of change and size of its file."""
        return self._listing()[0]

    def oddities(self) -> tuple[Oddity, ...]:
        """What has a mounting's name and cannot be one."""
        return self._listing()[1]

    def read(self, slug: str) -> Page:
        """Return a mounting's file; raises `Missing` and `Unreadable`."""
        return self._page(self._path(slug), MAX_BYTES)

    def candidates(self, slug: str) -> Page:
        """Return a mounting's list of candidates, empty if there is none; raises `Unreadable`."""
        path = self._path(slug).with_suffix(CANDIDATES)
        try:
            return self._page(path, MOST_LIST_BYTES)
        except Missing:
            return Page(text="", revision=NOTHING)

    def candidates_file(self, slug: str) -> Path:
        """Return where a mounting's candidates are, for those who read the table themselves."""
        return self._path(slug).with_suffix(CANDIDATES)

    def create(self, name: str, text: str) -> str:
        """Write a new mounting under a name of its own, and return that."""
        with self._lock:
            taken = {
                name.rpartition(".")[0].casefold() for name in self._names()
                if name.endswith((MOUNTING, CANDIDATES))
            }  # fmt: skip
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

        Raises `Overtaken` if the file holds something else by now, `Missing` if it is gone,
        `Unreadable` if what is there cannot be read back whole.
        """
        with self._lock:
            path = self._path(slug)
            return self._over(path, text, revision, self._page(path, MAX_BYTES))

    def save_candidates(self, slug: str, text: str, revision: str) -> Page:
        """Write a mounting's candidates over the content that `revision` marks; as `save`."""
        with self._lock:
            path = self._path(slug).with_suffix(CANDIDATES)
            return self._over(path, text, revision, self.candidates(slug))

    def change_candidates(self, slug: str, change: Callable[[Page], str]) -> Page:
        """Change a mounting's candidates as they are now: `change` makes the new text of them.

        Changes that come at once are made one after another, and none is lost.
        """
        with self._lock:
            now = self.candidates(slug)
            return self.save_candidates(slug, change(now), now.revision)

    def delete(self, slug: str) -> None:
        """Put a mounting and its candidates aside, from where `undo` brings them back."""
        with self._lock:
            path = self._path(slug)
            # Numbered after the last, since clocks are set back; the time tells people the day.
            last = max((int(each.name[:20]) for each in self._asides()), default=0)
            number = max(last + 1, time.time_ns())
            aside = self.folder / DELETED / f"{number:020d}-{secrets.token_hex(2)}"
            aside.mkdir(parents=True)
            # The list first: without its mounting nobody would see it.
            for each in (path.with_suffix(CANDIDATES), path):
                if each.is_file():
                    os.replace(each, aside / each.name)
            sync_folder(aside)
            sync_folder(self.folder)

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
            sync_folder(self.folder)
            return slug

    def _last_aside(self) -> Path | None:
        return next((each for each in self._asides() if any(each.glob(f"*{MOUNTING}"))), None)

    def _asides(self) -> list[Path]:
        """What was deleted, the last first."""
        found = (self.folder / DELETED).glob("*-*")
        return sorted((each for each in found if re.match(r"\d{20}-", each.name)), reverse=True)

    def _names(self) -> list[str]:
        try:
            return os.listdir(self.folder)
        except OSError as error:
            raise self._gone(error) from error

    def _gone(self, error: OSError) -> Unreadable:
        reason = (error.strerror or str(error)).lower()
        return Unreadable(f"the folder of the mountings cannot be read: {self.folder}: {reason}")

    def _listing(self) -> tuple[tuple[tuple[str, tuple[int, int]], ...], tuple[Oddity, ...]]:
        found: list[tuple[str, tuple[int, int]]] = []
        odd: list[Oddity] = []
        try:
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    name = entry.name
                    if not name.endswith(MOUNTING) or name.startswith("."):
                        continue
                    try:
                        facts = entry.stat(follow_symlinks=False)
                    except OSError:  # gone meanwhile
                        continue
                    if why := _no_file(facts) or _no_name(name):
                        plain = name.encode("utf-8", "backslashreplace").decode()
                        odd.append(Oddity(name=plain, why=why))
                    else:
                        mark = (facts.st_mtime_ns, facts.st_size)
                        found.append((name.removesuffix(MOUNTING), mark))
        except OSError as error:
            raise self._gone(error) from error
        found.sort(key=lambda item: (-item[1][0], item[0]))
        return tuple(found), tuple(sorted(odd, key=lambda item: item.name))

    def _path(self, slug: str) -> Path:
        name = f"{slug}{MOUNTING}"
        if name not in self._known:  # a name that is known and gone is found out below
            self._known = {
                each for each in self._names() if not each.startswith(".") and not _no_name(each)
            }
        if name not in self._known:
            raise Missing(slug)
        path = self.folder / name
        try:
            facts = os.lstat(path)
        except OSError as error:
            if not self.folder.is_dir():
                raise self._gone(error) from error
            raise Missing(slug) from error
        if _no_file(facts):
            raise Missing(slug)
        return path

    def _page(self, path: Path, most: int) -> Page:
        try:
            if why := _no_file(os.lstat(path)):
                raise Unreadable(f"{path.name} {why}")
            with open(path, "rb") as file:
                content = file.read(most + 1)
        except FileNotFoundError as error:
            raise Missing(path.stem) from error
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise Unreadable(f"{path.name} cannot be read: {reason}") from error
        if len(content) > most:
            raise Unreadable(
                f"{path.name} is larger than {most:,} bytes, more than the page takes; it stays as "
                "it is, and the command line reads it"
            )
        try:
            text, encoding = decoded(content)
        except UnicodeDecodeError as error:
            raise Unreadable(
                f"{path.name} is not text in UTF-8, UTF-16 or Windows-1252; it stays as it is"
            ) from error
        return Page(text=text, revision=revision_of(content), encoding=encoding)

    def _over(self, path: Path, text: str, revision: str, now: Page) -> Page:
        if now.revision != revision and now.text != text:
            raise Overtaken(now)
        if now.text == text and now.revision != NOTHING:
            return now
        if now.revision != NOTHING:
            self._set_aside(path)
        # A byte order mark stays; what was in another encoding is UTF-8 from now on.
        return self._write(path, text, "utf-8-sig" if now.encoding == "utf-8-sig" else "utf-8")

    def _set_aside(self, path: Path) -> None:
        """Keep the version there is, under the time at which it is replaced."""
        folder = self.folder / EARLIER / path.name
        now = time.time_ns()
        stamp = time.strftime("%Y-%m-%d-%H%M%S", time.localtime(now // 10**9))
        try:
            folder.mkdir(parents=True, exist_ok=True)
            number = now % 10**9 // 1000
            while (kept := folder / f"{stamp}-{number:06d}{path.suffix}").exists():
                number += 1
            try:
                os.link(path, kept)
            except OSError:  # no second names on this disk
                shutil.copyfile(path, kept)
            others = sorted((each for each in folder.iterdir() if each != kept), reverse=True)
            for old in others[MOST_EARLIER - 1 :]:
                old.unlink(missing_ok=True)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise Unreadable(f"{path.name} cannot be kept: {reason}; it stays as it is") from error

    def _write(self, path: Path, text: str, encoding: str = "utf-8") -> Page:
        content = text.encode(encoding)
        most = MAX_BYTES if path.suffix == MOUNTING else MOST_LIST_BYTES
        if len(content) > most:
            raise Unreadable(f"{path.name} would be larger than {most:,} bytes; it stays as it is")
        write_bytes(path, content, overwrite=True)
        return Page(text=text, revision=revision_of(content), encoding=encoding)


def _no_file(facts: os.stat_result) -> str:
    """Why something in the folder is no file that the page may open; empty if it is one."""
    if stat.S_ISLNK(facts.st_mode):
        # It could lead out of the folder.
        return "is a link to another place, and the page neither follows nor replaces one"
    if stat.S_ISDIR(facts.st_mode):
        return "is a folder"
    return "" if stat.S_ISREG(facts.st_mode) else "is no file on a disk"


def _no_name(name: str) -> str:
    """Why a name cannot stand in an address of the page; empty if it can."""
    if {"/", "\\", "\0"} & set(name):
        return "has a name that is no plain one: rename it"
    try:
        name.encode()
    except UnicodeEncodeError:
        return "has a name that is not in UTF-8: rename it"
    return ""
