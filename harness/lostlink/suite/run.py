"""Runs the suite over a rig with pytest, in this process, and collects a verdict for every requirement."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

import pytest

from lostlink import safe_end
from lostlink.errors import ExitCode
from lostlink.files import whole_text
from lostlink.requirements import CATALOGUE
from lostlink.results import Result
from lostlink.rigs import Rig
from lostlink.suite.session import ALSO, EVIDENCE, FLOWN, NOT_WRITTEN, PROFILE, PROPERTY, RIG, RIG_LOST, decides
from lostlink.varied import Flown, variation_of
from lostlink.verdicts import Outcome, Verdict, counted
from lostlink_sims import Profile

SUITE = Path(__file__).parent
_SETTINGS: Final = (
    "--lostlink-props-off", "-p", "lostlink", "-p", "no:terminal", "-p", "no:cacheprovider", "--noconftest",
    "--import-mode=importlib", "-c", str(SUITE / "suite.ini"), "--rootdir", str(SUITE),
)  # fmt: skip

Progress = Callable[[int, int, str], None]
"""Called with the number of tests done, the number of all, and the name of the last."""


class _Collector:
    """A pytest plugin that passes profile and rig to the tests and collects their verdicts."""

    def __init__(self, profile: Profile, rig: Rig, evidence: str, progress: Progress | None) -> None:
        self.result = Result()
        self._profile, self._rig, self._evidence, self._progress = profile, rig, evidence, progress
        self.judging: set[Path] = set()
        self.others: dict[str, tuple[Verdict, str]] = {}  # broken in runs of other tests
        self.total = 0
        self.done = 0
        self._flown: Flown | None = None

    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        config.stash[PROFILE], config.stash[RIG], config.stash[EVIDENCE] = self._profile, self._rig, self._evidence

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in [item for item in items if item.nodeid != whole_text(item.nodeid)]:
            self.result.errors.append(f"{whole_text(item.nodeid)}: its name contains a lone surrogate; rename the test")
            items.remove(item)
        self.judging = {item.path for item in items if item.get_closest_marker("requirement")}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        self.total = len(session.items)

    @pytest.hookimpl(tryfirst=True)  # before junit.xml sees the texts
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        _make_whole(report)
        if report.when == "teardown":
            self.done += 1
            if self._progress is not None:
                self._progress(self.done, self.total, report.nodeid)
        text = next((value for name, value in report.user_properties if name == PROPERTY), None)
        if decides(report.when, passed=report.passed) and text is not None:
            verdict = Verdict.from_dict(json.loads(str(text)))
            self.result.verdicts.append(verdict)
            if verdict.outcome in (Outcome.NOT_MET, Outcome.INCONCLUSIVE):
                self.result.findings[verdict.requirement.id] = report.longreprtext
            for name, value in report.user_properties:
                if name == ALSO:
                    other, finding = json.loads(str(value))
                    self.others.setdefault(other["id"], (Verdict.from_dict(other), finding))
        elif report.failed:
            self.result.errors.append(report.longreprtext)

    @pytest.hookimpl(tryfirst=True)
    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        _make_whole(report)
        if report.failed:
            self.result.errors.append(report.longreprtext)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        self.result.rig_lost = session.config.stash.get(RIG_LOST, "")
        self.result.not_written = session.config.stash.get(NOT_WRITTEN, None)
        self._flown = session.config.stash.get(FLOWN, None)

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        # pytest also calls this when it cannot collect the tests.
        self.result.interrupted = not isinstance(excinfo.value, pytest.Session.Interrupted)

    def conclude(self, tests: Sequence[Path], wanted: Sequence[str]) -> None:
        """Complete the result: the rig, what was not tested, and the verdicts in the order of the catalogue."""
        result = self.result
        result.rig = {"rig": self._rig.name, **self._rig.about}
        result.under_test = self._rig.under_test
        idle = [str(file) for file in tests if file not in self.judging]
        if idle and not result.errors:
            result.errors.append(f"{', '.join(idle)}: no test has a requirement, so nothing is judged there")
        if not result.interrupted and not result.rig_lost:
            if not_done := self.total - self.done:
                result.errors.append(f"{not_done} of {counted(self.total, 'test')} did not complete")
            judged = {verdict.requirement.id for verdict in result.verdicts}
            if without := [name for name in wanted if name not in judged]:
                result.errors.append(f"no verdict for {', '.join(without)}: no test of that requirement was run")
        self._add_others()
        if self._flown is not None:
            result.verdicts[:] = [
                dataclasses.replace(one, varied=variation_of(self._profile, one.requirement.id, self._flown))
                for one in result.verdicts
            ]
        order = {name: number for number, name in enumerate(CATALOGUE)}
        result.verdicts.sort(key=lambda verdict: order.get(verdict.requirement.id, len(order)))

    def _add_others(self) -> None:
        """Let a requirement that runs of other tests break not be met."""
        result = self.result
        own = {verdict.requirement.id: verdict for verdict in result.verdicts}
        for name, (other, finding) in self.others.items():
            verdict = own.get(name, other)
            if verdict.outcome in (Outcome.NOT_MET, Outcome.WAIVED) and name in own:
                continue
            own[name] = dataclasses.replace(
                other, runs=max(verdict.runs, other.runs), checks=max(verdict.checks, other.checks)
            )
            result.findings[name] = finding
        result.verdicts[:] = own.values()


def _make_whole(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Replace lone surrogates in a report: names, exceptions and output of a custom test may contain some."""
    report.nodeid = whole_text(report.nodeid)
    text = report.longreprtext
    if text != whole_text(text):
        report.longrepr = whole_text(text)
    report.sections = [(name, whole_text(content)) for name, content in report.sections]
    if isinstance(report, pytest.TestReport):
        report.user_properties = [(name, whole_text(str(value))) for name, value in report.user_properties]


