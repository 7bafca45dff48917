"""The pytest plugin: fixtures for tests of a link, options, and a verdict with every report of a requirement.

It is loaded in every pytest run of its environment, so it imports only pytest and the standard library at the top.
Fixtures: `profile`, `rig`, `scenario` (a builder), `judge`.
"""

from __future__ import annotations

import contextlib
import json
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from lostlink.suite.session import (
    ALSO,
    EVIDENCE,
    FLOWN,
    JUDGE,
    KEPT,
    LATE,
    NOT_WRITTEN,
    PROFILE,
    PROPERTY,
    RIG,
    RIG_LOST,
    SHARE,
    UNSETTLED,
    WAIVED,
    decides,
    required_by,
)

if TYPE_CHECKING:
    from lostlink.rigs import Rig
    from lostlink.scenarios import ScenarioBuilder
    from lostlink.suite.judge import Judge
    from lostlink.verdicts import Outcome, Requirement, Side
    from lostlink_sims import Profile


_STOPPED = pytest.StashKey[int]()
"""In the config's stash: exit code of the signal that ended a run on hardware."""
_DEFAULT_RIG = "sim"
"""Needs no confirmation, is left out of commands, and is accepted without importing the rigs."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options ``--lostlink-…``."""
    group = parser.getgroup("lostlink", "radio-control link under test")
    group.addoption("--lostlink-profile", metavar="FILE", help="link profile (TOML) [default: the plain link]")
    group.addoption("--lostlink-receiver", metavar="FILE.py:NAME",
                    help="receiver to test, or a shared library [default: reference receiver]")  # fmt: skip
    group.addoption("--lostlink-handset", metavar="FILE.py:NAME",
                    help="handset to test; with a receiver, the pair [default: none]")  # fmt: skip
    group.addoption("--lostlink-rig", metavar="RIG", default=_DEFAULT_RIG,
                    help="where to run: sim, serial:PORT, emulated:IMAGE")  # fmt: skip
    group.addoption("--lostlink-baud", metavar="N", type=int, help="serial baud rate")
    group.addoption(
        "--lostlink-thorough",
        action="store_true",
        help="all varied flights; on a board, as many phases as in simulation",
    )
    group.addoption("--lostlink-props-off", action="store_true", help="propellers are off, flight battery disconnected")
    group.addoption("--lostlink-seed", metavar="N", type=int, default=1, help="random seed [default: 1]")
    group.addoption("--lostlink-evidence", metavar="DIR", help="folder for failed runs as CSV, VCD and scenario")
    group.addoption("--lostlink-runs", metavar="DIR", help="folder for the run that decided each requirement")
    group.addoption("--lostlink-only", metavar="IDS", help="requirements to test, separated by commas")


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker and check the options."""
    config.addinivalue_line("markers", "requirement(requirement): the requirement that the test judges")
    seed = config.getoption("--lostlink-seed")
    if not 0 <= seed < 2**63:
        raise pytest.UsageError(f"--lostlink-seed {seed}: allowed: 0 to 2^63 - 1")
    if config.getoption("--lostlink-profile"):
        config.stash[PROFILE] = _profile(config)  # an error is reported once, before any test
    if only := config.getoption("--lostlink-only"):
        from lostlink.errors import LostlinkError
        from lostlink.requirements import ids_of

        try:
            config.option.lostlink_only = ",".join(ids_of("--lostlink-only", only, _sides(config)))
        except LostlinkError as error:
            raise pytest.UsageError(str(error)) from None
    rig, handset = config.getoption("--lostlink-rig"), config.getoption("--lostlink-handset")
    if (rig != _DEFAULT_RIG or handset) and not config.getoption("--lostlink-props-off"):
        from lostlink.errors import LostlinkError
        from lostlink.rigs import drives_hardware

        try:
            needed = drives_hardware(rig, handset)
        except LostlinkError as error:
            raise pytest.UsageError(str(error)) from None
        if needed:
            raise pytest.UsageError(
                "a rig with a real board needs --lostlink-props-off: "
                "propellers off, flight battery disconnected, model restrained"
            )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Keep the selected requirements."""
    only = config.getoption("--lostlink-only")
    wanted = set(only.split(",")) if only else None
    sides = _sides(config) if any(map(required_by, items)) else frozenset()
    keep = [item for item in items if _is_selected(required_by(item), wanted, sides)]
    config.hook.pytest_deselected(items=[item for item in items if item not in keep])
    items[:] = keep


