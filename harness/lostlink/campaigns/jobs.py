"""Runs numbered jobs on an executor and yields their results in order, also when workers die.

- Jobs are submitted as they are needed, a window of them in flight; `Executor.map` would submit them all.
- Results come in the order of the jobs, so conclusions do not depend on the speed of the workers.
- A job gives the same result wherever and however often it is run, so it may be repeated. When a worker dies (out of
  memory, killed, disconnected), a process pool breaks and does not report which job was running. Every job in flight
  is then repeated in a fresh pool, one at a time, which shows the job that breaks it.
- Only the reader of the results handles Ctrl-C. Workers ignore it. They are stopped when the results are closed, and
  end when their parent dies.
"""

from __future__ import annotations

import concurrent.futures as cf
import sys
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from lostlink.campaigns.workers import USUAL_WINDOW, ProcessPool, Workers, WorkersError
from lostlink.verdicts import counted

Job = TypeVar("Job")
Result = TypeVar("Result")

_LOOK_S: Final = 0.5  # on some systems Ctrl-C does not interrupt a longer wait


def run_jobs(
    function: Callable[[Job], Result],
    jobs: Iterable[Job],
    workers: Callable[[], cf.Executor] | None = None,
    *,
    window: int | None = None,
    attempts: int = 3,
) -> Generator[tuple[Job, Result], None, None]:
    """Yield each job and its result, in the order of the jobs.

    Close the iterator (`contextlib.closing`) or read it to its end; then nothing is left running. `jobs` may be
    endless: jobs are taken as they are needed.

    Parameters
    ----------
    function : callable
        Called with a job. Other processes import it, so it must be at the top level of a module.
    jobs : iterable
    workers : Workers or callable, optional
        Opens a fresh executor, such as `processes(2)`; called again when a worker died. The executor is closed at the
        end. [default: one job after the other in this process]
    window : int, optional
        Maximum number of jobs in flight. [default: suited to the workers]
    attempts : int
        Number of worker deaths after which a job is given up.

    Raises
    ------
    WorkersError
        If a job is given up, or the connection to the workers is lost.
    Exception
        Whatever `function` raised, when it is that job's turn.
    """
    if window is None:
        window = workers.window if isinstance(workers, Workers) else USUAL_WINDOW
    if window < 1 or attempts < 1:
        raise ValueError(f"window {window}, attempts {attempts}; allowed: 1 or more")
    if workers is None:
        return ((job, function(job)) for job in jobs)
    return _Run(function, iter(jobs), workers, window, attempts).results()


@dataclass(slots=True)
class _Pending(Generic[Job, Result]):
    """A job that was submitted, or must be submitted again."""

    number: int
    job: Job
    future: cf.Future[Result] | None = None
    deaths: int = 0

    def has_result(self) -> bool:
        future = self.future
        return future is not None and future.done() and not future.cancelled() and not _died(future.exception())


class _Run(Generic[Job, Result]):
    """Jobs in flight, in order; those without a future are suspects and run alone, one after the other."""

    def __init__(
        self,
        function: Callable[[Job], Result],
        jobs: Iterator[Job],
        workers: Callable[[], cf.Executor],
        window: int,
        attempts: int,
    ) -> None:
        self._function, self._jobs, self._window, self._attempts = function, jobs, window, attempts
        self._open = workers
        self._executor: cf.Executor | None = None
        self._alive = workers.alive if isinstance(workers, Workers) else lambda: True
        self._pending: deque[_Pending[Job, Result]] = deque()
        self._taken = 0

    def results(self) -> Generator[tuple[Job, Result], None, None]:
        try:
            while self._fill_window():
                self._await_first()
                if not self._pending[0].has_result():
                    continue
                pending = self._pending.popleft()
                assert pending.future is not None
                result = pending.future.result()  # or what the job raised
                self._fill_window()  # keep the workers busy while the caller handles the result
                yield pending.job, result
        finally:
            self._stop()

    def _fill_window(self) -> bool:
        """Fill the window; return whether a job is in flight."""
        if any(pending.future is None for pending in self._pending):
            first = self._pending[0]
            if first.future is None:
                self._submit(first)
            return True
        while len(self._pending) < self._window:
            try:
                job = next(self._jobs)
            except StopIteration:
                break
            self._pending.append(_Pending(self._taken, job))
            self._taken += 1
            if not self._submit(self._pending[-1]):
                break
        return bool(self._pending)

    def _submit(self, pending: _Pending[Job, Result]) -> bool:
        if self._executor is None:
            self._executor = self._open()
        try:
            pending.future = self._executor.submit(self._function, pending.job)
        except cf.BrokenExecutor as error:  # it broke since the last check
            self._replace_executor(error, refused=pending)
            return False
        return True

    def _await_first(self) -> None:
        """Wait for the end of the first job; after a death, prepare to repeat the lost jobs."""
        first = self._pending[0]
        if first.future is None:
            return
        while not cf.wait([first.future], timeout=_LOOK_S).done:
            if not self._alive():
                break
        if not first.future.done() or first.future.cancelled():
            raise WorkersError("workers: connection to the cluster lost; restart it and continue with --resume")
        error = first.future.exception()
        if isinstance(error, cf.BrokenExecutor):
            self._replace_executor(error)
        elif _died(error):  # a cluster attributes the death to a job and continues
            self._count_death(first, error)
            first.future = None

    def _replace_executor(self, error: BaseException | None, refused: _Pending[Job, Result] | None = None) -> None:
        """Replace a broken executor; all jobs in flight are suspects.

        A job refused at submission is blamed only if no other can be, which bounds the number of retries.
        """
        lost = [pending for pending in self._pending if pending.future is not None and not pending.has_result()]
        for pending in lost:
            pending.future = None
            if len(lost) == 1:
                self._count_death(pending, error)
        if refused is not None and not lost:
            self._count_death(refused, error)
        broken, self._executor = self._executor, None
        if broken is not None:
            broken.shutdown(wait=True)

    def _count_death(self, pending: _Pending[Job, Result], error: BaseException | None) -> None:
        pending.deaths += 1
        if pending.deaths >= self._attempts:
            raise WorkersError(
                f"workers: job {pending.number} ({str(pending.job)[:60]}) killed {counted(pending.deaths, 'worker')}; "
                "check the free memory"
            ) from error

    def _stop(self) -> None:
        """Stop everything that was started."""
        unfinished = [pending.future for pending in self._pending if pending.future and not pending.future.done()]
        self._pending.clear()
        executor, self._executor = self._executor, None
        if unfinished and isinstance(executor, ProcessPool):
            executor.stop()  # without cancelling: a pool fails on cancelled jobs when its workers have ended
        else:
            for future in unfinished:
                future.cancel()
        if executor is not None:
            executor.shutdown(wait=True)


def _died(error: BaseException | None) -> bool:
    """Return whether a job ended with the death of its worker."""
    if isinstance(error, cf.BrokenExecutor):
        return True
    distributed = sys.modules.get("distributed")
    return distributed is not None and (isinstance(error, distributed.KilledWorker) or _lost_in_transfer(error))


def _lost_in_transfer(error: BaseException | None) -> bool:
    """Return whether a worker died between its result and the transfer.

    Dask's executor then unpacks the result as an exception, because it checks the future's state after the result.
    """
    trace = error.__traceback__ if isinstance(error, (TypeError, ValueError)) else None
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return trace is not None and trace.tb_frame.f_code.co_filename.endswith("cfexecutor.py")
