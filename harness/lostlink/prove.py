"""The main job: run the whole suite over a rig and gather a verdict for every requirement."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from lostlink.plugin import PROPERTY, RIG_ABOUT, RIG_LOST
from lostlink.requirements import CATALOGUE
from lostlink.verdicts import Outcome, Requirement, Severity, Verdict

SUITE = Path(__file__).parent / "suite"

Progress = Callable[[int, int, str], None]
"""Told how many tests are done, how many there are, and the name of the last."""


@dataclass
class Result:
    """What a run of the suite gave.

    Attributes
    ----------
    verdicts : list of Verdict
        In the suite's order.
    findings : dict of str to str
        For each requirement that is not met or in doubt, what was found, in words.
    interrupted : bool
    errors : list of str
        What pytest itself stumbled over.
    rig_lost : str
        What became of the rig, in words; empty when it lasted.
    rig : dict of str to str
        What the rig says of itself.
    """

    verdicts: list[Verdict] = field(default_factory=list)
    findings: dict[str, str] = field(default_factory=dict)
    interrupted: bool = False
    errors: list[str] = field(default_factory=list)
    rig_lost: str = ""
    rig: dict[str, str] = field(default_factory=dict)

    def with_outcome(self, outcome: Outcome) -> list[Verdict]:
        """Return the verdicts of one outcome, the most severe first."""
        order = list(Severity)
        found = [verdict for verdict in self.verdicts if verdict.outcome is outcome]
        return sorted(found, key=lambda verdict: order.index(verdict.requirement.severity))

    @property
    def exit_code(self) -> int:
        """0 all met, 1 one not met, 2 nothing could be run, 3 rig lost, 4 a doubt or not tested, 130 interrupted."""
        if self.interrupted:
            return 130
        if self.rig_lost:
            return 3
        if self.with_outcome(Outcome.NOT_MET):
            return 1
        if self.errors or not self.verdicts:
            return 2  # never a false "met"
        if self.with_outcome(Outcome.INCONCLUSIVE) or self.with_outcome(Outcome.NOT_TESTED):
            return 4
        if not self.with_outcome(Outcome.MET):
            return 4  # everything was waived
        return 0


class _Gatherer:
    """A pytest plugin that collects verdicts from reports, also from workers of a parallel run."""

    def __init__(self, progress: Progress | None) -> None:
        self.result = Result()
        self._progress = progress
        self.total = 0
        self.done = 0

    @pytest.hookimpl(trylast=True)
    def pytest_collection_finish(self, session: pytest.Session) -> None:
        self.total = len(session.items)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "teardown":
            self.done += 1
            if self._progress is not None:
                self._progress(self.done, self.total, report.nodeid)
        decides = report.when == "call" or (report.when == "setup" and not report.passed)
        said = next((value for name, value in report.user_properties if name == PROPERTY), None)
        if decides and said is not None:
            verdict = verdict_from(json.loads(str(said)))
            self.result.verdicts.append(verdict)
            if report.failed:
                self.result.findings[verdict.requirement.id] = report.longreprtext
        elif report.failed:
            self.result.errors.append(report.longreprtext)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.result.errors.append(report.longreprtext)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        self.result.rig = session.config.stash.get(RIG_ABOUT, {})
        self.result.rig_lost = session.config.stash.get(RIG_LOST, "")

    def pytest_keyboard_interrupt(self, excinfo: pytest.ExceptionInfo[BaseException]) -> None:
        # pytest calls this also when it gives up by itself, over tests that cannot be collected.
        self.result.interrupted = not isinstance(excinfo.value, pytest.Session.Interrupted)


def verdict_from(data: dict[str, Any]) -> Verdict:
    """Return the verdict that `Verdict.as_dict` wrote."""
    requirement = Requirement(data["id"], Severity(data["severity"]), data["sentence"], data["fault"])
    rest = {name: data[name] for name in ("measured", "limit", "how_seen", "runs", "checks", "reason", "replay")}
    rest |= {name: data[name] for name in ("value", "uncertainty", "unit") if name in data}
    return Verdict(requirement=requirement, outcome=Outcome(data["outcome"]), **rest)


def run_suite(
    profile: str | None,
    *,
    receiver: str | None = None,
    rig: str = "sim",
    baud: int | None = None,
    thorough: bool = False,
    seed: int = 1,
    only: Sequence[str] = (),
    evidence: Path | None = None,
    tests: Sequence[Path] = (),
    progress: Progress | None = None,
) -> Result:
    """Run the suite in this process and return its verdicts.

    Parameters
    ----------
    profile : str or None
        A profile file; the plain link when None.
    receiver : str, optional
        ``FILE.py:Name`` or a shared library.
    rig : str
        ``sim`` or ``serial:PORT``; whoever asks for a real board has seen to it that nobody can be hurt.
    baud, thorough
        See `lostlink.rigs.open_rig`.
    only : sequence of str
        Ids of requirements; all when empty.
    evidence : Path, optional
        Folder for ``junit.xml`` and the runs of failed tests.
    tests : sequence of Path
        Further test files of the user's own.
    """
    gatherer = _Gatherer(progress)
    words = [
        str(SUITE),
        *map(str, tests),
        "-p",
        "lostlink",
        "-p",
        "no:terminal",
        "-p",
        "no:cacheprovider",
        "--noconftest",
        "--import-mode=importlib",
    ]
    words += ["-c", str(SUITE / "suite.ini"), "--rootdir", str(SUITE), f"--lostlink-seed={seed}"]
    for name, value in (("profile", profile), ("receiver", receiver), ("rig", rig), ("baud", baud)):
        if value is not None:
            words.append(f"--lostlink-{name}={value}")
    if rig != "sim":
        words.append("--lostlink-props-off")
    if thorough:
        words.append("--lostlink-thorough")
    if only:
        words.append(f"--lostlink-only={','.join(only)}")
    if evidence is not None:
        words += [f"--junitxml={evidence / 'junit.xml'}", f"--lostlink-evidence={evidence / 'failing'}"]
        words.append(f"--lostlink-runs={evidence / 'runs'}")
    with _calm_environment():
        code = pytest.ExitCode(pytest.main(words, plugins=[gatherer]))
    if code in (pytest.ExitCode.INTERNAL_ERROR, pytest.ExitCode.USAGE_ERROR):
        gatherer.result.errors.append(f"pytest ended with {code.name.lower().replace('_', ' ')}")
    ended_early = gatherer.result.interrupted or bool(gatherer.result.rig_lost)
    missing = gatherer.total - gatherer.done
    if missing and not ended_early:
        gatherer.result.errors.append(f"{missing} of {gatherer.total} tests did not come to their end")
    said = {verdict.requirement.id for verdict in gatherer.result.verdicts}
    silent = [name for name in (only or CATALOGUE) if name not in said]
    if silent and not ended_early:
        gatherer.result.errors.append(f"no verdict for {', '.join(silent)}: no test of that requirement was run")
    places = {name: place for place, name in enumerate(CATALOGUE)}
    gatherer.result.verdicts.sort(key=lambda verdict: places.get(verdict.requirement.id, len(places)))
    return gatherer.result


class _calm_environment:  # noqa: N801
    """Keeps settings that were meant for the caller's own tests away from the suite."""

    NAMES = ("PYTEST_ADDOPTS", "PYTEST_PLUGINS", "PYTEST_CURRENT_TEST")

    def __enter__(self) -> None:
        self._kept = {name: os.environ.pop(name) for name in self.NAMES if name in os.environ}

    def __exit__(self, *_: object) -> None:
        os.environ.update(self._kept)


