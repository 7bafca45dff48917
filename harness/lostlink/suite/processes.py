"""Processes that share the tests of the suite with the process that runs it.

Each takes the next test when it has finished one. They send each report of pytest as JSON. This process hands it to its
own plugins, as if the test had run here, and decides nothing else: which process runs a test does not change its
result. All write decisive runs into the same folder, where each test has files of its own.

The longest tests are left to the end and to this process; the others then fly runs of them ahead
(`lostlink.suite.ahead`).
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

import pytest

from lostlink.children import end, end_with, private_pipes, start_python
from lostlink.errors import LostlinkError
from lostlink.rigs import Rig, native, open_rig
from lostlink.suite.ahead import LOOK_S, Ahead, DoneRun, done_run
from lostlink.suite.session import EVIDENCE, NOT_WRITTEN, PROFILE, RIG, RIG_LOST, SHARE, required_by
from lostlink.varied import VARIETIES, Strength
from lostlink_sims import Profile, Scenario

_PROGRAM: Final = "from lostlink.suite.processes import main; main()"
_AT_ONCE: Final = 2
"""Runs that a process is given together. It asks for more before the last, so that it need not wait."""
_AHEAD: Final = 8
"""Runs for each process that a test has not taken yet."""


@dataclass(frozen=True)
class Session:
    """What another process needs to run tests of the suite.

    Attributes
    ----------
    profile : Profile
    opened_by : dict
        Arguments of `lostlink.rigs.open_rig`.
    varied_strength : Strength
        As in the rig of this process.
    evidence_name : str
        The evidence folder as the user named it.
    arguments : tuple of str
        Of pytest.
    driver : bytes or None
        As `lostlink.rigs.native.known_driver` returns it.
    """

    profile: Profile
    opened_by: dict[str, Any]
    varied_strength: Strength
    evidence_name: str
    arguments: tuple[str, ...]
    driver: bytes | None = None


class Processes:
    """A pytest plugin that runs the tests of a folder in this process and in others.

    Parameters
    ----------
    count : int
        Number of other processes.
    session : Session
    folder : Path
        Of the suite. Tests from elsewhere run in this process.

    Attributes
    ----------
    errors : list of str
        How processes failed.
    extremes : list of dict of str to int
        As of their rigs.
    """

    def __init__(self, count: int, session: Session, folder: Path) -> None:
        self.errors: list[str] = []
        self.extremes: list[dict[str, int]] = []
        self._folder, self._profile = folder, session.profile
        self._tests: deque[pytest.Item] = deque()
        self._ahead: Ahead | None = None
        self._is_over = False  # no test will share its runs any more
        self._changed = threading.Condition()  # of these three, and of the runs
        self._messages: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._started = [_start(session) for _ in range(count)]
        self._busy = count

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run all tests."""
        if session.testsfailed:  # as pytest's own loop: a file could not be collected
            raise session.Interrupted("a file of tests cannot be collected")
        session.config.stash[SHARE] = self._share
        ours = [item for item in session.items if item.path.parent == self._folder]
        own = [item for item in session.items if item.path.parent != self._folder]
        varied = [item for item in ours if _is_varied(item)]
        self._tests.extend(item for item in ours if item not in varied)
        for other in map(_Link, self._started):
            for serve in (self._listen, self._feed):
                threading.Thread(target=serve, args=(other,), daemon=True).start()
        while (test := self._next()) is not None:
            _run(test, None)
            self._receive(session)
        for test in varied:
            _run(test, None)
            self._receive(session)
        self._finish()
        for number, test in enumerate(own, 1):
            _run(test, own[number] if number < len(own) else None)
            self._receive(session)
        while self._busy:
            self._receive(session, LOOK_S)
        self._receive(session)
        return True

    def _next(self) -> pytest.Item | None:
        with self._changed:
            return self._tests.popleft() if self._tests else None

    def _share(self, scenarios: Sequence[Scenario]) -> Ahead:
        """Let the other processes fly runs of the test that runs here."""
        with self._changed:
            self._ahead = Ahead(scenarios, _AHEAD * len(self._started), self._changed)
            self._changed.notify_all()
            return self._ahead

    def _finish(self) -> None:
        """Let the other processes end when no test is left."""
        with self._changed:
            self._is_over = True
            self._changed.notify_all()

    def _work(self, other: _Link) -> pytest.Item | _Runs | None:
        """Wait for a test, or for runs of the test that runs here; None when there is no more for this process."""
        with self._changed:
            while not other.is_gone:
                if (test := self._next()) is not None:
                    return test
                if self._ahead is not None and (begun := self._ahead.begin(_AT_ONCE)):
                    other.given.append(_Runs(self._ahead, deque(begun)))
                    return other.given[-1]
                if self._is_over:
                    break
                self._changed.wait()
        return None

    def _feed(self, other: _Link) -> None:
        """Give a process tests and runs; it must be read from meanwhile, or both wait for each other."""
        with contextlib.suppress(OSError, ValueError):  # a process that died, or was ended, has no answer
            while other.asks.get():
                other.give(self._work(other))

    def _listen(self, other: _Link) -> None:
        """Pass the messages of a process on."""
        has_ended = False
        for message in other.messages():
            has_ended = has_ended or "ended" in message
            if "run" in message:
                other.put(message["run"], self._profile)
            elif "ready" in message:
                other.asks.put(True)
            else:
                self._messages.put(message)
        with self._changed:
            other.is_gone = True
            self._changed.notify_all()
        other.asks.put(False)
        while other.given:
            other.put(None, self._profile)
        self._messages.put({"gone": "" if has_ended else "a process of the suite died; is there enough memory?"})

    def _receive(self, session: pytest.Session, patience_s: float | None = None) -> None:
        """Hand over what the processes have sent."""
        config = session.config
        while True:
            try:
                message = self._messages.get(block=patience_s is not None, timeout=patience_s)
            except queue.Empty:
                break
            patience_s = None
            match message:
                case {"report": data}:
                    report = config.hook.pytest_report_from_serializable(config=config, data=data)
                    if isinstance(report.longrepr, list):  # the place and reason of a skip, which JSON has no tuple for
                        report.longrepr = tuple(report.longrepr)
                    config.hook.pytest_runtest_logreport(report=report)
                case {"not written": [number, text, name]}:
                    config.stash.setdefault(NOT_WRITTEN, OSError(number, text, name))
                case {"ended": True, "extremes": found}:
                    self.extremes.append(found)
                case {"rig lost": text}:
                    config.stash[RIG_LOST] = text
                    session.shouldstop = f"connection to the rig lost: {text}"
                case {"error": text} | {"gone": text}:
                    self.errors += [text] if text else []
                    self._busy -= "gone" in message
        if session.shouldstop:
            raise session.Interrupted(session.shouldstop)

    def end(self) -> None:
        """End the processes."""
        self._finish()
        for process in self._started:
            end(process)