def _sides(config: pytest.Config) -> frozenset[Side]:
    """Return what is under test."""
    if RIG in config.stash:
        sides: frozenset[Side] = config.stash[RIG].sides
        return sides
    from lostlink.errors import LostlinkError
    from lostlink.rigs import sides_of

    option = config.getoption
    try:
        return sides_of(
            option("--lostlink-rig"), option("--lostlink-receiver") or None, option("--lostlink-handset") or None
        )
    except LostlinkError as error:
        raise pytest.UsageError(str(error)) from None


def _is_selected(required: Requirement | None, wanted: set[str] | None, sides: frozenset[Side]) -> bool:
    """Return whether a test is to be run; of the catalogue, only what is about a side that is under test."""
    if required is None:
        return wanted is None
    from lostlink.requirements import CATALOGUE

    is_tested = required.side in sides or required.id not in CATALOGUE
    return is_tested and (wanted is None or required.id in wanted)


@pytest.fixture(scope="session")
def profile(pytestconfig: pytest.Config) -> Profile:
    """Read the link profile of ``--lostlink-profile``."""
    return _profile(pytestconfig)


def _profile(config: pytest.Config) -> Profile:
    if PROFILE in config.stash:
        profile: Profile = config.stash[PROFILE]
        return profile
    from lostlink.errors import LostlinkError
    from lostlink.profiles import read_link

    try:
        return read_link(config.getoption("--lostlink-profile") or None)
    except LostlinkError as error:
        raise pytest.UsageError(str(error)) from None


@pytest.fixture(scope="session")
def rig(profile: Profile, pytestconfig: pytest.Config) -> Iterator[Rig]:
    """Open the rig on which scenarios run."""
    if RIG in pytestconfig.stash:  # opened and closed by the caller of pytest
        yield pytestconfig.stash[RIG]
        return
    from lostlink.errors import LostlinkError, RigError
    from lostlink.rigs import open_rig

    option = pytestconfig.getoption
    try:
        rig = open_rig(
            profile, where=option("--lostlink-rig"), receiver=option("--lostlink-receiver"),
            handset=option("--lostlink-handset"),
            baud=option("--lostlink-baud"), thorough=option("--lostlink-thorough"),
        )  # fmt: skip
    except RigError:
        raise
    except LostlinkError as error:
        raise pytest.UsageError(str(error)) from None
    try:
        yield rig
    finally:
        rig.close()
        if rig.drives_hardware:
            _after_hardware(pytestconfig, rig)


def _after_hardware(config: pytest.Config, rig: Rig) -> None:
    """Report the final state of a rig after a signal ended the run, and keep the signal's exit code."""
    from lostlink import safe_end

    if text := safe_end.statement(rig):
        config.stash[_STOPPED] = safe_end.exit_code_of()
        if (reporter := config.pluginmanager.get_plugin("terminalreporter")) is not None:
            reporter.write_line(f"lostlink: {text}")


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> Iterator[None]:
    """Return the exit code of the signal that ended a run on hardware, if one did."""
    yield
    session.exitstatus = session.config.stash.get(_STOPPED, session.exitstatus)


