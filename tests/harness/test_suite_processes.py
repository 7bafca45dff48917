"""Processes that share the tests of the suite: the same result, nothing lost, nothing left."""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from proving import prove

from lostlink.children import descendants
from lostlink.profiles import read_profile, write_profile
from lostlink.results import Result
from lostlink.rigs import SimRig, open_rig
from lostlink.suite import processes
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome
from lostlink_sims import Profile, ReferenceReceiver, Scenario, Trace

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
PAUSE = threading.Event()
SOME = ("CH-SENSE", "FS-FOREIGN", "FS-LONG", "FS-PRESET", "FS-SAYS")
LATE = """
from lostlink_sims import ReferenceReceiver

class Late(ReferenceReceiver):
    # Its flag is never set when the board is older than 15 s.

    def power_on(self, clock_us):
        super().power_on(clock_us)
        self.since_us, self.is_old = clock_us, False

    def pulses(self, clock_us):
        self.is_old = self.is_old or (clock_us - self.since_us) & 0xFFFFFFFF > 15_000_000
        return super().pulses(clock_us)

    @property
    def failsafe(self):
        return self._flag and not self.is_old

    @failsafe.setter
    def failsafe(self, value):
        self._flag = value
"""


def files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*.*") if path.suffix != ".xml"}


def counts_in(junit: Path) -> dict[str, int]:
    text = junit.read_text(encoding="utf-8")
    return {"tests": text.count("<testcase "), "failures": text.count("<failure ")}


def test_any_number_of_processes_gives_the_same_result(tmp_path: Path) -> None:
    """Also which run decided a requirement that runs of several tests break."""
    receiver = tmp_path / "late.py"
    receiver.write_text(LATE, encoding="utf-8")
    results: list[Result] = []
    for jobs in (1, 2, 3):
        results.append(
            prove(
                HERON,
                receiver=f"{receiver}:Late",
                only=SOME,
                evidence=tmp_path / str(jobs),
                evidence_name="ev",
                jobs=jobs,
            )
        )
        assert results[-1].verdicts == results[0].verdicts
        assert results[-1].findings == results[0].findings
        assert not results[-1].errors
        assert files(tmp_path / str(jobs)) == files(tmp_path / "1")
        assert counts_in(tmp_path / str(jobs) / "junit.xml") == counts_in(tmp_path / "1" / "junit.xml")
    others = [verdict for verdict in results[0].verdicts if verdict.reason.startswith("in a run of")]
    assert others, "the receiver breaks no requirement in the run of another"
    assert {f"runs/{verdict.requirement.id}.json" for verdict in others} <= set(files(tmp_path / "2"))


OLD = """
import time
from lostlink_sims import ReferenceReceiver

class Old(ReferenceReceiver):
    # When the board is older than 45 s, it does something that only some of the varied flights can show.

    def power_on(self, clock_us):
        super().power_on(clock_us)
        self.since_us = clock_us

    def pulses(self, clock_us):
        widths = super().pulses(clock_us)
        return self.old(widths) if (clock_us - self.since_us) & 0xFFFFFFFF > 45_000_000 else widths

class Sound(Old):
    def old(self, widths):
        return widths

class Rises(Old):
    def old(self, widths):
        return [1700 if self._flag and number == 2 else width for number, width in enumerate(widths)]

class Crashes(Old):
    def old(self, widths):
        raise RuntimeError("too old")

class Hangs(Old):
    def old(self, widths):
        time.sleep(1000)
"""


def varied(receiver: str | None, folder: Path, jobs: int) -> Result:
    """Prove some requirements, with 12 varied flights."""
    heron = read_profile(HERON)
    rig = open_rig(heron, receiver=receiver)
    rig.varied_stride = 25
    only = ("FS-VARIED", "CH-SENSE", "FS-JAM")
    return run_suite(heron, rig, only=only, evidence=folder / str(jobs), evidence_name="ev", jobs=jobs)


@pytest.mark.parametrize("name", ["Sound", "Rises", "Crashes", pytest.param("Hangs", marks=pytest.mark.long)])
def test_flights_of_one_test_in_several_processes_give_the_same_result(tmp_path: Path, name: str) -> None:
    """Also which flight is the first to fail, and how many were flown until then."""
    receiver = tmp_path / "old.py"
    receiver.write_text(OLD, encoding="utf-8")
    results = {jobs: varied(f"{receiver}:{name}", tmp_path, jobs) for jobs in (1, 2, 3)[:: 1 if name == "Sound" else 2]}
    for jobs, result in results.items():
        assert not result.errors
        assert result.verdicts == results[1].verdicts
        assert result.findings == results[1].findings
        assert files(tmp_path / str(jobs)) == files(tmp_path / "1")
        assert counts_in(tmp_path / str(jobs) / "junit.xml") == counts_in(tmp_path / "1" / "junit.xml")
    [verdict] = [verdict for verdict in results[1].verdicts if verdict.requirement.id == "FS-VARIED"]
    assert verdict.outcome is (Outcome.MET if name == "Sound" else Outcome.NOT_MET)
    assert verdict.runs == (12 if name == "Sound" else 3)  # the third, sixth and ninth
    assert verdict.varied is not None


