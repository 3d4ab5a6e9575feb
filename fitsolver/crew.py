"""Independent parts of one answer, done by this process alone or by one process a core.

A face that owns its process may have parts done `together`; the answer is the same, since every
part is. In a process with other threads (a server) parts are done `alone`; the page keeps a process
without threads for that.
"""

from __future__ import annotations

import os
import sys
import threading
import warnings
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from types import MappingProxyType
from typing import Any, Protocol, TypeVar

Item = TypeVar("Item")
Part = TypeVar("Part")
# More processes than this have not been tried.
MOST = 8
# Numbers of more items than this might not fit into a pipe at once.
MOST_ITEMS = 2000


class Crew(Protocol):
    """How parts are done: results in the order of the items; `told` hears how many are done."""

    def __call__(
        self,
        do: Callable[[Item], Part],
        items: Sequence[Item],
        told: Callable[[int], None] | None = None,
    ) -> list[Part]:
        """Do every item."""
        ...


def alone(
    do: Callable[[Item], Part], items: Sequence[Item], told: Callable[[int], None] | None = None
) -> list[Part]:
    """Do the items one after the other."""
    found = []
    for k, item in enumerate(items, 1):
        found.append(do(item))
        if told is not None:
            told(k)
    return found


def together(
    do: Callable[[Item], Part], items: Sequence[Item], told: Callable[[int], None] | None = None
) -> list[Part]:
    """Do the items on all cores, each process taking the next; alone where that cannot be.

    Put long items first. Processes are forked, so that they know what this one has worked out;
    results come back pickled. What a part raises is raised here. Not where forking is unsafe or
    missing (Windows, macOS), nor beside other threads.
    """
    count = min(_cores(), MOST, len(items))
    if count < 2 or not _may_fork() or len(items) > MOST_ITEMS:
        return alone(do, items, told)
    # Numbers of the items, in a pipe that all read from: no lock that a dead process could keep.
    take, put = os.pipe()
    os.write(put, b"".join(k.to_bytes(2, "little") for k in range(len(items))))
    os.close(put)
    helpers = []
    try:
        for _ in range(1, count):
            helpers.append(_started(partial(_taken, take, do, items)))
        found = _taken(take, do, items, told)
        for ours, process in helpers:
            # One that was ended from outside, whose part broke or cannot be sent, sends nothing.
            with suppress(Exception):
                found |= ours.recv()
            process.join()
        # What is wrong with a part shows here, where it can be raised as it is.
        whole = [found[k] if k in found else do(item) for k, item in enumerate(items)]
    finally:
        os.close(take)
        for ours, process in helpers:
            ours.close()
            if process.is_alive():
                process.terminate()
    if told is not None:
        told(len(items))
    return whole


def _taken(
    take: int,
    do: Callable[[Item], Part],
    items: Sequence[Item],
    told: Callable[[int], None] | None = None,
) -> dict[int, Part]:
    """Do items by the numbers left in a pipe, one at a time, until none is left."""
    found: dict[int, Part] = {}
    while number := os.read(take, 2):
        k = int.from_bytes(number, "little")
        found[k] = do(items[k])
        if told is not None:
            told(k + 1)
    return found


def ahead(do: Callable[[], Part], crew: Crew) -> Callable[[], Part]:
    """Begin a part in a process of its own, if the crew is more than this one; call for it later.

    What comes back gives the part when it is called, once; it does it then if nobody has. What the
    part raises is raised there.
    """
    if crew is alone or _cores() < 2 or not _may_fork():
        return do
    ours, process = _started(do)

    def part() -> Part:
        try:
            found: Part = ours.recv()
        except Exception:  # ended from outside, broken, or not to be sent
            found = do()
        ours.close()
        process.join()
        return found

    return part


def _may_fork() -> bool:
    return sys.platform not in ("win32", "darwin") and threading.active_count() == 1


def _started(do: Callable[[], Any]) -> tuple[Any, Any]:
    """Start a process that does a part; where it sends it, and the process."""
    import multiprocessing

    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_help, args=(theirs, do), daemon=True)
    with warnings.catch_warnings():
        # Python warns of threads that the linear algebra library keeps; it minds forks itself.
        warnings.simplefilter("ignore", DeprecationWarning)
        process.start()
    theirs.close()
    return ours, process


def _help(pipe: Any, do: Callable[[], Any]) -> None:
    """Do a part in a process of its own and send what came of it; nothing if it fails."""
    sendable()
    with suppress(Exception):
        pipe.send(do())
    pipe.close()


def sendable() -> None:
    """Have read-only mappings sent to other processes, as the dicts below them."""
    from multiprocessing.reduction import ForkingPickler

    ForkingPickler.register(MappingProxyType, _reduced)


def _reduced(view: MappingProxyType[Any, Any]) -> tuple[Any, tuple[dict[Any, Any]]]:
    return _view, (dict(view),)


def _view(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


def _cores() -> int:
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity is not None else (os.cpu_count() or 1)


def keep_memory() -> None:
    """Keep freed memory in the process while many arrays of some 300 kB come and go.

    Handing each back and fetching it anew costs a sixth of the time. For GNU's C library only
    (`mallopt`, M_TRIM_THRESHOLD and M_MMAP_THRESHOLD). Garbage is collected seldom as well.
    """
    import ctypes

    collect_seldom()
    mallopt = getattr(ctypes.CDLL(None) if os.name == "posix" else None, "mallopt", None)
    if mallopt is not None:
        for parameter in (-1, -3):
            mallopt(parameter, 500_000_000)


def collect_seldom() -> None:
    """Look for garbage that goes round in circles less often: it takes a tenth of an answer."""
    import gc

    gc.set_threshold(100_000, 20, 100)
