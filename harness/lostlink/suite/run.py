"""Runs the suite over a rig with pytest and collects a verdict for every requirement."""

from __future__ import annotations

import contextlib
import dataclasses
import inspect
import json
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

import pytest

from lostlink import safe_end
from lostlink.errors import ExitCode
from lostlink.evidence.run_writer import file_name
from lostlink.files import whole_text
from lostlink.requirements import CATALOGUE, DECORATED, of_sides
from lostlink.results import Result
from lostlink.rigs import Rig, native
from lostlink.suite.judge import OTHERS, in_runs_of
from lostlink.suite.processes import Processes, Session
from lostlink.suite.session import ALSO, EVIDENCE, FLOWN, LATE, NOT_WRITTEN, PROFILE, PROPERTY, RIG, RIG_LOST, decides
from lostlink.varied import Flown, concerning, variation_of
from lostlink.verdicts import Outcome, Variation, Verdict, counted
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
        self._verdicts: dict[str, Verdict] = {}
        self._others: list[tuple[int, str, Verdict, str]] = []  # broken in runs of other tests
        self._order: dict[str, int] = {}
        self.total = 0
        self.done = 0
        self._flown: list[Flown] = []
        self._variations: dict[tuple[str, tuple[tuple[str, str], ...]], Variation | None] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        config.stash[PROFILE], config.stash[RIG], config.stash[EVIDENCE] = self._profile, self._rig, self._evidence

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in [item for item in items if item.nodeid != whole_text(item.nodeid)]:
            self.result.errors.append(f"{whole_text(item.nodeid)}: its name contains a lone surrogate; rename the test")
            items.remove(item)
        self._expect_all(items)
        self.judging = {item.path for item in items if item.get_closest_marker("requirement")}

    def _expect_all(self, items: Sequence[pytest.Item]) -> None:
        """Report custom tests that have a requirement but are not run."""
        functions = [inspect.unwrap(item.obj) for item in items if isinstance(item, pytest.Function)]
        codes = [function.__code__ for function in functions if hasattr(function, "__code__")]
        run = {(code.co_filename, code.co_firstlineno) for code in codes}
        for file, line, name in DECORATED:
            if (file, line) not in run:
                self.result.errors.append(
                    f"{file}:{line}: {name} has a requirement, but pytest does not run it: is there a second one of "
                    "this name, a class with __init__, or a name that does not begin with test?"
                )

    @pytest.hookimpl(trylast=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        self.total = len(session.items)
        self._order = {item.nodeid: number for number, item in enumerate(session.items)}

    @pytest.hookimpl(tryfirst=True)  # before junit.xml sees the texts
    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        _make_whole(report)
        if report.when == "teardown":
            self.done += 1
            if self._progress is not None:
                self._progress(self.done, self.total, report.nodeid)
        properties: dict[str, list[str]] = {}
        for name, value in report.user_properties:
            properties.setdefault(name, []).append(str(value))
        report.user_properties = [pair for pair in report.user_properties if pair[0] != FLOWN]
        if decides(report.when, passed=report.passed) and PROPERTY in properties:
            verdict = Verdict.from_dict(json.loads(properties[PROPERTY][0]))
            self._add(verdict, report.longreprtext)
            for text in properties.get(ALSO, ()):
                other, finding = json.loads(text)
                found = self._order.get(report.nodeid, 0), verdict.requirement.id, Verdict.from_dict(other), finding
                self._others.append(found)
            for text in properties.get(FLOWN, ()):
                self._flown.append(Flown.from_text(text))
        elif report.when == "teardown" and LATE in properties:
            self._add(Verdict.from_dict(json.loads(properties[LATE][0])), report.longreprtext)
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

    def _add(self, verdict: Verdict, finding: str) -> None:
        """Add the verdict of a test; a requirement may have several tests."""
        name = verdict.requirement.id
        earlier = self._verdicts.get(name)
        self._verdicts[name] = verdict if earlier is None else earlier.combined_with(verdict)
        is_worse = earlier is None or verdict.outcome.rank > earlier.outcome.rank
        if is_worse and verdict.outcome in (Outcome.NOT_MET, Outcome.INCONCLUSIVE):
            self.result.findings[name] = finding

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        # pytest also calls this when it cannot collect the tests.
        self.result.interrupted = not isinstance(excinfo.value, pytest.Session.Interrupted)

    def conclude(self, tests: Sequence[Path], wanted: Sequence[str], evidence: Path | None) -> None:
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
            if without := [name for name in wanted if name not in self._verdicts]:
                result.errors.append(f"no verdict for {', '.join(without)}: no test of that requirement was run")
        self._add_others(evidence)
        result.verdicts[:] = self._verdicts.values()
        result.verdicts[:] = [
            dataclasses.replace(one, varied=self._varied(one.requirement.id)) for one in result.verdicts
        ]
        order = {name: number for number, name in enumerate(CATALOGUE)}
        result.verdicts.sort(key=lambda verdict: order.get(verdict.requirement.id, len(order)))

    def _varied(self, requirement_id: str) -> Variation | None:
        """Return what the varied flights that concern a requirement had."""
        if (found := concerning(requirement_id)) is None:
            return None
        key = found[0], found[1].concerns[requirement_id]
        if key not in self._variations:  # many requirements are concerned by the same flights
            each = (variation_of(self._profile, requirement_id, flown) for flown in self._flown)
            self._variations[key] = next((one for one in each if one is not None), None)
        return self._variations[key]

    def _add_others(self, evidence: Path | None) -> None:
        """Let a requirement that runs of other tests break not be met; the first of these tests counts."""
        for _, own, other, finding in sorted(self._others, key=lambda found: found[0]):
            name = other.requirement.id
            verdict = self._verdicts.get(name, dataclasses.replace(other, outcome=Outcome.MET))
            if verdict.outcome in (Outcome.NOT_MET, Outcome.WAIVED):
                continue
            runs, checks = max(verdict.runs, other.runs), max(verdict.checks, other.checks)
            self._verdicts[name] = dataclasses.replace(other, runs=runs, checks=checks)
            self.result.findings[name] = finding
            self.result.found_in[name] = own
            self._keep_runs(evidence, own, name)
        judged = {Path(file_name(name)).stem for name in self._verdicts} | set(self._verdicts)
        for folder in _run_folders(evidence):
            shutil.rmtree(folder / OTHERS, ignore_errors=True)
            for path in folder.glob("*.*"):
                if path.name.partition(".")[0] not in judged:  # of a test that was interrupted
                    path.unlink(missing_ok=True)

    def _keep_runs(self, evidence: Path | None, own: str, other: str) -> None:
        """Let the run that breaks another requirement be the run of that one."""
        for folder in _run_folders(evidence):
            found = [path for path in (folder / in_runs_of(own)).glob("*") if path.name.partition(".")[0] == other]
            try:
                for path in [path for path in folder.glob("*.*") if found and path.name.partition(".")[0] == other]:
                    path.unlink()
                for path in found:
                    path.rename(folder / path.name)
            except OSError as error:
                self.result.not_written = self.result.not_written or error


def _run_folders(evidence: Path | None) -> list[Path]:
    return [] if evidence is None else [evidence / "runs", evidence / "failing"]


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
    jobs: int = 1,
) -> Result:
    """Run the suite and return its verdicts.

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
    jobs : int
        Number of processes that share the suite's tests, on a rig that others can open too.
    """
    DECORATED.clear()
    arguments = [f"--lostlink-seed={seed}", *_SETTINGS]
    arguments += [f"--lostlink-{name}={value}" for name, value in named if value is not None]
    if only:
        arguments.append(f"--lostlink-only={','.join(only)}")
    if stops_early:
        arguments.append("--exitfirst")
    if evidence is not None:
        arguments += [f"--lostlink-evidence={evidence / 'failing'}", f"--lostlink-runs={evidence / 'runs'}"]
    shared = (str(SUITE), *arguments)
    if evidence is not None:
        arguments.append(f"--junitxml={evidence / 'junit.xml'}")
    name = evidence_name or str(evidence or "")
    collector = _Collector(profile, rig, name, progress)
    result, processes = collector.result, None
    plugins: list[object] = [collector]
    try:
        with _without_callers_settings():
            if jobs > 1 and not stops_early and rig.opened_by is not None:
                driver = native.known_driver()
                session = Session(profile, rig.opened_by, rig.varied_strength, name, shared, driver)
                processes = Processes(jobs - 1, session, SUITE)
                plugins.append(processes)
            code = pytest.ExitCode(pytest.main([str(SUITE), *map(str, tests), *arguments], plugins=plugins))
    except OSError as error:  # pytest could not write junit.xml; all tests have run by then
        code, result.not_written = pytest.ExitCode.OK, error
    except KeyboardInterrupt:  # while pytest was ending; its verdicts are kept
        code, result.interrupted = pytest.ExitCode.INTERRUPTED, True
    finally:
        if processes is not None:
            processes.end()
            for found in processes.extremes:
                rig.note_extremes(found)
            if collector.done < collector.total:
                result.errors += processes.errors
        rig.close()
    if (rig.drives_hardware or result.interrupted) and safe_end.stopped_by() is not None:
        result.interrupted, result.interrupted_code = True, ExitCode(safe_end.exit_code_of())
    if code in (pytest.ExitCode.INTERNAL_ERROR, pytest.ExitCode.USAGE_ERROR):
        result.errors.append(f"pytest ended with {code.name.lower().replace('_', ' ')}")
    collector.conclude(tests, only or of_sides(*rig.sides), evidence)
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
