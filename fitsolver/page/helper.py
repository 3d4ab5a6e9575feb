"""A process beside the server that works long answers out, on all cores, and is kept warm.

It is started anew, not forked (a server has threads), has no threads itself and so may have parts
done by a crew. It does one job at a time, tells how far it is, stops when it is told to, and ends
when the server does, however that ends.
"""

from __future__ import annotations

import atexit
import signal
import traceback
from collections.abc import Callable
from contextlib import suppress
from threading import Lock
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

Progress = Callable[[int, int], None]
Job = Callable[..., Any]
"""A function of a module, called with picklable arguments and `progress`."""

# How often it is looked whether a job is still wanted, and how long one may take to stop [s].
TICK_S, PATIENCE_S = 0.05, 1.0
GOES = 2
"""How often a job is begun whose process was ended from outside."""


class Stopped(Exception):
    """The job is not wanted any more."""


class JobFailed(Exception):
    """The job broke, by a fault of ours; the text is its traceback."""


class Helper:
    """The process, started when it is first needed or before, and again if it should die.

    `prepare`, a function of a module, is called in it before the first job: to load what all need.
    """

    def __init__(self, prepare: Callable[[], None]) -> None:
        """Start nothing yet."""
        self._prepare = prepare
        self._process: SpawnProcess | None = None
        self._pipe: Connection[Any, Any] | None = None
        self._starting = Lock()
        self._at_work = Lock()
        self._closed = False

    @property
    def pid(self) -> int | None:
        """Number of the process, None while there is none."""
        with self._starting:
            process = self._process
            return process.pid if process is not None and process.is_alive() else None

    def start(self) -> None:
        """See to it that the process runs or is starting; does not wait for it."""
        with self._starting:
            if self._closed:
                raise Stopped
            if self._process is not None and self._process.is_alive():
                return
            from multiprocessing import get_context

            from fitsolver.crew import sendable

            self._drop()
            sendable()
            context = get_context("spawn")
            ours, theirs = context.Pipe()
            # Not a daemon: daemons may have no crew. It ends when its pipe does.
            process = context.Process(target=_serve, args=(theirs, self._prepare), name="helper")
            process.start()
            theirs.close()
            self._process, self._pipe = process, ours
            # Before multiprocessing's own, which would wait for the process.
            atexit.unregister(self.close)
            atexit.register(self.close)

    def do(
        self,
        job: Job,
        given: tuple[Any, ...] = (),
        *,
        progress: Progress | None = None,
        unwanted: Callable[[], bool] = lambda: False,
    ) -> Any:
        """Have a job done and return its answer.

        Parameters
        ----------
        job : callable
            A function of a module, called with `given` and `progress`; both go over pickled.
        given : tuple
            Its arguments.
        progress : callable, optional
            Told how much is done, of how much.
        unwanted : callable
            Asked now and then whether to stop.

        Raises
        ------
        Stopped
            If it is unwanted, or the helper was closed.
        JobFailed
            If it broke, or its process was ended again and again.

        """
        with self._at_work:
            for _ in range(GOES):
                self.start()
                try:
                    return self._done(job, given, progress, unwanted)
                except (EOFError, OSError):
                    with self._starting:
                        self._end()
            raise JobFailed("the process that worked on it was ended")

    def close(self) -> None:
        """End the process, whatever it does; nothing can be done by it any more."""
        with self._starting:
            self._closed = True
            atexit.unregister(self.close)
            self._end()

    def _done(
        self, job: Job, given: tuple[Any, ...], progress: Progress | None,
        unwanted: Callable[[], bool],
    ) -> Any:  # fmt: skip
        process, pipe = self._process, self._pipe
        if process is None or pipe is None:
            raise EOFError
        pipe.send((job, given))
        while True:
            news = pipe.poll(TICK_S)
            if self._closed:
                raise Stopped
            if unwanted():
                self._stop()
                raise Stopped
            if news:
                kind, told = pipe.recv()
                if kind == "answer":
                    return told
                if kind == "broke":
                    raise JobFailed(told)
                if kind == "progress" and progress is not None:
                    progress(*told)
            elif not process.is_alive():  # its crew may hold the pipe a while longer
                raise EOFError

    def _stop(self) -> None:
        """Have the job dropped; a process that does not drop it soon is ended, and a new one begun.

        Asked for over the pipe, so that what has been loaded is kept.
        """
        pipe = self._pipe
        with suppress(EOFError, OSError):
            if pipe is not None:
                pipe.send(None)
                while pipe.poll(PATIENCE_S):
                    if pipe.recv()[0] != "progress":
                        return
        with self._starting:
            self._end()
        with suppress(Stopped):
            self.start()

    def _end(self) -> None:
        process = self._process
        if process is not None and process.is_alive():
            process.terminate()  # asks it to end its crew too, where that can be asked
            process.join(PATIENCE_S)
            if process.is_alive():
                process.kill()
                process.join()
        self._drop()

    def _drop(self) -> None:
        if self._pipe is not None:
            self._pipe.close()
        if self._process is not None:
            self._process.join()
            self._process.close()
        self._process = self._pipe = None


def _serve(pipe: Connection[Any, Any], prepare: Callable[[], None]) -> None:
    """Do job after job until the pipe ends: what the process does all its life."""
    from fitsolver.crew import sendable

    # Ctrl-C is for the server, which ends this process; asked to end, it ends its crew first.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    sendable()
    with suppress(EOFError, OSError):
        prepare()
        while True:
            order = pipe.recv()
            if order is None:
                continue  # a stop that came when all was done
            answer = _attempt(pipe, *order)
            try:
                pipe.send(answer)
            except (EOFError, OSError):
                raise
            except Exception:  # it cannot be pickled
                pipe.send(("broke", traceback.format_exc()))


def _attempt(pipe: Connection[Any, Any], job: Job, given: tuple[Any, ...]) -> tuple[str, Any]:
    def told(done: int, total: int) -> None:
        if pipe.poll():
            pipe.recv()  # ends with the pipe; else it is the order to stop
            raise Stopped
        pipe.send(("progress", (done, total)))

    try:
        return "answer", job(*given, progress=told)
    except Stopped:
        return "stopped", None
    except (EOFError, BrokenPipeError):
        raise
    except Exception:
        return "broke", traceback.format_exc()


def _leave(number: int, frame: object) -> NoReturn:
    raise SystemExit(128 + number)