def run_suite(
    profile: Profile,
    rig: Rig,
    *,
    seed: int = 1,
    only: Sequence[str] = (),
    evidence: Path | None = None,
    evidence_name: str | None = None,
    tests: Sequence[Path] = (),
    named: Sequence[tuple[str, object]] = (),
    progress: Progress | None = None,
    stops_early: bool = False,
) -> Result:
    """Run the suite in this process and return its verdicts.

    Parameters
    ----------
    profile : Profile
    rig : Rig
        Closed at the end; the caller confirms that hardware is safe to drive.
    only : sequence of str
        Ids of requirements; all when empty.
    evidence : Path, optional
        Folder for ``junit.xml`` and the runs of failed tests.
    evidence_name : str, optional
        Its final path, for the commands that repeat a run. [default: `evidence`]
    tests : sequence of Path
        Additional test files of the user.
    named : sequence of (str, object)
        Profile, receiver, rig and baud as the user named them, for the commands that repeat a run.
    progress : callable, optional
    stops_early : bool
        End after the first test that is not met or inconclusive, where only this is asked; the result is not complete.
    """
    arguments = [str(SUITE), *map(str, tests), f"--lostlink-seed={seed}", *_SETTINGS]
    arguments += [f"--lostlink-{name}={value}" for name, value in named if value is not None]
    if only:
        arguments.append(f"--lostlink-only={','.join(only)}")
    if stops_early:
        arguments.append("--exitfirst")
    if evidence is not None:
        arguments += [f"--junitxml={evidence / 'junit.xml'}", f"--lostlink-evidence={evidence / 'failing'}"]
        arguments.append(f"--lostlink-runs={evidence / 'runs'}")
    collector = _Collector(profile, rig, evidence_name or str(evidence or ""), progress)
    result = collector.result
    try:
        with _without_callers_settings():
            code = pytest.ExitCode(pytest.main(arguments, plugins=[collector]))
    except OSError as error:  # pytest could not write junit.xml; all tests have run by then
        code, result.not_written = pytest.ExitCode.OK, error
    except KeyboardInterrupt:  # while pytest was ending; its verdicts are kept
        code, result.interrupted = pytest.ExitCode.INTERRUPTED, True
    finally:
        rig.close()
    if rig.drives_hardware and safe_end.stopped_by() is not None:
        result.interrupted, result.interrupted_code = True, ExitCode(safe_end.exit_code_of())
    if code in (pytest.ExitCode.INTERNAL_ERROR, pytest.ExitCode.USAGE_ERROR):
        result.errors.append(f"pytest ended with {code.name.lower().replace('_', ' ')}")
    collector.conclude(tests, only or list(CATALOGUE))
    return result


@contextlib.contextmanager
def _without_callers_settings() -> Iterator[None]:
    """Hide pytest settings in the environment from the suite."""
    names = ("PYTEST_ADDOPTS", "PYTEST_PLUGINS", "PYTEST_CURRENT_TEST")
    kept = {name: os.environ.pop(name) for name in names if name in os.environ}
    try:
        yield
    finally:
        os.environ.update(kept)