@pytest.fixture
def scenario(
    profile: Profile, rig: Rig, request: pytest.FixtureRequest, pytestconfig: pytest.Config
) -> ScenarioBuilder:
    """Build scenarios whose phases depend on the seed and the test's name."""
    from lostlink.scenarios import ScenarioBuilder

    return ScenarioBuilder(
        profile, pytestconfig.getoption("--lostlink-seed"), request.node.name, phase_stride=rig.phase_stride
    )


@pytest.fixture
def judge(rig: Rig, request: pytest.FixtureRequest, pytestconfig: pytest.Config) -> Iterator[Judge]:
    """Compare measurements with limits; the first one beyond its limit ends the test."""
    from lostlink.scenarios import ScenarioBuilder
    from lostlink.suite.answer import silence_of
    from lostlink.suite.judge import Judge

    required = required_by(request.node)
    if required is not None and required.id in rig.profile.requirements.waived:
        request.node.stash[WAIVED] = True
        pytest.skip("waived by the owner")
    asking = ScenarioBuilder(rig.profile, pytestconfig.getoption("--lostlink-seed"), f"{request.node.name} asks")
    commands = _commands(pytestconfig, request.node, required)
    share = pytestconfig.stash.get(SHARE, None)
    judge = Judge(required, rig, *commands, ask=lambda: silence_of(rig, asking), share=share)
    request.node.stash[JUDGE] = judge
    with judge.inspecting():
        yield judge
    if not judge.is_settled:
        request.node.stash[UNSETTLED] = judge
    del request.node.stash[JUDGE]


def _commands(config: pytest.Config, item: pytest.Item, required: Requirement | None) -> tuple[str, str]:
    """Return the commands that repeat this test, and the saved run of its finding (empty if it is not saved)."""
    given = (
        (name, config.getoption(f"--lostlink-{name}")) for name in ("profile", "receiver", "handset", "rig", "baud")
    )
    options = {name: _word(value) for name, value in given if value and value != _DEFAULT_RIG}
    profile = [options["profile"]] if "profile" in options else []
    short = [word for name, value in options.items() if name != "profile" for word in (f"--{name}", value)]
    seed = config.getoption("--lostlink-seed")
    evidence = config.stash.get(EVIDENCE, "")
    folder = f"{_word(evidence)}/failing" if evidence else config.getoption("--lostlink-evidence")
    replay = ""
    if folder and required is not None:
        link = [f"{_word(evidence)}/profile.toml"] if evidence else profile
        replay = shlex.join(["lostlink", "replay", f"{folder}/{required.id}.scenario.toml", *link, *short])
    if required is not None and item.path.resolve().parent == Path(__file__).resolve().parent / "suite":
        out = _folder_beside(evidence or "lostlink-evidence", required.id)
        words = ["lostlink", "prove", *profile, *short, "--seed", str(seed), "--only", required.id, "--out", out]
        return shlex.join(words), replay
    file = item.path.relative_to(Path.cwd()) if item.path.is_relative_to(Path.cwd()) else item.path
    node = f"{file}::{item.nodeid.partition('::')[2]}"  # the id of a test outside of pytest's root has no path
    words = ["pytest", node, *(f"--lostlink-{name}={value}" for name, value in options.items())]
    return shlex.join([*words, f"--lostlink-seed={seed}"]), replay


def _word(value: object) -> str:
    """Return a path or number for a command; one that begins with "-" would be an option."""
    return f"./{value}" if str(value).startswith("-") else str(value)


