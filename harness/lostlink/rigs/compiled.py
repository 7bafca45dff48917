"""Virtual time with compiled firmware in a process of its own, so that a crash is a finding."""

from __future__ import annotations

import contextlib
import pickle
import queue
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any, Final

from lostlink.errors import LostlinkError, ReceiverCrashError, ReceiverError, RigError
from lostlink.rigs.base import Rig
from lostlink.rigs.firmware import CALLS
from lostlink.rigs.firmware_process import SHARED_WORDS, FirmwareFile, ScenarioRun, words
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.trace import NoteKind

PATIENCE_S: Final = 5.0
"""A call that takes longer is taken as hung; a sound one takes microseconds."""
_IMPATIENT_S: Final = 1.0
_GONE: Final = "gone"


class CompiledRig(Rig):
    """Runs scenarios in simulation with compiled firmware.

    Parameters
    ----------
    profile : Profile
    library : str
        Path of the shared library, with the functions of ``fixtures/board/receiver.h``.

    Raises
    ------
    ReceiverError
        If the file is missing or cannot be loaded.
    """

    name = "sim"
    how_seen = HowSeen.SIMULATED
    drives_hardware = False
    sets_clock = True

    def __init__(self, profile: Profile, library: str) -> None:
        super().__init__(profile)
        self._library = self.receiver = library
        self._patience_s = PATIENCE_S
        if not Path(library).is_file():
            raise ReceiverError(f"--receiver {library}: there is no such file; name a shared library")
        self._start()

    def close(self) -> None:
        """End the process."""
        process = self._process
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                assert pipe is not None
                pipe.close()

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario; the same one gives the same trace, byte for byte.

        Raises
        ------
        ReceiverCrashError
            If the firmware crashed or a call did not return.
        RigError
            If the firmware crashed and does not when the run is repeated.
        """
        self.runs += 1
        answer = self._ask(ScenarioRun(scenario))
        if isinstance(answer, Trace):
            return answer
        stop_at = int(self._calls[0])
        self.close()
        self._start()
        # The same run up to the call that did not return: its trace is the evidence.
        trace = self._ask(ScenarioRun(scenario, stop_at, answer))
        if not isinstance(trace, Trace) or trace.crash is None:
            raise RigError(f"{self._library}: {answer}; the repeated run did not end the same way")
        assert trace.crash_us is not None
        crash = f"{CALLS[int(self._calls[1])]}() at {trace.crash_us / 1e6:.6f} s: {answer}"
        trace.notes[:] = [note._replace(text=crash) if note.kind is NoteKind.CRASH else note for note in trace.notes]
        trace.crash = crash
        raise ReceiverCrashError(crash, trace)

    # --- the process ----------------------------------------------------------------------------------------

    def _start(self) -> None:
        with tempfile.NamedTemporaryFile(delete=False) as file:
            file.write(bytes(SHARED_WORDS * 8))
            file.flush()
            shared = file.name
        with open(shared, "r+b") as file2:
            self._calls = words(file2)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "lostlink.rigs.firmware_process"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._answers: queue.SimpleQueue[Any] = queue.SimpleQueue()
        threading.Thread(target=_listen, args=(self._process.stdout, self._answers), daemon=True).start()
        error = self._ask(FirmwareFile(self._library, shared, self.profile))
        with contextlib.suppress(OSError):
            Path(shared).unlink()
        if isinstance(error, LostlinkError):
            self.close()
            raise error
        if error is not None:
            raise ReceiverError(f"--receiver {self._library}: cannot be loaded: {error}")

    def _ask(self, request: FirmwareFile | ScenarioRun) -> Any:
        """Return the answer; without one, a text that says why."""
        assert self._process.stdin is not None
        try:
            pickle.dump(request, self._process.stdin, pickle.HIGHEST_PROTOCOL)
            self._process.stdin.flush()
        except OSError:
            return self._death()
        seen = -1
        while True:
            try:
                answer = self._answers.get(timeout=self._patience_s)
            except queue.Empty:
                calls = int(self._calls[0])
                if calls == seen and self._calls[1] >= 0:
                    waited_s, self._patience_s = self._patience_s, _IMPATIENT_S
                    return f"does not return (waited {waited_s:g} s)"
                seen = calls
                continue
            return self._death() if answer == _GONE else answer

    def _death(self) -> str:
        code = self._process.wait()
        if code >= 0:
            return f"the program exited (exit code {code})"
        with contextlib.suppress(ValueError):
            return f"the program died ({signal.Signals(-code).name})"
        return f"the program died (signal {-code})"


def _listen(read: Any, answers: queue.SimpleQueue[Any]) -> None:
    while True:
        try:
            answers.put(pickle.load(read))
        except Exception:
            answers.put(_GONE)
            return
