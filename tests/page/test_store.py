"""The folder: whole files, one writer at a time, nothing outside it, nothing lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fitsolver.errors import FitsolverError
from fitsolver.page.store import (
    EARLIER,
    NOTHING,
    Missing,
    Overtaken,
    Store,
    Unreadable,
    default_folder,
    slug_of,
)


def test_a_mounting_is_a_file_of_its_name(tmp_path: Path) -> None:
    store = Store(tmp_path / "new" / "folder")
    slug = store.create("Großmutters Ring, 1890", "a = 1\n")
    assert slug == "grossmutters-ring-1890"
    assert (store.folder / f"{slug}.toml").read_text(encoding="utf-8") == "a = 1\n"
    assert store.create("Großmutters Ring (1890)", "a = 2\n") == f"{slug}-2"
    assert set(store.slugs()) == {slug, f"{slug}-2"}


@pytest.mark.parametrize(
    "name", ["../x", "..", "/etc/passwd", "a/b", "C:\\x", "con", "", "\x00", "x" * 500, "指輪"]
)
def test_no_name_leads_out_of_the_folder(tmp_path: Path, name: str) -> None:
    store = Store(tmp_path / "in")
    slug = store.create(name, "a = 1\n")
    assert slug == slug_of(slug)
    assert [path.name for path in tmp_path.rglob("*.toml")] == [f"{slug}.toml"]
    assert (store.folder / f"{slug}.toml").is_file()


@pytest.mark.parametrize("slug", ["../out", "..", ".", "", "out.toml", "/etc/passwd", "in/../out"])
def test_only_names_of_the_folder_are_found(tmp_path: Path, slug: str) -> None:
    (tmp_path / "out.toml").write_text("a = 1\n")
    store = Store(tmp_path / "in")
    with pytest.raises(Missing):
        store.read(slug)


def test_links_and_hidden_files_are_not_mountings(tmp_path: Path) -> None:
    (tmp_path / "out.toml").write_text("secret = 1\n")
    store = Store(tmp_path / "in")
    (store.folder / "link.toml").symlink_to(tmp_path / "out.toml")
    (store.folder / ".hidden.toml").write_text("a = 1\n")
    assert store.slugs() == ()
    slug = store.create("ring", "a = 1\n")
    (store.folder / f"{slug}.csv").symlink_to(tmp_path / "out.toml")
    with pytest.raises(Unreadable, match="is a link"):
        store.candidates(slug)
    with pytest.raises(Unreadable):
        store.save_candidates(slug, "cut\n", NOTHING)
    assert (tmp_path / "out.toml").read_text() == "secret = 1\n"
    assert [each.name for each in store.oddities()] == ["link.toml"]


def test_a_save_over_something_else_is_refused(tmp_path: Path) -> None:
    store = Store(tmp_path)
    slug = store.create("ring", "a = 1\n")
    first = store.read(slug)
    store.save(slug, "a = 2\n", first.revision)
    with pytest.raises(Overtaken) as caught:
        store.save(slug, "a = 3\n", first.revision)
    assert caught.value.theirs.text == "a = 2\n"
    assert store.read(slug).text == "a = 2\n"
    # Who would write what is there already loses nothing.
    assert store.save(slug, "a = 2\n", first.revision).text == "a = 2\n"


def test_candidates_stand_beside_their_mounting(tmp_path: Path) -> None:
    store = Store(tmp_path)
    slug = store.create("ring", "a = 1\n")
    assert store.candidates(slug).revision == NOTHING
    store.save_candidates(slug, "cut\n", NOTHING)
    assert (tmp_path / f"{slug}.csv").read_text() == "cut\n"
    with pytest.raises(Overtaken):
        store.save_candidates(slug, "other\n", NOTHING)


def test_the_last_deletion_is_undone_and_then_the_one_before(tmp_path: Path) -> None:
    store = Store(tmp_path)
    first, second = store.create("first", "a = 1\n"), store.create("second", "a = 2\n")
    store.save_candidates(first, "cut\n", NOTHING)
    store.delete(first)
    store.delete(second)
    assert store.slugs() == ()
    assert store.last_deleted() == second
    assert store.undo() == second
    again = store.create("first", "a = 3\n")
    assert store.undo() == f"{first}-2"
    assert store.candidates(f"{first}-2").text == "cut\n"
    assert store.read(again).text == "a = 3\n"
    assert store.undo() is None


def test_what_a_crash_left_half_written_is_cleared(tmp_path: Path) -> None:
    (tmp_path / ".ring.toml.ab12.part").write_text("a = ")
    store = Store(tmp_path)
    assert store.slugs() == ()
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(FitsolverError, match="cannot be used"):
        Store(tmp_path / "file")


def test_mountings_are_kept_in_the_users_own_data_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    # XDG Base Directory Specification 0.8, XDG_DATA_HOME; platformdirs knows the other systems.
    monkeypatch.setenv("XDG_DATA_HOME", "/somewhere/data")
    if sys.platform.startswith("linux"):
        assert default_folder() == Path("/somewhere/data/fitsolver/mountings")


WRITER = """
import sys
from pathlib import Path
from fitsolver.page.store import Store
store = Store(Path(sys.argv[1]))
slug = store.create("ring", "n = 0\\n")
page = store.read(slug)
for n in range(1, 201):
    page = store.save(slug, f"n = {n}\\n" + "# padding\\n" * 400, page.revision)
    print(n, flush=True)
"""


def test_a_kill_in_the_middle_of_saving_loses_nothing_acknowledged(tmp_path: Path) -> None:
    killed_while_saving(tmp_path, after=25)


@pytest.mark.slow
@pytest.mark.parametrize("after", [1, 40, 90, 150, 199])
def test_a_kill_at_any_of_200_saves_loses_nothing_acknowledged(tmp_path: Path, after: int) -> None:
    killed_while_saving(tmp_path, after=after)


def killed_while_saving(folder: Path, *, after: int) -> None:
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    told = 0
    for line in writer.stdout:
        told = int(line)
        if told == after:
            time.sleep(0.003)
            break
    os.kill(writer.pid, signal.SIGKILL)
    # What it had said before it died may still be in the pipe.
    rest = writer.stdout.read().split()
    told = max([told, *map(int, rest)])
    writer.wait()
    writer.stdout.close()
    store = Store(folder)
    text = store.read("ring").text
    found = int(text.partition("\n")[0].removeprefix("n = "))
    assert found in (told, told + 1)
    assert text == f"n = {found}\n" + "# padding\n" * 400
    assert {path.name for path in folder.iterdir()} == {"ring.toml", EARLIER}
