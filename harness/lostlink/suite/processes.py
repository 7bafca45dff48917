"""Processes that share the tests of the suite with the process that runs it.

Each takes the next test when it has finished one: this process from the front, the others from the end, where the
longest is. They send each report of pytest as JSON. This process hands it to its own plugins, as if the test had run
here, and decides nothing else: which process runs a test does not change its result. All write decisive runs into the
same folder, where each test has files of its own.
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
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import pytest

from lostlink.children import end, end_with, private_pipes, start_python
from lostlink.errors import LostlinkError
from lostlink.rigs import native, open_rig
from lostlink.suite.session import EVIDENCE, NOT_WRITTEN, PROFILE, RIG, RIG_LOST, required_by
from lostlink.varied import Strength
from lostlink_sims import Profile

_PROGRAM: Final = "from lostlink.suite.processes import main; main()"
_LONGEST: Final = "FS-VARIED"
_LOOK_S: Final = 0.5  # on some systems Ctrl-C does not interrupt a longer wait


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
        self._folder = folder
        self._tests: deque[pytest.Item] = deque()
        self._messages: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._started = [_start(session) for _ in range(count)]
        self._busy = count

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run all tests."""
        if session.testsfailed:  # as pytest's own loop: a file could not be collected
            raise session.Interrupted("a file of tests cannot be collected")
        ours = [item for item in session.items if item.path.parent == self._folder]
        own = [item for item in session.items if item.path.parent != self._folder]
        self._tests.extend(sorted(ours, key=_is_longest))
        for process in self._started:
            threading.Thread(target=self._serve, args=(process,), daemon=True).start()
        while (test := self._next(last=False)) is not None:
            _run(test, None)
            self._receive(session)
        for number, test in enumerate(own, 1):
            _run(test, own[number] if number < len(own) else None)
            self._receive(session)
        while self._busy:
            self._receive(session, _LOOK_S)
        self._receive(session)
        return True

    def _next(self, *, last: bool) -> pytest.Item | None:
        with self._lock:
            if not self._tests:
                return None
            return self._tests.pop() if last else self._tests.popleft()

    def _serve(self, process: subprocess.Popen[bytes]) -> None:
        """Give a process its tests, and pass its messages on."""
        assert process.stdin is not None
        assert process.stdout is not None
        has_ended = False
        for line in process.stdout:
            try:
                message = json.loads(line)
            except ValueError:  # it died in the middle of a line
                break
            has_ended = has_ended or "ended" in message
            if "ready" not in message:
                self._messages.put(message)
                continue
            test = self._next(last=True)
            with contextlib.suppress(OSError):  # a process that died has no answer
                if test is None:
                    process.stdin.close()
                else:
                    process.stdin.write(json.dumps(test.nodeid).encode("ascii") + b"\n")
                    process.stdin.flush()
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
        for process in self._started:
            end(process)


def _start(session: Session) -> subprocess.Popen[bytes]:
    process = start_python(["-c", _PROGRAM, str(os.getpid())], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdin is not None
    with contextlib.suppress(OSError):  # that it died is seen when it does not answer
        pickle.dump(session, process.stdin, pickle.HIGHEST_PROTOCOL)
        process.stdin.flush()
    return process


def _is_longest(test: pytest.Item) -> bool:
    required = required_by(test)
    return required is not None and required.id == _LONGEST


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
            try:
                _run(tests[json.loads(line)], None)
            except session.Interrupted:
                break
            self.say(ready=True)
        return True

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
