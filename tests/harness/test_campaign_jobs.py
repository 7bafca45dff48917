"""Jobs on executors: one result whoever does the work, whatever becomes of the workers."""

from __future__ import annotations

import concurrent.futures as cf
import contextlib
import itertools
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lostlink.campaigns import cluster, jobs
from lostlink.campaigns.jobs import run_jobs
from lostlink.campaigns.workers import ProcessPool, Workers, WorkersError, processes
from lostlink.children import usual_processes

# What workers do. It stands in a file of its own for them: this one is no module that they could import.
WORK = '''
import os, signal, struct, sys, time
from pathlib import Path

def square(number):
    return number, number * number

def clock(_):
    return time.monotonic_ns()

def pid(number):
    return os.getpid()

def ill(number):
    if number == 3:
        raise KeyError("three")
    return number

def dies_once(job):
    """Job 3 takes its worker with it, the first time."""
    folder, number = job
    mark = Path(folder) / "died"
    if number == 3 and not mark.exists():
        mark.write_text("")
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number

def dies_always(number):
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.01)
    return number

def fifth_dies(number):
    if number == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.2 if number < 5 else 0)
    return number

def interrupted(number):
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(0.01)
    return number

def half(folder):
    """Write the beginning of a result, and no end."""
    queue = sys._getframe(1).f_locals["result_queue"]
    os.write(queue._writer.fileno(), struct.pack("!i", 1000) + bytes(10))
    (Path(folder) / "half").write_text("")
    time.sleep(60)

def slow(job):
    folder, number = job
    (Path(folder) / str(os.getpid())).write_text("")
    time.sleep(0.2 if number < 2 else 60)
    return number
'''


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("work")
    (folder / "campaign_work.py").write_text(WORK, encoding="utf-8")
    patch = pytest.MonkeyPatch()
    patch.syspath_prepend(folder)
    patch.setenv("PYTHONPATH", str(folder), prepend=os.pathsep)
    import importlib

    yield importlib.import_module("campaign_work")
    sys.modules.pop("campaign_work")
    patch.undo()


@pytest.fixture(scope="module")
def local(work: Any) -> Iterator[Workers]:
    pytest.importorskip("distributed")
    with cluster.cluster("local:2") as workers:
        yield workers


def alive(pid: int) -> bool:
    """A process that ended but was not yet waited for counts as gone."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    return False


def gone(pids: list[int], within_s: float = 10) -> bool:
    end = time.monotonic() + within_s
    while any(map(alive, pids)):
        if time.monotonic() > end:
            return False
        time.sleep(0.02)  # noqa: TID251
    return True


EXPECTED = [(number, (number, number * number)) for number in range(40)]


# --- the same result, whoever does the work ---------------------------------------------------------------------------


@pytest.mark.parametrize("window", [1, 2, 7, 100])
def test_results_come_in_the_order_of_the_jobs(work: Any, window: int) -> None:
    assert list(run_jobs(work.square, range(40), None, window=window)) == EXPECTED
    assert list(run_jobs(work.square, range(40), lambda: cf.ThreadPoolExecutor(3), window=window)) == EXPECTED


def test_a_worker_stopped_in_the_middle_of_a_result_is_not_waited_for(work: Any, tmp_path: Path) -> None:
    pool = ProcessPool(1)
    pool.submit(work.half, str(tmp_path))
    until_s = time.monotonic() + 20
    while not (tmp_path / "half").exists():
        assert time.monotonic() < until_s
        time.sleep(0.02)  # noqa: TID251
    time.sleep(0.2)  # noqa: TID251  the pool reads the beginning, and waits for the rest
    pool.stop()
    ended = threading.Thread(target=pool.shutdown, daemon=True)
    ended.start()
    ended.join(10)
    assert not ended.is_alive()


def test_processes_give_the_same(work: Any) -> None:
    assert list(run_jobs(work.square, range(40), processes(2))) == EXPECTED


def test_a_cluster_gives_the_same(work: Any, local: Workers) -> None:
    assert local.count == 2
    assert list(run_jobs(work.square, range(40), local)) == EXPECTED


def test_a_cluster_does_each_job_afresh(work: Any, local: Workers) -> None:
    """Trap: a cluster takes equal calls for one (pure=True) and answers from memory."""
    begun = [instant_ns for _, instant_ns in run_jobs(work.clock, [0] * 6, local)]
    assert len(set(begun)) == 6


def test_jobs_are_taken_as_they_are_needed(work: Any) -> None:
    """An endless list of jobs: never more than the window ahead of what was read."""
    taken = []

    def endless() -> Iterator[int]:
        for number in itertools.count():
            taken.append(number)
            yield number

    with contextlib.closing(run_jobs(work.square, endless(), lambda: cf.ThreadPoolExecutor(2), window=5)) as results:
        for read, (job, _) in enumerate(results, 1):
            assert job == read - 1
            assert len(taken) <= read + 5
            if read == 20:
                break
    assert len(taken) == 25


def test_a_job_that_raises_does_so_in_its_turn(work: Any) -> None:
    """Whoever does the work: what came before is there, the error is the job's own."""
    for workers in (None, lambda: cf.ThreadPoolExecutor(2), processes(2)):
        results = run_jobs(work.ill, range(9), workers)
        assert [next(results), next(results), next(results)] == [(0, 0), (1, 1), (2, 2)]
        with pytest.raises(KeyError, match="three"):
            next(results)
        assert list(results) == []