@dataclass
class _Runs:
    """Runs of a test that a process flies; those that are left."""

    ahead: Ahead
    left: deque[tuple[int, Scenario]]


@dataclass
class _Link:
    """Another process, as this one has it.

    Attributes
    ----------
    process : Popen
    asks : SimpleQueue of bool
        True for each time that it asks for work; False when it has ended.
    given : deque of _Runs
        What it flies.
    is_gone : bool
    """

    process: subprocess.Popen[bytes]
    asks: queue.SimpleQueue[bool] = field(default_factory=queue.SimpleQueue)
    given: deque[_Runs] = field(default_factory=deque)
    is_gone: bool = False

    def messages(self) -> Iterator[dict[str, Any]]:
        """Yield what it sends; a run as `DoneRun`, or None if this process has to fly it."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            try:
                message = json.loads(line)
            except ValueError:  # it died in the middle of a line
                return
            if "run" in message:
                try:
                    message["run"] = pickle.loads(self.process.stdout.read(message["run"]))
                except Exception:  # it died in the middle of a run, or the run has an error of a package's rig
                    message["run"] = None
            yield message

    def give(self, work: pytest.Item | _Runs | None) -> None:
        """Send the name of a test, or the length of a pickle and the pickle; or let it end."""
        pipe = self.process.stdin
        assert pipe is not None
        if work is None:
            pipe.close()
        elif isinstance(work, _Runs):
            data = pickle.dumps([scenario for _, scenario in work.left], pickle.HIGHEST_PROTOCOL)
            pipe.write(b"%d\n%b" % (len(data), data))
            pipe.flush()
        else:
            pipe.write(json.dumps(work.nodeid).encode("ascii") + b"\n")
            pipe.flush()

    def put(self, run: DoneRun | None, profile: Profile) -> None:
        """Note what the next run that it was given gave; None if it did not fly it."""
        runs = self.given[0]
        index, scenario = runs.left.popleft()
        if not runs.left:
            self.given.popleft()
        if run is not None and run.trace is not None:
            run.trace.profile, run.trace.scenario = profile, scenario  # as in this process
        runs.ahead.put(index, run)


def _start(session: Session) -> subprocess.Popen[bytes]:
    process = start_python(["-c", _PROGRAM, str(os.getpid())], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    with contextlib.suppress(OSError):  # that it died is seen when it does not answer
        pickle.dump(session, process.stdin, pickle.HIGHEST_PROTOCOL)
        process.stdin.flush()
    return process


def _is_varied(test: pytest.Item) -> bool:
    required = required_by(test)
    return required is not None and required.id in VARIETIES


def _run(test: pytest.Item, following: pytest.Item | None) -> None:
    test.config.hook.pytest_runtest_protocol(item=test, nextitem=following)
    if test.session.shouldstop:
        raise test.session.Interrupted(test.session.shouldstop)


# --- in the other process --------------------------------------------------------------------------------------------


class _Other:
    """A pytest plugin that runs the tests which the first process names, and sends their reports."""

    def __init__(self, session: Session, rig: Any, requests: BinaryIO, answers: BinaryIO) -> None:
        self._session, self._rig, self._requests, self._answers = session, rig, requests, answers
        self._config: pytest.Config | None = None

    def say(self, **message: Any) -> None:
        """Send a message."""
        self._answers.write(json.dumps(message).encode("ascii") + b"\n")
        self._answers.flush()

    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        """Pass profile and rig to the tests."""
        self._config = config
        config.stash[PROFILE], config.stash[RIG] = self._session.profile, self._rig
        config.stash[EVIDENCE] = self._session.evidence_name

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run the tests that are asked for."""
        tests = {item.nodeid: item for item in session.items}
        self.say(ready=True)
        for line in self._requests:
            match json.loads(line):
                case int(length):
                    self._fly(pickle.loads(self._requests.read(length)))
                case name:
                    try:
                        _run(tests[name], None)
                    except session.Interrupted:
                        break
                    self.say(ready=True)
        return True

    def _fly(self, scenarios: list[Scenario]) -> None:
        """Fly runs of another process's test."""
        for number, scenario in enumerate(scenarios, 1):
            if number == len(scenarios):
                self.say(ready=True)
            data = _written_run(self._rig, scenario)
            self._answers.write(b'{"run": %d}\n%b' % (len(data), data))
            self._answers.flush()

    @pytest.hookimpl(trylast=True)
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Send a report."""
        assert self._config is not None
        self.say(report=self._config.hook.pytest_report_to_serializable(config=self._config, report=report))

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Send what no report says."""
        stash = session.config.stash
        if (error := stash.get(NOT_WRITTEN, None)) is not None:
            self.say(**{"not written": [error.errno, error.strerror, str(error.filename or "")]})
        if text := stash.get(RIG_LOST, ""):
            self.say(**{"rig lost": text})


def _written_run(rig: Rig, scenario: Scenario) -> bytes:
    """Fly a run and return what it gave as a pickle; that of None after an error of the tool, which comes there too."""
    try:
        run = done_run(rig, scenario, rig.run)
        if run.trace is not None:
            run.trace.profile = run.trace.scenario = None  # type: ignore[assignment]  # the other process has them
        return pickle.dumps(run, pickle.HIGHEST_PROTOCOL)
    except Exception:
        return pickle.dumps(None)


def main() -> None:
    """Run tests as the parent process names them, until its pipe ends."""
    end_with(int(sys.argv[1]))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is handled by the parent process
    requests, answers = private_pipes()
    session: Session = pickle.load(requests)
    native.provide(session.driver)
    try:
        rig = open_rig(session.profile, **session.opened_by)
    except LostlinkError as error:
        answers.write(json.dumps({"error": str(error)}).encode("ascii") + b"\n" + b'{"ended": true}\n')
        answers.close()
        return
    rig.varied_strength = session.varied_strength
    other = _Other(session, rig, requests, answers)
    with rig:
        pytest.main(list(session.arguments), plugins=[other])
    other.say(ended=True, extremes=rig.extremes)