def test_a_process_flies_most_runs_while_this_one_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs that another process made are taken, not made again."""
    made: list[str] = []

    def slow_run(rig: SimRig, scenario: Scenario) -> Trace:
        made.append(scenario.name)
        PAUSE.wait(0.5)
        return run(rig, scenario)

    run = SimRig.run
    monkeypatch.setattr(SimRig, "run", slow_run)
    result = varied(None, tmp_path, jobs=3)
    assert max(verdict.runs for verdict in result.verdicts) == 12
    assert sum("cause" in name for name in made) < 10


def test_a_receiver_without_a_name_is_tested_in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    class Mine(ReferenceReceiver):
        """A class that only this process has."""

    monkeypatch.setattr(processes, "_PROGRAM", "raise SystemExit('started')")
    result = run_suite(Profile(), SimRig(Profile(), Mine), only=["CH-SENSE"], jobs=2)
    assert [verdict.outcome for verdict in result.verdicts] == [Outcome.MET]


PROGRAMS: dict[str, str] = {
    "before it asks for a test": "import sys; sys.exit(3)",
    "in the middle of a line": "import sys; print('{\"rea', end='', flush=True); sys.exit(3)",
    "with a test": (
        "import os, sys\nprint('{\"ready\": true}', flush=True)\n"
        "for line in sys.stdin.buffer:\n    if b'test_' in line: os.kill(os.getpid(), 9)"  # after the pickle
    ),
}


DIES_IN_A_RUN = (
    "import os, pickle, sys\nread = sys.stdin.buffer\npickle.load(read)\nprint('{\"ready\": true}', flush=True)\n"
    "for line in read:\n    if b'test_' in line: os._exit(3)\n    read.read(int(line))\n"
    "    print('{\"run\": 900}\\nshort', flush=True)\n    os._exit(3)"
)


def test_a_process_that_dies_in_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """This process flies them: nothing is missing."""
    expected = varied(None, tmp_path, jobs=1)
    monkeypatch.setattr(processes, "_PROGRAM", DIES_IN_A_RUN)
    monkeypatch.setattr(processes.Processes, "_next", first_here(processes.Processes._next))
    started = descendants(os.getpid())
    result = varied(None, tmp_path, jobs=3)
    assert (result.errors, result.verdicts) == ([], expected.verdicts)
    assert files(tmp_path / "3") == files(tmp_path / "1")
    assert descendants(os.getpid()) <= started


def first_here(take: Callable[[processes.Processes], Any]) -> Callable[[processes.Processes], Any]:
    """Let only the main thread take tests, so that others are left with runs."""

    def taken(tests: processes.Processes) -> Any:
        return take(tests) if threading.current_thread() is threading.main_thread() else None

    return taken


@pytest.mark.parametrize("when", PROGRAMS)
def test_a_process_that_dies(monkeypatch: pytest.MonkeyPatch, when: str) -> None:
    """A test that it took with it is missing, so nothing is proven; without one the others did everything."""
    monkeypatch.setattr(processes, "_PROGRAM", PROGRAMS[when])
    started = descendants(os.getpid())
    result = prove(HERON, only=["CH-SENSE", "CH-ENDS", "FS-VARIED", "FS-CUT"], jobs=2)
    if when == "with a test":
        assert "a process of the suite died; is there enough memory?" in result.errors
        assert "1 of 4 tests did not complete" in result.errors
        assert (len(result.verdicts), result.exit_code) == (3, 2)
    else:
        assert (result.errors, len(result.verdicts), result.exit_code) == ([], 4, 0)
    assert descendants(os.getpid()) <= started


def test_what_is_not_tested_or_waived(tmp_path: Path) -> None:
    """A skipped test of another process is reported as here."""
    heron = read_profile(HERON)
    requirements = dataclasses.replace(heron.requirements, waived=("FS-VARIED", "CH-ENDS"))
    handset = dataclasses.replace(heron.handset, packet_counter=False)
    text = write_profile(dataclasses.replace(heron, handset=handset, requirements=requirements))
    (tmp_path / "waived.toml").write_text(text, encoding="utf-8")
    wanted = ("FS-VARIED", "FS-STALE", "CH-ENDS", "CH-SENSE", "FR-COUNT", "FR-SYNC")
    one, two = (prove(tmp_path / "waived.toml", only=wanted, evidence=tmp_path / str(n), jobs=n) for n in (1, 2))
    assert not two.errors
    assert [(verdict.requirement.id, verdict.outcome) for verdict in two.verdicts] == [
        (verdict.requirement.id, verdict.outcome) for verdict in one.verdicts
    ]
    assert {Outcome.WAIVED, Outcome.NOT_TESTED, Outcome.MET} == {verdict.outcome for verdict in two.verdicts}


def test_nothing_of_a_run_is_left_for_the_next(tmp_path: Path) -> None:
    """A receiver's globals are new in each run, so that it does not matter which runs a process made before."""
    receiver = tmp_path / "counts.py"
    receiver.write_text(
        "from lostlink_sims import ReferenceReceiver\n\nBOOTS = 0\n\n\nclass Counts(ReferenceReceiver):\n"
        "    def power_on(self, clock_us):\n        global BOOTS\n        BOOTS += 1\n"
        "        super().power_on(clock_us)\n\n"
        "    def pulses(self, clock_us):\n        widths = list(super().pulses(clock_us))\n"
        "        return [1800] * 8 if BOOTS > 1 else widths\n",
        encoding="utf-8",
    )
    result = prove(HERON, receiver=f"{receiver}:Counts", only=["CH-SENSE", "FS-CUT", "PW-RESET"])
    outcomes = {verdict.requirement.id: verdict.outcome for verdict in result.verdicts}
    # Before its first packet after the reset the other channels are not at their failsafe values either.
    assert outcomes == {
        "CH-SENSE": Outcome.MET, "FS-CUT": Outcome.MET, "PW-RESET": Outcome.NOT_MET, "FS-PRESET": Outcome.NOT_MET,
    }  # fmt: skip


