"""Work that takes longer than a page should, done one task after another.

A thread waits for it while the helper's process does it; without a helper the thread does it.

Readings that change make what was begun for them useless: a mounting has one task at a time, and a
new one for it stops the old.
"""

from __future__ import annotations

import logging
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import suppress
from threading import Lock
from typing import Any

from msgspec import Struct

from fitsolver.page.helper import Helper, Job, Stopped

MOST_KEPT = 24
Mark = tuple[str, str]
"""What an answer rests on: content of the mounting's file, and material."""
_LOG = logging.getLogger(__name__)


class Task(Struct, kw_only=True, eq=False):
    """One answer in the making; `answer` when it is done, `failed` if there will be none.

    A task that was stopped for a newer one begins anew when it is asked for; one that `broke` by a
    fault of ours would only break again.
    """

    mark: Mark
    done: int = 0
    total: int = 0
    answer: Any = None
    failed: bool = False
    broke: bool = False
    cancelled: bool = False
    future: Future[None] | None = None

    def wait(self, seconds: float) -> None:
        """Wait for the answer, but not longer than that."""
        if self.future is not None:
            with suppress(CancelledError, TimeoutError):
                self.future.result(seconds)

    @property
    def ready(self) -> bool:
        """Whether there is nothing more to wait for."""
        return self.answer is not None or self.failed


class Work:
    """Tasks by mounting and by what they rest on."""

    def __init__(self, helper: Helper | None = None) -> None:
        """Start without tasks."""
        self._helper = helper
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="proposals")
        self._lock = Lock()
        self._tasks: dict[Mark, Task] = {}
        self._current: dict[str, Task] = {}

    def task(self, slug: str, mark: Mark, job: Job, *given: Any) -> Task:
        """Return the task for a mounting as it is now; begin it if it is new.

        `job` is called with what is `given` and `progress`.
        """
        with self._lock:
            task = self._tasks.get(mark)
            if task is not None and (task.broke or not task.failed):
                return task
            older = self._current.get(slug)
            if older is not None and not older.ready:
                older.cancelled = True
            task = Task(mark=mark)
            self._tasks[mark] = self._current[slug] = task
            for old in [key for key, each in self._tasks.items() if each.ready][:-MOST_KEPT]:
                del self._tasks[old]
            task.future = self._pool.submit(self._run, task, job, given)
            return task

    def close(self) -> None:
        """Stop all tasks and wait for the one that runs."""
        with self._lock:
            for task in self._tasks.values():
                task.cancelled = True
        if self._helper is not None:
            self._helper.close()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _run(self, task: Task, job: Job, given: tuple[Any, ...]) -> None:
        def progress(done: int, total: int) -> None:
            if task.cancelled:
                raise Stopped
            task.done, task.total = done, total

        try:
            if task.cancelled:
                raise Stopped
            if self._helper is None:
                task.answer = job(*given, progress=progress)
            else:
                task.answer = self._helper.do(
                    job, given, progress=progress, unwanted=lambda: task.cancelled
                )
        except Stopped:
            task.failed = True
        except Exception:
            _LOG.exception("an answer could not be worked out")
            task.broke = task.failed = True