# --- workers that die ------------------------------------------------------------------------------------------------


def test_a_job_whose_worker_was_killed_is_done_again(work: Any, tmp_path: Path) -> None:
    """SIGKILL from within, in the middle; nothing is missing, nothing comes twice."""
    todo = [(str(tmp_path), number) for number in range(20)]
    assert list(run_jobs(work.dies_once, todo, processes(2))) == [(job, job[1] ** 2) for job in todo]
    assert (tmp_path / "died").exists()


def test_a_cluster_does_again_what_a_killed_worker_had(work: Any, local: Workers, tmp_path: Path) -> None:
    todo = [(str(tmp_path), number) for number in range(20)]
    assert list(run_jobs(work.dies_once, todo, local)) == [(job, job[1] ** 2) for job in todo]
    assert (tmp_path / "died").exists()


def test_a_worker_killed_from_outside(work: Any) -> None:
    """One that did nothing wrong is killed between two results; its pool is replaced."""
    opened = []
    workers = processes(2)

    def fresh() -> cf.Executor:
        opened.append(workers())
        return opened[-1]

    results = run_jobs(work.pid, range(30), fresh, window=4)
    _, victim = next(results)
    os.kill(victim, signal.SIGKILL)
    rest = list(results)
    assert [job for job, _ in rest] == list(range(1, 30))
    assert len(opened) == 2
    assert gone([victim, *(pid for _, pid in rest)])


@pytest.mark.parametrize("window", [pytest.param(1, marks=pytest.mark.long), 8])
def test_a_job_that_always_kills_is_named(work: Any, window: int) -> None:
    """Its neighbours in flight are not to blame, and what came before it is handed over.

    ``--long``: also without neighbours.
    """
    done: list[int] = []
    results = run_jobs(work.dies_always, range(9), processes(2), window=window, attempts=2)
    with pytest.raises(WorkersError, match=r"job 3 \(3\) killed 2 workers; check the free memory"):
        done.extend(job for job, _ in results)
    assert done == [0, 1, 2]


def test_neighbours_in_flight_are_not_blamed(work: Any) -> None:
    """Job 5 takes the pool with it while others before it are still at work; one death is enough for it."""
    with pytest.raises(WorkersError, match=r"job 5 \(5\) killed 1 worker; check the free memory"):
        list(run_jobs(work.fifth_dies, range(9), processes(2), attempts=1))


