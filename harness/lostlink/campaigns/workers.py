"""Worker processes on this computer."""

from __future__ import annotations

import concurrent.futures as cf
import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from lostlink.children import MOST_PROCESSES, safe_path
from lostlink.errors import LostlinkError
from lostlink.rigs import native

USUAL_WINDOW: Final = 8


class WorkersError(LostlinkError):
    """Workers could not be started, or died too often."""


@dataclass(frozen=True, slots=True)
class Workers:
    """Workers of a campaign; a call opens a fresh executor.

    Attributes
    ----------
    name : str
        Shown, such as ``2 processes``.
    count : int
        Number of jobs that run at a time.
    open_executor : callable
    alive : callable
        Whether the workers are still reachable; a pool reports its own failure.
    """

    name: str
    count: int
    open_executor: Callable[[], cf.Executor]
    alive: Callable[[], bool] = lambda: True

    @property
    def window(self) -> int:
        """Number of jobs in flight that keeps all of them busy."""
        return max(USUAL_WINDOW, 3 * self.count)

    def __call__(self) -> cf.Executor:
        return self.open_executor()


def processes(count: int) -> Workers:
    """Return worker processes on this computer.

    They are spawned, not forked: a fork copies locks that another thread may hold, and the state of this process.

    Raises
    ------
    WorkersError
        If the count is not between 1 and `MOST_PROCESSES`.
    """
    if not 1 <= count <= MOST_PROCESSES:
        raise WorkersError(f"{count} worker processes; allowed: 1 to {MOST_PROCESSES}")
    return Workers("1 process" if count == 1 else f"{count} processes", count, lambda: ProcessPool(count))


class ProcessPool(cf.ProcessPoolExecutor):
    """A pool whose workers ignore Ctrl-C from the start, and end with their parent."""

    def __init__(self, count: int) -> None:
        with safe_path():  # the resource tracker of multiprocessing starts here
            super().__init__(
                count,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=_begin_work,
                initargs=(native.known_driver(),),
            )

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> cf.Future[Any]:
        with safe_path(), interrupts_blocked():  # a worker may start here
            return super().submit(fn, *args, **kwargs)

    def stop(self) -> None:
        """Terminate the workers; Python 3.14 has `terminate_workers` for it."""
        for process in list((self._processes or {}).values()):
            process.terminate()
        # The reader of a partial result waits until every writer, this process included, has closed the pipe.
        queue: Any = self._result_queue
        if queue is not None:
            queue._writer.close()


@contextlib.contextmanager
def interrupts_blocked() -> Iterator[None]:
    """Block SIGINT; a child inherits that, so Ctrl-C cannot reach it before it ignores the signal."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # its start would unblock the signal
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin_work(driver: bytes | None) -> None:
    """Prepare a worker process."""
    native.provide(driver)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)
