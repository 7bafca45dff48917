"""The process that runs a user's receiver, so that a crash or a hang of its program is a finding.

It reads pickles from one pipe of its parent and writes pickles to another. A `ReceiverFile` loads a receiver; the
answer to each `ScenarioRun` is a trace, to each `TrialsRun` the output of many flights. All is simulated here, because
a message per event would take longer than the simulation. Output of the program goes to standard error.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, Final

from lostlink.children import adopt_orphans, end_with, in_a_copy, private_pipes
from lostlink.errors import LostlinkError
from lostlink.files import forgiving_stream
from lostlink.rigs import firmware, native
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
from lostlink.rigs.requests import ReceiverFile, ScenarioRun, TrialsRun, refused, words
from lostlink.rigs.surroundings import LossFinder, Pipes, Surroundings
from lostlink_sims import ReferenceReceiver, Scenario, simulate
from lostlink_sims.batch.flown import Flown, Flyer, TrialBuild
from lostlink_sims.board import Board
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.receiver import ReceiverFactory
from lostlink_sims.trace import Note, NoteKind, Trace
from lostlink_sims.world import simulate_on

_FIRST_RUN: Final = Scenario(duration_us=100_000)


class _Server:
    def __init__(self, read: BinaryIO, write: BinaryIO, calls: Any) -> None:
        self._read, self._write, self._calls = read, write, calls
        self._pipes = Pipes(read, write, calls)
        self._pid = 0
        self._surroundings = Surroundings()
        self._file: ReceiverFile | None = None
        self._image: firmware.Image | None = None
        self._driver: native.Driver | None = None
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
            self._calls[0], self._calls[1], self._calls[3] = 0, -1, 0
            if isinstance(request, ReceiverFile):
                self._file = request
                if request.driver and self._driver is None:
                    with contextlib.suppress(OSError):  # then each call is one of Python's
                        self._driver = native.Driver(request.driver, request.scratch)
                if request.is_apart:  # what a first run imports and calculates, each copy would do again
                    simulate(request.profile, _FIRST_RUN)
            if self._file is not None and self._file.is_apart:
                in_a_copy(partial(self._do_anew, request))
            else:
                self._do(request)

    def _do_anew(self, request: Any) -> None:
        """Answer a request in a process that has not loaded the library before; a run's first power-on loads it."""
        if self._file is not request:
            assert self._file is not None
            if self._load(self._file, tries=False) is not None:
                os._exit(1)
            self._calls[0] = 0
        self._do(request)

    def _do(self, request: Any) -> None:
        """Answer a request; from the first one on, this process starts no other."""
        if not self._pid:
            self._pid = os.getpid()
            forbid_processes()
        if isinstance(request, ReceiverFile):
            self._answer(self._load(request))
        elif isinstance(request, TrialsRun):
            self._answer(self._fly(request))
        else:
            self._answer(self._run(request))

    def _load(self, file: ReceiverFile, *, tries: bool = True) -> LostlinkError | None:
        """Load the programs; return why one cannot be used, which a library shows when it is tried."""
        watch = firmware.Watch(self._calls)
        try:
            for image in (self._image, self._handset_image):
                if image is not None:
                    image.unload(watch)
            self._load_handset(file, watch)
            if firmware.is_library(file.receiver):
                assert file.receiver is not None
                self._image = firmware.Image(Path(file.receiver), file.scratch)
            elif file.receiver is not None:
                watch.begin(firmware.RECEIVER.loading)
                self._loader = receiver_loader(file.receiver)
                self._live_output = bool(getattr(self._loader(), "live_output", False))
                watch.end()
            for image in (self._handset_image, self._image):
                if image is not None and tries:
                    image.load(watch)
        except LostlinkError as error:
            return error
        except BaseException as error:  # such as KeyboardInterrupt, raised by the file
            return refused(file, f"cannot be loaded: {type(error).__name__}")
        finally:
            watch.end()
        changed = self._surroundings.changed()
        return refused(file, f"cannot be loaded: {changed}") if changed else None

    def _load_handset(self, file: ReceiverFile, watch: firmware.Watch) -> None:
        if file.handset is None:
            return
        if firmware.is_library(file.handset):
            self._handset_image = firmware.Image(Path(file.handset), file.scratch, firmware.HANDSET)
            return
        watch.begin(FIRST_HANDSET_STEP + len(HANDSET_STEPS) - 1)
        self._handset = handset_loader(file.handset)
        self._handset()
        watch.end()

    def _run(self, run: ScenarioRun) -> Trace | BusyError:
        try:
            trace = self._simulate(run)
        except BusyError as error:
            return error
        changed = self._surroundings.changed()
        if changed and trace.crash is None:
            trace.crash = changed
            trace.notes.append(Note(run.scenario.duration_us, NoteKind.CRASH, changed))
        return trace

    def _simulate(self, run: ScenarioRun) -> Trace:
        assert self._file is not None
        watch = firmware.Watch(self._calls, run.stop_at, run.why)
        if run.finds_loss:
            watch = LossFinder(self._calls, self._pipes)
        build, clock_us = self._board(watch, limits_loop=run.limits_loop), run.scenario.receiver_clock_us
        return simulate_on(
            lambda env, log, phase_us: build(env, log, phase_us, clock_us),
            self._file.profile,
            run.scenario,
            self._handset_factory(watch),
        )

    def _handset_factory(self, watch: firmware.Watch) -> HandsetFactory | None:
        """Return the factory of the handset under test, if there is one."""
        if self._handset_image is not None:
            if self._driver is not None and not isinstance(watch, LossFinder):
                return native.driven_factory(self._handset_image, watch, self._driver)
            return firmware.handset_factory(self._handset_image, watch)
        return None if self._handset is None else watched_handset(self._handset, watch)

    def _board(self, watch: firmware.Watch, *, limits_loop: bool = False) -> TrialBuild:
        """Return what builds the board with the receiver."""
        assert self._file is not None
        profile, image, driver = self._file.profile, self._image, self._driver
        if image is not None and driver is not None and not isinstance(watch, LossFinder):
            return lambda env, log, phase_us, clock_us: native.CompiledBoard(
                env, profile, log, phase_us, clock_us,
                image=image, watch=watch, driver=driver, limits_loop=limits_loop,
            )  # fmt: skip
        factory: ReceiverFactory = ReferenceReceiver
        if image is not None:
            factory = firmware.factory(image, watch)
        elif self._file.receiver is not None:
            assert self._loader is not None
            factory = watched(self._loader, watch, live_output=self._live_output)
        tested = limited(factory) if limits_loop else factory
        return lambda env, log, phase_us, clock_us: Board(env, profile, tested, log, phase_us, clock_us)

    def _fly(self, run: TrialsRun) -> Flown:
        flyer = Flyer(run.flights, run.first, run.count)
        for number in range(1, run.count + 1):
            self._calls[0], self._calls[1], self._calls[3] = 0, -1, number
            flyer.fly(self._board(firmware.Watch(self._calls)), is_sound=lambda: not self._surroundings.changed())
            self._pipes.end_if_lost()
        return flyer.flown()

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
    try:
        server.serve()
    except BaseException:  # the program has damaged this process; the parent says how it ended
        os._exit(1)
