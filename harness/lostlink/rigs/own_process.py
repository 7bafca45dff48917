"""Virtual time, with a user's receiver in its own process, so that a crash or a hang is a finding."""

from __future__ import annotations

import atexit
import contextlib
import math
import os
import pickle
import queue
import signal
import subprocess
import tempfile
import threading
import time
import uuid
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from lostlink.children import descendants, end, start_python
from lostlink.errors import LostlinkError, ReceiverCrashError, RigError
from lostlink.rigs.base import Rig
from lostlink.rigs.firmware import FIRST_HANDSET_STEP, HANDSET, RECEIVER, is_library
from lostlink.rigs.main_loop import BusyError
from lostlink.rigs.receiver_process import SHARED_WORDS, ReceiverFile, ScenarioRun, refused, words
from lostlink.rigs.receivers import HANDSET_STEPS, PYTHON_STEPS
from lostlink.verdicts import sides_with
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.trace import NoteKind

PATIENCE_S: Final = 5.0
"""A call that takes longer counts as hung; a normal one takes microseconds."""
BETWEEN_S: Final = 20.0
"""Time between two calls, in which the simulation may have much to do, from which the program counts as hung there."""
_IMPATIENT_S: Final = 1.0
MOST_RUN_S: Final = 60.0
"""A run may take this in addition to its own duration; a normal one is hundreds of times faster than real time."""
_LOOK_S: Final = 0.25
_GONE: Final = object()
_PROGRAM: Final = "from lostlink.rigs.receiver_process import main; main()"


class _Hang(str):
    """The reason for a missing answer: a call does not return."""

    __slots__ = ()


