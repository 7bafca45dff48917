"""The suite and the fixtures in plain pytest, as a user's own tests meet them."""

from __future__ import annotations

import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"


def run_pytest(folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    env = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *map(str, words)]
    return subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=180, env=env, check=False, encoding="utf-8"
    )


def run_here(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: object
) -> tuple[int, str]:
    """Run pytest in this process; return its exit code and what it said."""
    monkeypatch.chdir(folder)
    code = pytest.main(["-p", "no:cacheprovider", *map(str, words)])
    return int(code), "".join(capsys.readouterr())


def test_suite_as_plain_pytest(tmp_path: Path) -> None:
    """``--pyargs lostlink.suite`` with a profile, a choice of tests, a parallel run and junit output."""
    junit = tmp_path / "junit.xml"
    run = run_pytest(
        tmp_path, "--pyargs", "lostlink.suite", f"--lostlink-profile={HERON}", "-n", 2, "-k", "cut or wrap",
        f"--junitxml={junit}", "-W", "error",
    )  # fmt: skip
    assert run.returncode == 0, run.stdout
    properties = ET.parse(junit).getroot().findall(".//property")
    assert properties
    assert all(item.get("name") == "lostlink" for item in properties)


def test_first_failure_ends_the_run(tmp_path: Path) -> None:
    """``-x`` works, and a failure shows its explanation instead of a traceback."""
    run = run_pytest(
        tmp_path, "--pyargs", "lostlink.suite", f"--lostlink-profile={HERON}",
        f"--lostlink-receiver={ZOO}:HoldsForEver", "-x", "-k", "link_loss", "-q",
    )  # fmt: skip
    assert run.returncode == 1
    assert "1 failed" in run.stdout
    assert "measured  time from link loss to throttle cut: more than" in run.stdout
    assert f"lostlink prove {HERON} --receiver {ZOO}:HoldsForEver --seed 1 --only" in run.stdout
    assert "Traceback" not in run.stdout


def test_users_own_tests(tmp_path: Path) -> None:
    """The fixtures are there without any conftest; a test without a measurement does not pass."""
    (tmp_path / "test_mine.py").write_text(
        "from lostlink.measure import failsafe\n"
        "from lostlink.requirements import requirement\n"
        "from lostlink_sims.scenario import LinkCut\n"
        "def test_plain(profile, rig, scenario):\n"
        "    assert profile.name == 'heron'\n"
        "    trace = rig.run(scenario.blank(duration_us=100_000))\n"
        "    assert trace.summary.packets > 10\n"
        "@requirement('MY-1', 'major', 'It is cut.')\n"
        "def test_mine(rig, scenario, judge):\n"
        "    for flight in scenario.flights(2):\n"
        "        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))\n"
        "        judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=550_000)\n"
        "@requirement('MY-2', 'major', 'Nothing is looked at.')\n"
        "def test_nothing(judge):\n"
        "    pass\n",
        encoding="utf-8",
    )
    run = run_pytest(tmp_path, "--strict-markers", "-q", f"--lostlink-profile={HERON}")
    assert "2 passed" in run.stdout
    assert "1 failed" in run.stdout
    assert "the test judged no measurement" in run.stdout
    assert "pytest test_mine.py::test_nothing" in run.stdout


@pytest.mark.parametrize(
    ("option", "part"),
    [
        ("--lostlink-profile=nowhere.toml", "there is no such file"),
        ("--lostlink-receiver=nowhere.py:X", "there is no file"),
        ("--lostlink-seed=-4", "allowed: 0 to"),
    ],
)
def test_bad_options(
    option: str, part: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bad option is told in words."""
    code, said = run_here(tmp_path, capsys, monkeypatch, "--pyargs", "lostlink.suite", option, "-x", "-q")
    assert code != 0
    assert part in said


def test_a_mistyped_waiver_is_refused_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    profile = tmp_path / "link.toml"
    profile.write_text('[requirements]\nwaived = ["FS-CTU"]\n', encoding="utf-8")
    words = ("--pyargs", "lostlink.suite", f"--lostlink-profile={profile}", "-q")
    code, said = run_here(tmp_path, capsys, monkeypatch, *words)
    assert code == pytest.ExitCode.USAGE_ERROR
    assert said.count("no requirement 'FS-CTU'; did you mean 'FS-CUT'?") == 1
    assert "Traceback" not in said


def test_plugin_leaves_other_tests_alone(tmp_path: Path) -> None:
    """A user's folder with packages of common names, and tests that have nothing to do with links."""
    for name in ("harness", "sims", "rigs"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "test_other.py").write_text("def test_sum():\n    assert 1 + 1 == 2\n", encoding="utf-8")
    run = run_pytest(tmp_path, "-q", "--strict-markers", "-W", "error")
    assert run.returncode == 0, run.stdout + run.stderr