def conclusion(result: Result) -> str:
    """Return the outcome in one plain sentence."""
    failed = result.with_outcome(Outcome.NOT_MET)
    if failed:
        faults = [verdict.requirement.fault for verdict in failed]
        critical = sum(verdict.requirement.severity is Severity.CRITICAL for verdict in failed)
        more = f", and {len(faults) - 1} more" if len(faults) > 1 else ""
        danger = "Do not fly this link" if critical else "This link does not do what was required"
        return f"{danger}: {faults[0]}{more}."
    if result.rig_lost:
        return f"The rig was lost after {len(result.verdicts)} requirements; what was measured until then is kept."
    if result.interrupted:
        return f"Interrupted after {len(result.verdicts)} requirements; nothing is proven."
    if result.errors or not result.verdicts:
        return "The suite could not be run; nothing is proven."
    doubts = result.with_outcome(Outcome.INCONCLUSIVE)
    untested = result.with_outcome(Outcome.NOT_TESTED)
    met = len(result.with_outcome(Outcome.MET))
    if doubts or untested:
        parts = [f"{len(doubts)} inconclusive"] if doubts else []
        parts += [f"{len(untested)} not tested"] if untested else []
        return f"No requirement failed, but {' and '.join(parts)}: {met} of {len(result.verdicts)} are met."
    waived = result.with_outcome(Outcome.WAIVED)
    waiver = f", {len(waived)} waived by the owner" if waived else ""
    if not met:
        return "Every requirement was waived by the owner; nothing is proven."
    if "FS-CUT" in {verdict.requirement.id for verdict in result.with_outcome(Outcome.MET)}:
        return f"The failsafe cuts the throttle: {_all(met)} met{waiver}."
    return f"{_all(met).capitalize()} met{waiver}."


def _all(count: int) -> str:
    return "the one requirement that was tested is" if count == 1 else f"all {count} requirements that were tested are"