class _Slow(_Hang):
    """The reason for a missing answer: each call returns, but the run takes too long, or stands still after one."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class _Patience:
    """How long to wait, in seconds: for one call, between two, and for a run in addition to its duration."""

    call_s: float
    between_s: float
    run_s: float


class _Process:
    """A process of `receiver_process`, its pipes, and its shared memory."""

    def __init__(self) -> None:
        with tempfile.TemporaryFile() as file:  # without a name, so no file is left
            file.write(bytes(SHARED_WORDS * 8))
            file.flush()
            handle = str(file.fileno()) if os.name == "posix" else f"lostlink-{uuid.uuid4()}"
            self.calls = words(handle)
            self.popen = start_python(
                ["-c", _PROGRAM, str(os.getpid()), handle],
                hand_over=[file.fileno()],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
            )
        self._answers: queue.SimpleQueue[Any] = queue.SimpleQueue()
        threading.Thread(target=_listen, args=(self.popen.stdout, self._answers), daemon=True).start()

    def ask(self, request: ReceiverFile | ScenarioRun, most: _Patience) -> Any:
        """Return the answer, or the reason why it is missing."""
        self.calls[0], self.calls[1], self.calls[2] = 0, -1, 0
        assert self.popen.stdin is not None
        try:
            pickle.dump(request, self.popen.stdin, pickle.HIGHEST_PROTOCOL)
            self.popen.stdin.flush()
        except OSError:
            return self._death()
        calls, is_run = -1, isinstance(request, ScenarioRun)
        begun_s = since_s = time.monotonic()
        while True:
            has_ended = self.popen.poll() is not None
            try:
                answer = self._answers.get(timeout=_LOOK_S)
            except queue.Empty:
                if has_ended:  # another process may still hold the pipe open
                    return self._death()
                now_s, is_calling = time.monotonic(), self.calls[1] >= 0
                if calls != (calls := int(self.calls[0])):
                    since_s = now_s
                if is_calling and now_s - since_s >= most.call_s:
                    return _Hang(f"does not return (waited {most.call_s:g} s)")
                if not is_calling and is_run and now_s - since_s >= most.between_s:
                    return _Slow(f"the program stands still after a call (waited {most.between_s:g} s)")
                if now_s - begun_s >= most.run_s:
                    return _Slow(f"the program is too slow ({calls} calls in {most.run_s:.0f} s)")
                continue
            return self._death() if answer is _GONE else answer

    def _death(self) -> str:
        try:
            code = self.popen.wait(_IMPATIENT_S)
        except subprocess.TimeoutExpired:
            return "the program disturbed the pipe of its process"
        if self.calls[2]:
            return "the program closed a file that is not its own"
        if code >= 0:
            return f"the program exited (exit code {code})"
        if hasattr(signal, "SIGSYS") and code == -signal.SIGSYS:  # `no_fork`
            return "the program started another process"
        with contextlib.suppress(ValueError):
            return f"the program died ({signal.Signals(-code).name})"
        return f"the program died (signal {-code})"

    def end(self) -> None:
        end(self.popen)


_idle: dict[str, _Process] = {}
"""The process of the last Python receiver, by its name: loading it again is faster than starting a process."""


def _end_idle() -> None:
    while _idle:
        _idle.popitem()[1].end()


atexit.register(_end_idle)


class OwnProcessRig(Rig):
    """Runs scenarios in simulation with a user's receiver, in Python or compiled, and a user's handset.

    Parameters
    ----------
    profile : Profile
    receiver : str or None
        ``FILE.py:Name``, the name of a package's receiver, or a shared library; None for the reference receiver, which
        is then not under test.
    handset : str, optional
        ``FILE.py:Name``, or the name of a package's handset. With a receiver the pair is under test.

    Attributes
    ----------
    limits_loop : bool
        Whether to limit a spinning main loop (`lostlink.rigs.main_loop.limited`).

    Raises
    ------
    ReceiverError
        If the receiver is missing or cannot be loaded.
    """

    name = "sim"
    how_seen = HowSeen.SIMULATED
    drives_hardware = False
    sets_clock = True
    varied_stride = 1

    def __init__(self, profile: Profile, receiver: str | None, handset: str | None = None) -> None:
        super().__init__(profile)
        self._given, self.handset = receiver, handset
        self.receiver = receiver or "reference receiver, not under test"
        self.sides = sides_with(receiver, handset)
        self.limits_loop = False
        self._patience = _Patience(PATIENCE_S, BETWEEN_S, MOST_RUN_S)
        libraries = {RECEIVER: receiver, HANDSET: handset}
        self._libraries = {kind: path for kind, path in libraries.items() if path is not None and is_library(path)}
        for kind, path in self._libraries.items():
            if not Path(path).is_file():
                raise kind.refused(path, "no such file; name a shared library")
        self._process: _Process | None = None
        self._scratch: tempfile.TemporaryDirectory[str] | None = None
        if self._libraries and not hasattr(os, "memfd_create"):
            self._scratch = tempfile.TemporaryDirectory(prefix="lostlink-")
        self._start(_idle.pop(self._name, None))

    @property
    def under_test(self) -> str:
        """What is under test, as a conclusion names it."""
        if self.handset is None:
            return Path(self.receiver).name
        handset = f"the handset {Path(self.handset).name}"
        return handset if self._given is None else f"{handset} with {Path(self.receiver).name}"

    @property
    def _name(self) -> str:
        """Name of the programs, for error texts and for a process that is kept."""
        return " with ".join(filter(None, (self.handset, self._given)))

    @property
    def opened_by(self) -> dict[str, str | None]:
        """As in `Rig`."""
        return {"where": self.name, "receiver": self._given, "handset": self.handset}

    def close(self) -> None:
        """End the process, or keep a Python receiver's for the next rig of it; a second call does nothing."""
        process, self._process = self._process, None
        if process is not None:
            _end_idle()
            if self._libraries or process.popen.poll() is not None:
                process.end()
            else:
                _idle[self._name] = process
        if self._scratch is not None:
            self._scratch.cleanup()

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario; the same one gives the same trace, byte for byte.

        Raises
        ------
        ReceiverCrashError
            If the program crashed, a call did not return, or all calls take too long.
        RigError
            If the program crashed, but not when the run was repeated.
        """
        self.runs += 1
        if self._process is None:
            raise RigError(f"{self._name}: the rig is closed")
        trace = self._ask(ScenarioRun(scenario, self.limits_loop))
        if not isinstance(trace, Trace):
            trace = self._stopped(scenario, trace)
        if trace.crash is not None:
            if descendants(self._process.popen.pid):
                self._restart()
            raise ReceiverCrashError(trace.crash, trace)
        return trace

    def _stopped(self, scenario: Scenario, reason: str) -> Trace:
        """Repeat a run up to the call that did not return or was too late; return that trace as the evidence."""
        assert self._process is not None
        number, step = self._current_call()
        number = max(1, number)
        if step < 0 and not isinstance(reason, _Slow):  # it could not answer: find the call after which it could not
            self._restart()
            self._ask(ScenarioRun(scenario, self.limits_loop, finds_loss=True))
            number, step = self._current_call()
        self._restart()
        is_known = step >= 0 or isinstance(reason, _Slow)
        trace = self._ask(ScenarioRun(scenario, self.limits_loop, number, str(reason))) if is_known else None
        if isinstance(reason, _Slow):
            self._patience = replace(self._patience, between_s=PATIENCE_S, run_s=PATIENCE_S)
        if not isinstance(trace, Trace) or trace.crash is None:
            self._restart()
            raise RigError(f"{self._name}: {reason}; the repeated run did not end the same way")
        assert trace.crash_us is not None
        crash = f"at {trace.crash_us / 1e6:.6f} s: {reason}"
        if not isinstance(reason, _Slow):
            crash = f"{self._step_name(step)} {crash}"
        trace.notes[:] = [note._replace(text=crash) if note.kind is NoteKind.CRASH else note for note in trace.notes]
        trace.crash = crash
        return trace

    def _step_name(self, step: int) -> str:
        kind, python_steps = (RECEIVER, PYTHON_STEPS) if step < FIRST_HANDSET_STEP else (HANDSET, HANDSET_STEPS)
        return (kind.steps if kind in self._libraries else python_steps)[step - kind.first_step]

    # --- the process ----------------------------------------------------------------------------------------

    def _start(self, process: _Process | None = None) -> None:
        self._process = process or _Process()
        scratch = self._scratch.name if self._scratch is not None else ""
        file = ReceiverFile(self._given, self.profile, scratch, self.handset)
        error = self._ask(file)
        if error is None:
            return
        self._end()
        raise error if isinstance(error, LostlinkError) else refused(file, f"cannot be loaded: {error}")

    def _end(self) -> None:
        if self._process is not None:
            self._process.end()
            self._process = None

    def _restart(self) -> None:
        self._end()
        self._start()

    def _current_call(self) -> tuple[int, int]:
        """Return number and step of the call in which the process is or was; the step is -1 between calls."""
        assert self._process is not None
        number, step, _ = map(int, self._process.calls)
        return number, step

    def _ask(self, request: ReceiverFile | ScenarioRun) -> Any:
        """Return the answer, or the reason why it is missing."""
        assert self._process is not None
        run_s = math.inf
        if isinstance(request, ScenarioRun):
            run_s = self._patience.run_s + request.scenario.duration_us / 1e6
            run_s *= 2 if request.stop_at else 1  # a repeated run takes as long as the first, and a little more
        answer = self._process.ask(request, replace(self._patience, run_s=run_s))
        if isinstance(answer, BusyError):
            raise answer
        if isinstance(answer, Trace) and isinstance(request, ScenarioRun):
            answer.profile, answer.scenario = self.profile, request.scenario  # not as the child has them
        if isinstance(answer, _Hang) and not isinstance(answer, _Slow):
            self._patience = replace(self._patience, call_s=_IMPATIENT_S)
        return answer


_NUMPY: Final = ("_reconstruct", "_frombuffer", "scalar", "ndarray", "dtype")


class _Answers(pickle.Unpickler):
    """Reads the traces and errors of the child, and nothing else: its program can write to the pipe as well."""

    def find_class(self, module: str, name: str) -> Any:
        """Return a class of traces or errors, or what makes an array."""
        if module.partition(".")[0] == "numpy" and name in _NUMPY:
            return super().find_class(module, name)
        package = module.partition(".")[0]
        if package in ("lostlink", "lostlink_sims") and "." not in name:
            found = super().find_class(module, name)
            is_ours = isinstance(found, type) and found.__module__ == module
            if is_ours and (package == "lostlink_sims" or issubclass(found, LostlinkError | BusyError)):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is not part of an answer")


def _listen(read: Any, answers: queue.SimpleQueue[Any]) -> None:
    while True:
        try:
            answers.put(_Answers(read).load())
        except Exception:
            answers.put(_GONE)
            return
