"""Virtual time, with a user's receiver in its own process, so that a crash or a hang is a finding."""

from __future__ import annotations

import atexit
import math
import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from lostlink.children import descendants
from lostlink.errors import LostlinkError, ReceiverCrashError, RigError
from lostlink.rigs.base import Rig
from lostlink.rigs.firmware import FIRST_HANDSET_STEP, HANDSET, RECEIVER, is_library, why_apart
from lostlink.rigs.main_loop import BusyError
from lostlink.rigs.native import compiled_driver
from lostlink.rigs.receivers import HANDSET_STEPS, PYTHON_STEPS
from lostlink.rigs.requests import ReceiverFile, ScenarioRun, TrialsRun, refused
from lostlink.rigs.watched_process import IMPATIENT_S, Hang, Patience, ReceiverProcess, Slow
from lostlink.verdicts import sides_with
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.batch.flown import Flown
from lostlink_sims.batch.trials import FlightTrials
from lostlink_sims.trace import NoteKind

PATIENCE_S: Final = 5.0
"""A call that takes longer counts as hung; a normal one takes microseconds."""
BETWEEN_S: Final = 20.0
"""Time between two calls, in which the simulation may have much to do, from which the program counts as hung there."""
MOST_RUN_S: Final = 60.0
"""A run may take this in addition to its own duration; a normal one is hundreds of times faster than real time."""
_idle: dict[tuple[str | None, str | None, bool], ReceiverProcess] = {}
"""The process of the last receiver, by its name and whether its runs are apart: loading it again is faster than
starting a process."""


def end_idle() -> None:
    """End the process that a closed rig has kept."""
    while _idle:
        _idle.popitem()[1].end()