def test_a_cluster_that_blames_a_job(work: Any, tmp_path: Path, long: bool) -> None:
    """It gives up on a job after some deaths; we do not, until it was tried as often as was said.

    The job that always kills is tried once; ``--long``: twice.
    """
    said = "killed 2 workers" if long else "killed 1 worker"
    dask = pytest.importorskip("dask")
    pytest.importorskip("distributed")
    todo = [(str(tmp_path), number) for number in range(8)]
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}), cluster.cluster("local:1") as workers:
        assert list(run_jobs(work.dies_once, todo, workers)) == [(job, job[1] ** 2) for job in todo]
        with pytest.raises(WorkersError, match=rf"job 3 \(3\) {said}; check the free memory"):
            list(run_jobs(work.dies_always, range(4), workers, window=1, attempts=2 if long else 1))


class Breaking(cf.Executor):
    """Works at once, and is found broken at the submissions that are named; for breaks that a pool has at random."""

    def __init__(self, breaks: set[int]) -> None:
        self.breaks, self.submitted, self.closed = breaks, 0, 0

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> cf.Future[Any]:
        self.submitted += 1
        if self.submitted in self.breaks:
            raise cf.BrokenExecutor("found broken")
        future: cf.Future[Any] = cf.Future()
        future.set_result(fn(*args, **kwargs))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self.closed += 1


def test_an_executor_found_broken_at_a_submission(work: Any) -> None:
    opened: list[Breaking] = []

    def fresh() -> cf.Executor:
        opened.append(Breaking({3} if len(opened) < 2 else set()))
        return opened[-1]

    assert list(run_jobs(work.square, range(40), fresh)) == EXPECTED
    assert [executor.closed for executor in opened] == [1, 1, 1]


def test_an_executor_that_is_always_found_broken(work: Any) -> None:
    """One error, not a loop without end."""
    with pytest.raises(WorkersError, match=r"job 0 \(0\) killed 3 workers; check the free memory"):
        list(run_jobs(work.square, range(40), lambda: Breaking({1})))


# --- an end before the end -------------------------------------------------------------------------------------------


def test_nothing_runs_on_when_results_are_closed(work: Any, tmp_path: Path) -> None:
    """Jobs of a minute in flight; closing does not wait for them."""
    todo = [(str(tmp_path), number) for number in range(9)]
    results = run_jobs(work.slow, todo, processes(2))
    assert next(results) == (todo[0], 0)
    pids = [int(file.name) for file in tmp_path.iterdir()]
    assert pids
    results.close()
    assert gone(pids)


def test_workers_are_deaf_to_interrupts(work: Any) -> None:
    assert list(run_jobs(work.interrupted, range(6), processes(2))) == [(n, n) for n in range(6)]


def test_a_local_cluster_is_deaf_to_interrupts(work: Any, local: Workers) -> None:
    assert list(run_jobs(work.interrupted, range(6), local)) == [(n, n) for n in range(6)]


SCRIPT = """
import sys
from contextlib import closing, nullcontext
from lostlink.campaigns import jobs
from lostlink.campaigns import cluster
from lostlink.campaigns.workers import processes
import campaign_work as work

if __name__ == "__main__":
    todo = [(sys.argv[1], number) for number in range(9)]
    engage = nullcontext(processes(2)) if sys.argv[2] == "processes" else cluster.cluster(sys.argv[2])
    try:
        with engage as workers, closing(jobs.run_jobs(work.slow, todo, workers)) as results:
            for (_, number), _ in results:
                print(number, flush=True)
    except KeyboardInterrupt:
        print("interrupted", flush=True)
"""


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="no process groups")
@pytest.mark.parametrize("blow", ["SIGINT", "SIGKILL"])
@pytest.mark.parametrize("who", ["processes", "local:1"])
def test_no_orphans(work: Any, tmp_path: Path, who: str, blow: str) -> None:
    """Ctrl-C reaches parent and workers at once, as from a terminal; SIGKILL only the parent, who can do nothing."""
    (tmp_path / "script.py").write_text(SCRIPT, encoding="utf-8")
    marks = tmp_path / "marks"
    marks.mkdir()
    if who != "processes":
        pytest.importorskip("distributed")
    # The jobs in flight take a minute: neither end waits for them.
    command = [sys.executable, str(tmp_path / "script.py"), str(marks), who]
    parent = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    assert parent.stdout is not None
    assert parent.stdout.readline() == "0\n"
    assert parent.stdout.readline() == "1\n"
    pids = [int(file.name) for file in marks.iterdir()]
    assert pids
    if blow == "SIGINT":
        os.killpg(parent.pid, signal.SIGINT)
    else:
        parent.kill()
    out, err = parent.communicate(timeout=20)
    if blow == "SIGINT":
        assert (out, err) == ("interrupted\n", ""), "no traceback, of parent or workers"
    assert gone(pids)