def test_a_file_that_cannot_be_collected_stops_the_run(tmp_path: Path) -> None:
    for jobs in (1, 2):
        tests = tmp_path / f"test_broken_{jobs}.py"
        tests.write_text("def broken(:\n", encoding="utf-8")
        result = prove(HERON, only=["CH-SENSE", "CH-ENDS"], tests=[tests], jobs=jobs)
        assert (result.verdicts, result.exit_code) == ([], 2)


def start(out: Path, only: Sequence[str] = ()) -> subprocess.Popen[str]:
    words = ["prove", str(HERON), "--quiet", "--jobs", "2", "--out", str(out)]
    words += ["--only", ",".join(only)] if only else []
    return subprocess.Popen(
        [sys.executable, "-m", "lostlink", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def await_runs(out: Path, process: subprocess.Popen[str], number: int = 12) -> set[int]:
    """Wait until so many runs are written, 12 by both processes, and return the descendants of the first."""
    runs = out.with_name(f"{out.name}.unfinished") / "runs"
    begun_s = time.monotonic()
    while len(list(runs.glob("*.json"))) < number and process.poll() is None and time.monotonic() - begun_s < 60:
        PAUSE.wait(0.02)
    return descendants(process.pid)


def are_gone(pids: set[int]) -> bool:
    for _ in range(200):
        if not any(Path(f"/proc/{pid}").exists() for pid in pids):
            return True
        PAUSE.wait(0.05)
    return False


@pytest.mark.skipif(sys.platform != "linux", reason="needs /proc")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_signal_leaves_no_process_and_keeps_what_was_judged(tmp_path: Path, number: int) -> None:
    out = tmp_path / "ev"
    process = start(out)
    pids = await_runs(out, process)
    assert pids, process.communicate()
    process.send_signal(number)
    process.communicate(timeout=60)
    assert are_gone(pids)
    if number == signal.SIGKILL:
        assert not out.exists()
        return
    assert process.returncode == 143
    document: dict[str, Any] = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    judged = {verdict["id"] for verdict in document["verdicts"]}
    assert document["exit_code"] == 143
    assert 10 <= len(judged) < 50
    assert {path.stem for path in (out / "runs").glob("*.json")} <= judged


@pytest.mark.skipif(sys.platform != "linux", reason="needs /proc")
def test_a_signal_in_flights_of_several_processes_keeps_what_was_judged(tmp_path: Path) -> None:
    out = tmp_path / "ev"
    process = start(out, ("CH-SENSE", "FS-CUT", "FS-VARIED"))
    pids = await_runs(out, process, 2)
    PAUSE.wait(1)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=60)
    assert are_gone(pids)
    document: dict[str, Any] = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    judged = {verdict["id"] for verdict in document["verdicts"]}
    assert judged  # on a busy machine another process's verdict may not have arrived
    assert judged <= {"FS-CUT", "CH-SENSE"}
    assert document["exit_code"] == process.returncode == 143
    assert {path.stem for path in (out / "runs").glob("*.json")} == judged
