"""The process that runs a user's receiver, so that a crash or a hang of its program is a finding.

It reads pickles from one pipe of its parent and writes pickles to another. A `ReceiverFile` loads a receiver; the
answer to each `ScenarioRun` is a trace. The whole scenario is simulated here, because a message per event would take
longer than the simulation. Output of the program goes to standard error.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import pickle
import signal
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

from lostlink.children import adopt_orphans, end_with
from lostlink.errors import LostlinkError
from lostlink.rigs import firmware
from lostlink.rigs.main_loop import BusyError, limited
from lostlink.rigs.receivers import load_receiver, watched
from lostlink_sims import Profile, Scenario, simulate
from lostlink_sims.receiver import ReceiverFactory
from lostlink_sims.trace import Note, NoteKind, Trace

SHARED_WORDS: Final = 2
"""The number of calls so far, and the step of the current one (-1: none)."""


@dataclass(frozen=True)
class ReceiverFile:
    """The receiver to load.

    Attributes
    ----------
    receiver : str
        As in ``--receiver``.
    profile : Profile
    scratch : str
        Folder for copies of a library, where the system needs files for them.
    """

    receiver: str
    profile: Profile
    scratch: str


@dataclass(frozen=True)
class ScenarioRun:
    """A scenario to run.

    Attributes
    ----------
    scenario : Scenario
    limits_loop : bool
        Whether to limit a spinning main loop (`lostlink.rigs.main_loop.limited`).
    stop_at : int
        Number of the call that is known not to return (0: none).
    why : str
        Reason for that.
    """

    scenario: Scenario
    limits_loop: bool = False
    stop_at: int = 0
    why: str = ""


def words(handle: str) -> Any:
    """Map the memory that parent and child share, by an inherited file descriptor or, on some systems, a name."""
    size = SHARED_WORDS * 8
    if sys.platform == "win32":
        return memoryview(mmap.mmap(-1, size, handle)).cast("q")
    return memoryview(mmap.mmap(int(handle), size)).cast("q")


class _Surroundings:
    """The current folder, the standard streams and the processes, which the program of a board cannot change."""

    def __init__(self) -> None:
        self._folder = os.getcwd()

    def changed(self) -> str:
        """Return what was changed; empty if nothing was."""
        try:
            folder = os.getcwd()
        except OSError:
            folder = ""
        if folder != self._folder:
            with contextlib.suppress(OSError):
                os.chdir(self._folder)
            return "the program changed the current folder"
        try:
            for number in range(3):
                os.fstat(number)
            is_closed = any(stream.closed for stream in (sys.stdin, sys.stdout, sys.stderr))
        except (OSError, AttributeError):
            is_closed = True
        if is_closed:
            return "the program closed a standard stream"
        if os.name == "posix":
            with contextlib.suppress(ChildProcessError):
                os.waitpid(-1, os.WNOHANG)
                return "the program started another process"
        return ""


class _Server:
    def __init__(self, read: BinaryIO, write: BinaryIO, calls: Any) -> None:
        self._read, self._write, self._calls = read, write, calls
        self._pid = os.getpid()
        self._surroundings = _Surroundings()
        self._file: ReceiverFile | None = None
        self._image: firmware.Image | None = None
        self._factory: ReceiverFactory | None = None

    def serve(self) -> None:
        while True:
            try:
                request = pickle.load(self._read)
            except EOFError:
                return
            self._calls[0], self._calls[1] = 0, -1
            if isinstance(request, ReceiverFile):
                self._answer(self._load(request))
            else:
                self._answer(self._run(request))

    def _load(self, file: ReceiverFile) -> LostlinkError | None:
        self._file = file
        watch = firmware.Watch(self._calls)
        try:
            if firmware.is_library(file.receiver):
                self._image = firmware.Image(Path(file.receiver), file.scratch, watch)
            else:
                watch.begin(firmware.LOADING)
                self._factory = load_receiver(file.receiver)
        except LostlinkError as error:
            return error
        finally:
            watch.end()
        changed = self._surroundings.changed()
        return firmware.refused(file.receiver, f"cannot be loaded: {changed}") if changed else None

    def _run(self, run: ScenarioRun) -> Trace | BusyError:
        assert self._file is not None
        watch = firmware.Watch(self._calls, run.stop_at, run.why)
        factory: ReceiverFactory
        if self._image is not None:
            factory = firmware.factory(self._image, watch)
        else:
            assert self._factory is not None
            factory = watched(self._factory, watch)
        try:
            trace = simulate(self._file.profile, run.scenario, limited(factory) if run.limits_loop else factory)
        except BusyError as error:
            return error
        changed = self._surroundings.changed()
        if changed and trace.crash is None:
            trace.crash = changed
            trace.notes.append(Note(run.scenario.duration_us, NoteKind.CRASH, changed))
        return trace

    def _answer(self, answer: Any) -> None:
        if os.getpid() != self._pid:
            os._exit(1)  # forked by the program
        if isinstance(answer, Trace):
            answer.profile = answer.scenario = None  # type: ignore[assignment]  # the parent has them
        pickle.dump(answer, self._write, pickle.HIGHEST_PROTOCOL)
        self._write.flush()


def _private(number: int, replacement: int, mode: str) -> BinaryIO:
    """Move a pipe away from a standard stream, which the program may use."""
    pipe = os.dup(number)
    os.dup2(replacement, number)
    return os.fdopen(pipe, mode)  # type: ignore[return-value]


def main() -> None:
    """Serve until the request pipe ends."""
    parent, handle = sys.argv[1:]
    end_with(int(parent))
    adopt_orphans()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is handled by the parent process
    nothing = os.open(os.devnull, os.O_RDONLY)
    read, write = _private(0, nothing, "rb"), _private(1, 2, "wb")
    os.close(nothing)
    _Server(read, write, words(handle)).serve()
