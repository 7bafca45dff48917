"""Child processes: they import nothing from the current folder, and none outlives the program."""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Final

MOST_PROCESSES: Final = 61
"""The limit of a pool on some systems."""
_SAFE_PATH: Final = "PYTHONSAFEPATH"
_PR_SET_PDEATHSIG: Final = 1
_PR_SET_CHILD_SUBREAPER: Final = 36
_END_S: Final = 5.0
_DONE: Final = 77
"""Exit code of a copy of a process that has done its work."""


def usual_processes() -> int:
    """Return the number of processors available to this process."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(usable, MOST_PROCESSES)


@contextlib.contextmanager
def safe_path() -> Iterator[None]:
    """Let Python processes started in this context, by any package, import nothing from the current folder."""
    before = os.environ.get(_SAFE_PATH)
    os.environ[_SAFE_PATH] = "1"
    try:
        yield
    finally:
        if before is None:
            os.environ.pop(_SAFE_PATH, None)
        else:
            os.environ[_SAFE_PATH] = before


def start_python(arguments: Iterable[str], *, hand_over: Iterable[int] = (), **options: Any) -> subprocess.Popen[bytes]:
    """Start a Python process in a group of its own, which Ctrl-C does not reach.

    Parameters
    ----------
    arguments : iterable of str
        Command-line arguments of ``python``.
    hand_over : iterable of int
        File descriptors that it inherits.
    **options
        As for `subprocess.Popen`.
    """
    command = [sys.executable, "-P", *arguments]
    environment = os.environ | {_SAFE_PATH: "1"}
    if os.name == "posix":
        options |= {"start_new_session": True, "pass_fds": tuple(hand_over)}
    return subprocess.Popen(command, env=environment, **options)


def run_quietly(command: Sequence[str], patience_s: float) -> bool:
    """Run a program without input and output, in a group of its own; return whether it succeeded in time.

    Raises
    ------
    OSError
        If it cannot be started.
    """
    options: Any = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.DEVNULL)
    process = subprocess.Popen(command, start_new_session=os.name == "posix", **options)
    try:
        return process.wait(patience_s) == 0
    except subprocess.TimeoutExpired:
        return False
    finally:
        end(process)


def in_a_copy(work: Callable[[], None]) -> None:
    """Do work in a copy of this process that is forked for it; end as the copy does if it ends in another way.

    Parameters
    ----------
    work : callable
        What it changes, in memory or in the C library, is gone afterwards.
    """
    parent = os.getpid()
    copy = os.fork()
    if copy == 0:
        end_with(parent)
        work()
        os._exit(_DONE)
    code = os.waitstatus_to_exitcode(os.waitpid(copy, 0)[1])
    if code < 0:
        with contextlib.suppress(OSError):
            signal.signal(-code, signal.SIG_DFL)
        os.kill(parent, -code)
    if code != _DONE:
        os._exit(code)


def end(process: subprocess.Popen[bytes]) -> None:
    """Kill a process of this module with all of its group and descendants, and close its pipes."""
    started = descendants(process.pid) if process.poll() is None else set()
    with contextlib.suppress(OSError):
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)  # also after the process itself ended, for its children
    process.kill()
    for pid in started:  # those that left the group
        with contextlib.suppress(OSError):
            os.kill(pid, signal.SIGKILL)
    process.wait(_END_S)
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def private_pipes() -> tuple[BinaryIO, BinaryIO]:
    """Return standard input and output, which are pipes of the parent, and replace them: programs may use those.

    Standard output becomes standard error.
    """
    nothing = os.open(os.devnull, os.O_RDONLY)
    pipes = []
    for number, replacement, mode in ((0, nothing, "rb"), (1, 2, "wb")):
        pipes.append(os.fdopen(os.dup(number), mode))
        os.dup2(replacement, number)
    os.close(nothing)
    read, write = pipes
    return read, write  # type: ignore[return-value]


def descendants(pid: int) -> set[int]:
    """Return the processes that a process has started, and those that they have; none where the system has no list."""
    found = set()
    with contextlib.suppress(OSError):
        for task in os.listdir(f"/proc/{pid}/task"):
            for child in Path(f"/proc/{pid}/task/{task}/children").read_text("ascii").split():
                found |= {int(child)} | descendants(int(child))
    return found


def adopt_orphans() -> None:
    """Become the parent of descendants whose parent ends, so that `end` finds them."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1)


def end_with(parent: int) -> None:
    """Let this process end when its parent ends in any way.

    Parameters
    ----------
    parent : int
        Process id of the parent.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL))
        if os.getppid() != parent:
            os._exit(1)
    elif os.name == "posix":
        threading.Thread(target=_watch_parent, args=(parent,), daemon=True).start()


def _watch_parent(parent: int) -> None:
    pause = threading.Event()
    while os.getppid() == parent:
        pause.wait(0.5)
    os._exit(1)