# --- what a user may get wrong ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, -1, 62])
def test_an_odd_number_of_processes(count: int) -> None:
    with pytest.raises(WorkersError, match=f"{count} worker processes; allowed: 1 to 61"):
        processes(count)


def test_windows_and_attempts_of_none() -> None:
    for wrong in ({"window": 0}, {"attempts": 0}):
        with pytest.raises(ValueError, match="allowed"):
            run_jobs(int, [1], None, **wrong)


def test_what_suits_the_workers() -> None:
    assert processes(1).window == 8
    assert processes(20).window == 60
    assert str(processes(1).name) == "1 process"
    assert 1 <= usual_processes() <= 61


@pytest.mark.parametrize(
    "address", ["", "nonsense", "ucx://here:1", "local:", "local:0", "local:x", "local:²", "local:62"]
)
def test_no_address(address: str) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(WorkersError, match=r"--cluster: .*; allowed: "), cluster.cluster(address):
        pass


def test_nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody listens there; somebody does, but is no scheduler."""
    pytest.importorskip("distributed")
    monkeypatch.setattr(cluster, "_CONNECT_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        port = mute.getsockname()[1]
        with pytest.raises(WorkersError, match="no scheduler answers"), cluster.cluster(f"tcp://127.0.0.1:{port}"):
            pass
    with pytest.raises(WorkersError, match="no scheduler answers"), cluster.cluster(f"127.0.0.1:{port}"):
        pass


def test_without_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(WorkersError, match=r"not installed; install it with pip install 'lostlink\[cluster\]'"),
        cluster.cluster("a:1"),
    ):
        pass


def test_a_scheduler_elsewhere(work: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its address: first without workers, then with one, then with one of another version."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=0,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        memory_limit=0,
    ) as place:
        address = place.scheduler_address
        with pytest.raises(WorkersError, match="has no workers"), cluster.cluster(address):
            pass
        place.scale(1)
        place.wait_for_workers(1, timeout=20)
        with cluster.cluster(address) as workers:
            assert workers.count == 1
            assert list(run_jobs(work.square, range(40), workers)) == EXPECTED
        monkeypatch.setattr("lostlink.__version__", "0.0.1")
        with (
            pytest.raises(WorkersError, match=r"has lostlink \S+; install 0\.0\.1, as here"),
            cluster.cluster(address),
        ):
            pass


@pytest.mark.parametrize("window", [1, 8])
def test_a_scheduler_that_goes_away(work: Any, window: int) -> None:
    """One error, not a wait without end: jobs in flight are cancelled, one handed out later is never heard of.

    The worker is a thread here: it is the scheduler that is lost.
    """
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            processes=False,
            protocol="tcp://",
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,
        ) as place,
        cluster.cluster(place.scheduler_address) as workers,
    ):
        results = run_jobs(work.square, itertools.count(), workers, window=window)
        next(results)
        place.close()
        with pytest.raises(WorkersError, match="connection to the cluster lost"):
            list(results)


def test_a_result_lost_on_its_way_is_a_death_and_no_error_of_the_job() -> None:
    """Dask's executor unpacks a result as an exception when the worker died in between; a job's own error stays one."""
    pytest.importorskip("distributed")

    def raised(file: str, result: str) -> BaseException:
        try:
            exec(compile(f"typ, exc, tb = {result}", file, "exec"))
        except (TypeError, ValueError) as error:
            return error
        raise AssertionError

    for result in ("5", "(5, 6)"):
        assert jobs._died(raised("/somewhere/distributed/cfexecutor.py", result))
        assert not jobs._died(raised("/somewhere/work.py", result))
    assert not jobs._died(KeyError("three"))
