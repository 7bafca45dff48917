"""Starts the process of a receiver, asks it, and finds out why an answer is missing."""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import subprocess
import tempfile
import threading
import time
import uuid
from dataclasses import dataclass
from typing import Any, Final

from lostlink.children import end, start_python
from lostlink.errors import LostlinkError
from lostlink.rigs.main_loop import BusyError
from lostlink.rigs.requests import SHARED_WORDS, ReceiverFile, ScenarioRun, TrialsRun, words

IMPATIENT_S: Final = 1.0
"""How long an answer is waited for that cannot come."""
_LOOK_S: Final = 0.25
_GONE: Final = object()
_PROGRAM: Final = "from lostlink.rigs.receiver_process import main; main()"


class Hang(str):
    """The reason for a missing answer: a call does not return."""

    __slots__ = ()


class Slow(Hang):
    """The reason for a missing answer: each call returns, but the run takes too long, or stands still after one."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait, in seconds: for one call, between two, and for a run in addition to its duration."""

    call_s: float
    between_s: float
    run_s: float


class ReceiverProcess:
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

    def ask(self, request: ReceiverFile | ScenarioRun | TrialsRun, most: Patience) -> Any:
        """Return the answer, or the reason why it is missing."""
        self.calls[0], self.calls[1], self.calls[2], self.calls[3] = 0, -1, 0, 0
        assert self.popen.stdin is not None
        try:
            pickle.dump(request, self.popen.stdin, pickle.HIGHEST_PROTOCOL)
            self.popen.stdin.flush()
        except OSError:
            return self._death()
        calls, trial, is_run = -1, 0, not isinstance(request, ReceiverFile)
        begun_s = since_s = time.monotonic()
        while True:
            has_ended = self.popen.poll() is not None
            try:
                answer = self._answers.get(timeout=_LOOK_S)
            except queue.Empty:
                if has_ended:  # another process may still hold the pipe open
                    return self._death()
                now_s, is_calling = time.monotonic(), self.calls[1] >= 0
                if trial != (trial := int(self.calls[3])):
                    begun_s = since_s = now_s
                if calls != (calls := int(self.calls[0])):
                    since_s = now_s
                if is_calling and now_s - since_s >= most.call_s:
                    return Hang(f"does not return (waited {most.call_s:g} s)")
                if not is_calling and is_run and now_s - since_s >= most.between_s:
                    return Slow(f"the program stands still after a call (waited {most.between_s:g} s)")
                if now_s - begun_s >= most.run_s:
                    return Slow(f"the program is too slow ({calls} calls in {most.run_s:.0f} s)")
                continue
            return self._death() if answer is _GONE else answer

    def _death(self) -> str:
        try:
            code = self.popen.wait(IMPATIENT_S)
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
