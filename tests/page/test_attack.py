"""Seeded attack: files, lists and requests spoilt at random, and boundaries that chance misses.

Each input is answered or refused in its own words: no traceback, no answer of 500, none slower than
`SLOWEST_S`. The long form prints the table that stands in DEVELOPERS.md.
"""

from __future__ import annotations

import random
import resource
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from served import EXAMPLES, READINGS, SEAT, SOUND, Visitor

from fitsolver.errors import FitsolverError
from fitsolver.files.datafile import load_toml
from fitsolver.files.document import MOST_ENTRIES, MOST_KEYS
from fitsolver.market.candidate import read_candidates
from fitsolver.page.stone_list import stone_list
from fitsolver.page.store import decoded
from fitsolver.seats.mounting import load_mounting

SLOWEST_S = 10.0
TOKENS = (
    b"\0", b"\r", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b"'", b'"""', b"[", b"]", b"[[", b"{", b"=",
    b",", b";", b"\n", b"#", b"nan", b"-inf", b"1e999", b"-0", b"0x" + b"f" * 400, b"9" * 300,
    b"true", b"=cmd", b"6,5", b"0.3 in", "पुखराज".encode(), "ü".encode("cp1252"), b"\\u0000", b"../",
    b"7.0", b"0", b"-7", b"57", b"1000000",
)  # fmt: skip


def spoilt(content: bytes, chance: random.Random) -> bytes:
    """A content changed in one to six places."""
    parts = bytearray(content)
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(parts) + 1)
        kind = chance.randrange(5)
        if kind == 0:
            parts[at : at + chance.randint(1, 40)] = b""
        elif kind == 1:
            parts[at:at] = chance.choice(TOKENS)
        elif kind == 2:
            parts[at : at + 4] = chance.choice(TOKENS)
        elif kind == 3:
            lines = bytes(parts).splitlines(keepends=True) or [b""]
            chance.shuffle(lines)
            parts = bytearray(b"".join(lines))
        else:
            parts[at : at + 1] = bytes([chance.randrange(256)])
    return bytes(parts)


class Tally:
    """How many were tried, answered and refused, and which took longest."""

    def __init__(self, what: str) -> None:
        self.what, self.answered, self.refused, self.slowest = what, 0, 0, 0.0

    def one(self, do: Callable[[], bool]) -> None:
        begun = time.perf_counter()
        if do():
            self.answered += 1
        else:
            self.refused += 1
        took = time.perf_counter() - begun
        self.slowest = max(self.slowest, took)
        assert took < SLOWEST_S

    def __str__(self) -> str:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        tried = self.answered + self.refused
        return (
            f"| {self.what} | {tried} | {self.refused} | {self.answered} | "
            f"{self.slowest:.2f} | {peak:.0f} |"
        )


def answers(do: Callable[[], object]) -> bool:
    """Whether it is answered; refused means by a fault in our own words."""
    try:
        do()
    except FitsolverError as error:
        return not str(error)
    return True


def attack(count: int, seed: int, folder: Path) -> list[Tally]:
    chance = random.Random(seed)
    files, lists, requests = Tally("files"), Tally("lists"), Tally("requests")
    mountings = [path.read_bytes() for path in SOUND.values()]
    tables = [path.read_bytes() for path in sorted(EXAMPLES.glob("*.csv"))]
    file, table = folder / "spoilt.toml", folder / "spoilt.csv"
    for _ in range(count * 2 // 5):
        file.write_bytes(spoilt(chance.choice(mountings), chance))
        files.one(lambda: answers(lambda: load_mounting(file)))
    for _ in range(count * 2 // 5):
        content = spoilt(chance.choice(tables), chance)
        table.write_bytes(content)

        def edited(content: bytes = content) -> None:
            read_candidates(table)
            listed = stone_list(decoded(content)[0])
            longer = stone_list(listed.with_stone({"cut": "pear"}, ("cut",)))
            assert len(longer.rows) in (len(listed.rows), len(listed.rows) + 1)

        lists.one(lambda: answers(edited))
    visitor = Visitor(folder / "page")
    with visitor:
        slug = visitor.made()
        token = visitor.token()
        forms = [SEAT | READINGS, {"cut": "pear-brilliant", "length_mm": "8", "width_mm": "6"}]
        for _ in range(count - 2 * (count * 2 // 5)):
            fields = {
                key: spoilt(text.encode(), chance).decode("utf-8", "ignore")
                for key, text in chance.choice(forms).items()
            }
            path = chance.choice(["", "/keep", "/stones/bring", "/drawing", "/budget", "/remove"])
            headers = {"origin": chance.choice(["http://testserver", "http://[", "null", "x"])}

            def asked(
                path: str = path, fields: dict[str, str] = fields,
                headers: dict[str, str] = headers,
            ) -> bool:  # fmt: skip
                answer = visitor.client.post(
                    f"/m/{slug}{path}", data={**fields, "token": token, "revision": ""},
                    headers=headers,
                )  # fmt: skip
                assert answer.status_code < 500, answer.text[:400]
                return bool(answer.status_code < 400)

            requests.one(asked)
    return [files, lists, requests]


def test_what_is_spoilt_at_random_is_answered_or_refused(tmp_path: Path) -> None:
    assert all(each.refused for each in attack(300, 1890, tmp_path))


@pytest.mark.slow
def test_twenty_thousand_spoilt_inputs_are_answered_or_refused(tmp_path: Path) -> None:
    for each in attack(20_000, 1890, tmp_path):
        print(each)


BASE = SOUND["claw-ring"].read_text(encoding="utf-8")
BARE = BASE.replace("claw_directions_deg", "#").replace("claw_thickness_mm", "#")
BOUNDARIES = {
    "a long row of digits": ("x = 0" + "1" * 50_000, "is not TOML"),
    "too many digits": (f"x = {'9' * 6_000}\n", "too many digits"),
    "too many digits in another base": (
        BARE.replace("[seat]", "[seat]\nclaw_thickness_mm = 0x" + "f" * 6_000), "too many digits"
    ),
    "a long list": (
        BARE.replace("[seat]", f"[seat]\nclaw_directions_deg = {list(range(20_000))}"),
        f"more than {MOST_ENTRIES:,}",
    ),
    "many keys": ("\n".join(f"k{i} = {i}" for i in range(60_000)), f"more than {MOST_KEYS}"),
    "some hundred keys": (
        "\n".join(f"k{i} = {i}" for i in range(MOST_KEYS)), "correct these first"
    ),
    "a zero in a name of points": (
        BASE.replace("[seat]", '[seat]\nopening_points_file = "a\\u0000b"'), "must be the name"
    ),
    "nested": ("x = " + "[" * 5_000, "nested too deeply"),
}  # fmt: skip


@pytest.mark.parametrize("name", BOUNDARIES)
def test_a_file_past_a_limit_is_refused_soon_with_the_limit(name: str, tmp_path: Path) -> None:
    text, said = BOUNDARIES[name]
    path = tmp_path / "edge.toml"
    path.write_text(text, encoding="utf-8")
    begun = time.process_time()
    with pytest.raises(FitsolverError) as caught:
        load_mounting(path)
    assert said in str(caught.value)
    assert time.process_time() - begun < 2.0


def test_a_pipe_is_not_opened(tmp_path: Path) -> None:
    os_mkfifo = pytest.importorskip("os").mkfifo
    os_mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(FitsolverError, match="is no file on a disk"):
        load_toml(tmp_path / "pipe.toml")