atexit.register(end_idle)


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
    keeps_process : bool
        Whether `close` keeps the process for the next rig of the same receiver. [default: of one in Python]

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
        self._patience = Patience(PATIENCE_S, BETWEEN_S, MOST_RUN_S)
        libraries = {RECEIVER: receiver, HANDSET: handset}
        self._libraries = {kind: path for kind, path in libraries.items() if path is not None and is_library(path)}
        self.keeps_process = not self._libraries
        for kind, path in self._libraries.items():
            if not Path(path).is_file():
                raise kind.refused(path, "no such file; name a shared library")
        self._process: ReceiverProcess | None = None
        self._scratch: tempfile.TemporaryDirectory[str] | None = None
        if self._libraries and not hasattr(os, "memfd_create"):
            self._scratch = tempfile.TemporaryDirectory(prefix="lostlink-")
        self._is_apart = any(map(why_apart, self._libraries.values()))
        self._start(_idle.pop(self._key, None))

    @property
    def under_test(self) -> str:
        """What is under test, as a conclusion names it."""
        if self.handset is None:
            return Path(self.receiver).name
        handset = f"the handset {Path(self.handset).name}"
        return handset if self._given is None else f"{handset} with {Path(self.receiver).name}"

    @property
    def _name(self) -> str:
        """Name of the programs, for error texts."""
        return " with ".join(filter(None, (self.handset, self._given)))

    @property
    def _key(self) -> tuple[str | None, str | None, bool]:
        return self._given, self.handset, self._is_apart

    @property
    def opened_by(self) -> dict[str, str | None]:
        """As in `Rig`."""
        return {"where": self.name, "receiver": self._given, "handset": self.handset}

    def close(self) -> None:
        """End the process, or keep it for the next rig; a second call does nothing."""
        process, self._process = self._process, None
        if process is not None:
            end_idle()
            if not self.keeps_process or process.popen.poll() is not None:
                process.end()
            else:
                _idle[self._key] = process
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
        trace = self._ask(ScenarioRun(scenario, self.limits_loop))
        if not isinstance(trace, Trace):
            trace = self._stopped(scenario, trace)
        if trace.crash is not None:
            self._end_descendants()
            raise ReceiverCrashError(trace.crash, trace)
        return trace

    def fly_trials(self, flights: FlightTrials, first: int, count: int) -> Flown:
        """Fly trials `first` .. `first` + `count` - 1, as `run` does, with one message for all.

        A trial whose program ends the process, or does not return, is flown again by itself. So is each trial of a
        library whose runs are apart.

        Parameters
        ----------
        flights : FlightTrials
            For which `lostlink_sims.batch.arrivals.unfit_arrivals` gives no reason.
        first, count : int

        Raises
        ------
        RigError
            As in `run`, also where a trial flown by itself ends in another way.
        """
        after = first + count
        if self._is_apart:
            return Flown.joined([self._fly_alone(flights, trial) for trial in range(first, after)])
        flown: list[Flown] = []
        while first < after:
            answer = self._ask(TrialsRun(flights, first, after - first))
            if isinstance(answer, Flown):
                self.runs += after - first
                flown.append(answer)
                if answer.crashed.any():
                    self._end_descendants()
                break
            assert self._process is not None
            stopped = first + max(0, int(self._process.calls[3]) - 1)
            self._restart()
            alone = self._fly_alone(flights, stopped, answer)
            if stopped > first:
                flown.append(self.fly_trials(flights, first, stopped - first))
            flown.append(alone)
            first = stopped + 1
        return Flown.joined(flown)

    def _fly_alone(self, flights: FlightTrials, trial: int, reason: str = "") -> Flown:
        """Fly a trial; `reason` tells how it ended among others."""
        lost_us = int(flights.drawn(trial, 1).lost_us[0])
        try:
            trace = self.run(flights.scenario(trial))
        except ReceiverCrashError:
            return Flown.of(None, lost_us)
        if reason:
            raise RigError(f"{self._name}: trial {trial}: {reason}; flown by itself, it did not end the same way")
        return Flown.of(trace, lost_us)

    def _stopped(self, scenario: Scenario, reason: str) -> Trace:
        """Repeat a run up to the call that did not return or was too late; return that trace as the evidence."""
        assert self._process is not None
        number, step = self._current_call()
        number = max(1, number)
        if step < 0 and not isinstance(reason, Slow):  # it could not answer: find the call after which it could not
            self._restart()
            self._ask(ScenarioRun(scenario, self.limits_loop, finds_loss=True))
            number, step = self._current_call()
        self._restart()
        is_known = step >= 0 or isinstance(reason, Slow)
        trace = self._ask(ScenarioRun(scenario, self.limits_loop, number, str(reason))) if is_known else None
        if isinstance(reason, Slow):
            self._patience = replace(self._patience, between_s=PATIENCE_S, run_s=PATIENCE_S)
        if not isinstance(trace, Trace) or trace.crash is None:
            self._restart()
            raise RigError(f"{self._name}: {reason}; the repeated run did not end the same way")
        assert trace.crash_us is not None
        crash = f"at {trace.crash_us / 1e6:.6f} s: {reason}"
        if not isinstance(reason, Slow):
            crash = f"{self._step_name(step)} {crash}"
        trace.notes[:] = [note._replace(text=crash) if note.kind is NoteKind.CRASH else note for note in trace.notes]
        trace.crash = crash
        return trace

    def _step_name(self, step: int) -> str:
        kind, python_steps = (RECEIVER, PYTHON_STEPS) if step < FIRST_HANDSET_STEP else (HANDSET, HANDSET_STEPS)
        return (kind.steps if kind in self._libraries else python_steps)[step - kind.first_step]

    # --- the process ----------------------------------------------------------------------------------------

    def _start(self, process: ReceiverProcess | None = None) -> None:
        driver = compiled_driver() if self._libraries else b""
        self._process = process or ReceiverProcess()
        scratch = self._scratch.name if self._scratch is not None else ""
        file = ReceiverFile(self._given, self.profile, scratch, self.handset, driver, self._is_apart)
        error = self._ask(file)
        if error is None:
            return
        self._end()
        raise error if isinstance(error, LostlinkError) else refused(file, f"cannot be loaded: {error}")

    def _end(self) -> None:
        if self._process is not None:
            self._process.end()
            self._process = None

    def _end_descendants(self) -> None:
        """End the processes that a program has left, with its own."""
        if self._process is not None and descendants(self._process.popen.pid):
            self._restart()

    def _restart(self) -> None:
        self._end()
        self._start()

    def _current_call(self) -> tuple[int, int]:
        """Return number and step of the call in which the process is or was; the step is -1 between calls."""
        assert self._process is not None
        number, step = map(int, self._process.calls[:2])
        return number, step

    def _ask(self, request: ReceiverFile | ScenarioRun | TrialsRun) -> Any:
        """Return the answer, or the reason why it is missing."""
        if self._process is None:
            raise RigError(f"{self._name}: the rig is closed")
        run_s = math.inf
        if isinstance(request, TrialsRun):
            run_s = self._patience.run_s + request.flights.duration_us / 1e6
        if isinstance(request, ScenarioRun):
            run_s = self._patience.run_s + request.scenario.duration_us / 1e6
            run_s *= 2 if request.stop_at else 1  # a repeated run takes as long as the first, and a little more
        answer = self._process.ask(request, replace(self._patience, run_s=run_s))
        if isinstance(answer, BusyError):
            raise answer
        if isinstance(answer, Trace) and isinstance(request, ScenarioRun):
            answer.profile, answer.scenario = self.profile, request.scenario  # not as the child has them
        if isinstance(answer, Hang) and not isinstance(answer, Slow):
            self._patience = replace(self._patience, call_s=IMPATIENT_S)
        return answer