def _folder_beside(evidence: str, requirement_id: str) -> str:
    """Return a folder beside the evidence that does not exist: repeating a test replaces no other evidence."""
    from lostlink.files import free_path

    beside = evidence.rstrip("/\\")
    beside = "lostlink-evidence" if Path(beside).name in ("", ".", "..") else _word(beside)
    return str(free_path(Path(f"{beside}-{requirement_id}")))


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Any:
    """End a test as inconclusive if it judged nothing or left a doubt, as not tested if the rig cannot run it."""
    from lostlink.errors import CannotError

    try:
        result = yield
    except CannotError as error:
        pytest.skip(str(error))
    judge = pyfuncitem.stash.get(JUDGE, None)
    if required_by(pyfuncitem) is not None:
        if judge is None:
            from lostlink.suite.judge import InconclusiveError

            raise InconclusiveError("the test judged no measurement")
        judge.conclude()
    return result


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Any:
    """Attach the verdict; show a failure as its finding, without a traceback."""
    report: pytest.TestReport = yield
    required = required_by(item)
    if required is not None and report.when == "teardown":
        _judge_tear_down(item, call, report, required)
    if required is None or not decides(call.when, passed=report.passed):
        return report
    from lostlink.errors import RigError
    from lostlink.suite import judge as judging

    judge = item.stash.get(JUDGE, None)
    error = call.excinfo.value if call.excinfo else None
    if isinstance(error, RigError):
        item.config.stash[RIG_LOST] = str(error)
        item.session.shouldstop = f"connection to the rig lost: {error}"
        report.longrepr = str(error)
    verdict = judging.verdict_of(required, judge, error, waived=item.stash.get(WAIVED, False))
    item.user_properties.append((PROPERTY, json.dumps(verdict.as_dict(), ensure_ascii=False)))
    if judge is not None:
        if isinstance(error, judging.FINDINGS):
            report.longrepr = judge.explain(error)
        for found in judge.others:
            also = judging.verdict_on_other(judge, *found).as_dict(), judge.explain_other(*found)
            item.user_properties.append((ALSO, json.dumps(also, ensure_ascii=False)))
        if EVIDENCE in item.config.stash and (judge.flown.rows or judge.flown.left_out):
            item.user_properties.append((FLOWN, judge.flown.to_text()))
        _keep_runs(item.config, judge, error, verdict.outcome)
    report.user_properties = list(item.user_properties)
    return report


def _judge_tear_down(
    item: pytest.Item, call: pytest.CallInfo[None], report: pytest.TestReport, required: Requirement
) -> None:
    """Attach the verdict on a tear-down that judged something beyond its limit, or failed."""
    from lostlink.suite import judge as judging

    judge, error = item.stash.get(UNSETTLED, None), call.excinfo.value if call.excinfo else None
    if judge is None and error is None:
        return
    if judge is not None and not isinstance(error, judging.FINDINGS):
        error = judge.unsettled
    verdict = judging.verdict_of(required, judge, error)
    if judge is not None and isinstance(error, judging.FINDINGS):
        report.longrepr = judge.explain(error)
        _keep_runs(item.config, judge, error, verdict.outcome)
    report.outcome = "failed"
    report.user_properties.append((LATE, json.dumps(verdict.as_dict(), ensure_ascii=False)))


def _keep_runs(config: pytest.Config, judge: Judge, error: BaseException | None, outcome: Outcome) -> None:
    """Write the run that decided the requirement, and those that break others, each in a folder of this test."""
    from lostlink.suite import judge as judging

    runs, failing = config.getoption("--lostlink-runs"), config.getoption("--lostlink-evidence")
    kept = config.stash.setdefault(KEPT, {})
    own = judge.requirement.id
    with _write_errors_noted(config):
        if outcome.rank > kept.get(own, -1):  # of several tests of a requirement
            kept[own] = outcome.rank
            if runs:
                judge.keep(runs, error)
            if failing and isinstance(error, judging.FINDINGS) and not isinstance(error, judging.OthersBrokenError):
                judge.save(failing, error)
        for broken, trace in judge.others:
            judging.save_other(broken, trace, own, runs=runs, failing=failing)


@contextlib.contextmanager
def _write_errors_noted(config: pytest.Config) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        config.stash.setdefault(NOT_WRITTEN, error)


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Report which run could not be written."""
    error = config.stash.get(NOT_WRITTEN, None)
    if error is not None:
        terminalreporter.write_line(f"lostlink: evidence not complete: {error.filename}: {error.strerror}", red=True)
