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

from lostlink.children import adopt_orphans, end_with, private_pipes
from lostlink.errors import LostlinkError, ReceiverError
from lostlink.files import forgiving_stream
from lostlink.rigs import firmware
from lostlink.rigs.firmware import FIRST_HANDSET_STEP
from lostlink.rigs.main_loop import BusyError, limited
from lostlink.rigs.no_fork import forbid_processes
from lostlink.rigs.receivers import (
    HANDSET_STEPS,
    Loader,
    handset_loader,
    receiver_loader,
    watched,
    watched_handset,
)
from lostlink_sims import Profile, ReferenceReceiver, Scenario, simulate
from lostlink_sims.receiver import ReceiverFactory
from lostlink_sims.trace import Note, NoteKind, Trace

SHARED_WORDS: Final = 3
"""The number of calls so far, the step of the current one (-1: none), and whether a pipe is lost (0: not)."""


@dataclass(frozen=True)
class ReceiverFile:
    """The receiver to load.

    Attributes
    ----------
    receiver : str or None
        As in ``--receiver``; None for the reference receiver.
    profile : Profile
    scratch : str
        Folder for copies of a library, where the system needs files for them.
    handset : str or None
        As in ``--handset``.
    """

    receiver: str | None
    profile: Profile
    scratch: str
    handset: str | None = None


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
    finds_loss : bool
        Whether to end in the call that loses a pipe.
    """

    scenario: Scenario
    limits_loop: bool = False
    stop_at: int = 0
    why: str = ""
    finds_loss: bool = False


def refused(file: ReceiverFile, problem: str) -> LostlinkError:
    """Return the error of a program that cannot be used."""
    if file.handset is not None:
        return ReceiverError(f"--handset {file.handset}: {problem}")
    return firmware.RECEIVER.refused(file.receiver or "", problem)


def words(handle: str) -> Any:
    """Map the memory that parent and child share, by an inherited file descriptor or, on some systems, a name."""
    size = SHARED_WORDS * 8
    if sys.platform == "win32":
        return memoryview(mmap.mmap(-1, size, handle)).cast("q")
    return memoryview(mmap.mmap(int(handle), size)).cast("q")


class _Surroundings:
    """The current folder, the standard streams and the processes, which the program of a board cannot change."""

    def __init__(self) -> None:
        self._folder = self._current()

    @staticmethod
    def _current() -> str:
        try:
            return os.getcwd()
        except OSError:  # it was deleted
            return ""

    def changed(self) -> str:
        """Return what was changed; empty if nothing was."""
        if self._current() != self._folder:
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


class _Pipes:
    """The pipes to the parent process, which a program can close or replace by their numbers."""

    def __init__(self, read: BinaryIO, write: BinaryIO, calls: Any) -> None:
        self._numbers, self._calls = (read.fileno(), write.fileno()), calls
        self._known = self._identities()

    def _identities(self) -> list[tuple[int, int]]:
        states = map(os.fstat, self._numbers)
        return [(state.st_dev, state.st_ino) for state in states]

    def end_if_lost(self) -> None:
        """End the process if no answer can be given."""
        with contextlib.suppress(OSError):
            if self._identities() == self._known:
                return
        self._calls[2] = 1
        os._exit(1)


class _LossFinder(firmware.Watch):
    """Ends the process in the call that loses a pipe; looking after every call takes too long for all runs."""

    def __init__(self, calls: Any, pipes: _Pipes) -> None:
        super().__init__(calls)
        self._pipes = pipes

    def end(self) -> None:
        """Note that the call has returned."""
        self._pipes.end_if_lost()
        super().end()


class _Server:
    def __init__(self, read: BinaryIO, write: BinaryIO, calls: Any) -> None:
        self._read, self._write, self._calls = read, write, calls
        self._pipes = _Pipes(read, write, calls)
        self._pid = os.getpid()
        self._surroundings = _Surroundings()
        self._file: ReceiverFile | None = None
        self._image: firmware.Image | None = None
        self._loader: Loader | None = None
        self._live_output = False
        self._handset: Loader | None = None
        self._handset_image: firmware.Image | None = None

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
            if file.handset is not None:
                self._load_handset(file, watch)
            if file.receiver is None:
                self._loader = lambda: ReferenceReceiver
            elif firmware.is_library(file.receiver):
                self._image = firmware.Image(Path(file.receiver), file.scratch, watch)
            else:
                watch.begin(firmware.RECEIVER.loading)
                self._loader = receiver_loader(file.receiver)
                self._live_output = bool(getattr(self._loader(), "live_output", False))
        except LostlinkError as error:
            return error
        except BaseException as error:  # such as KeyboardInterrupt, raised by the file
            return refused(file, f"cannot be loaded: {type(error).__name__}")
        finally:
            watch.end()
        changed = self._surroundings.changed()
        return refused(file, f"cannot be loaded: {changed}") if changed else None

    def _load_handset(self, file: ReceiverFile, watch: firmware.Watch) -> None:
        assert file.handset is not None
        if firmware.is_library(file.handset):
            self._handset_image = firmware.Image(Path(file.handset), file.scratch, watch, firmware.HANDSET)
            return
        watch.begin(FIRST_HANDSET_STEP + len(HANDSET_STEPS) - 1)
        self._handset = handset_loader(file.handset)
        self._handset()
        watch.end()

    def _run(self, run: ScenarioRun) -> Trace | BusyError:
        assert self._file is not None
        watch = firmware.Watch(self._calls, run.stop_at, run.why)
        if run.finds_loss:
            watch = _LossFinder(self._calls, self._pipes)
        factory: ReceiverFactory
        if self._image is not None:
            factory = firmware.factory(self._image, watch)
        else:
            assert self._loader is not None
            factory = ReferenceReceiver
            if self._file.receiver is not None:
                factory = watched(self._loader, watch, live_output=self._live_output)
        handset = None if self._handset is None else watched_handset(self._handset, watch)
        if self._handset_image is not None:
            handset = firmware.handset_factory(self._handset_image, watch)
        if run.limits_loop:
            factory = limited(factory)
        try:
            trace = simulate(self._file.profile, run.scenario, factory, handset)
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
        self._pipes.end_if_lost()
        if isinstance(answer, Trace):
            answer.profile = answer.scenario = None  # type: ignore[assignment]  # the parent has them
        pickle.dump(answer, self._write, pickle.HIGHEST_PROTOCOL)
        self._write.flush()


def main() -> None:
    """Serve until the request pipe ends."""
    parent, handle = sys.argv[1:]
    end_with(int(parent))
    adopt_orphans()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is handled by the parent process
    read, write = private_pipes()
    sys.stdout, sys.stderr = map(
        forgiving_stream, (sys.stdout, sys.stderr)
    )  # output that cannot be written is not a finding
    server = _Server(read, write, words(handle))
    forbid_processes()
    try:
        server.serve()
    except BaseException:  # the program has damaged this process; the parent says how it ended
        os._exit(1)
