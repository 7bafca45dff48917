"""``lostlink campaign``: the same result whoever flies, bounds and worst trials, stopped and gone on with."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from lostlink.campaigns.campaign import Campaign
from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.tally import Tally, criteria_of
from lostlink.campaigns.trials import ONE_BY_ONE, SIDE_BY_SIDE, TRIALS_PER_JOB, TrialRange, engine_for, fly
from lostlink.cli import main
from lostlink.errors import ProfileError
from lostlink.profiles import read_profile, read_scenario
from lostlink.rigs import open_rig
from lostlink.verdicts import Side
from lostlink_sims import Profile

HERON = Path("fixtures/profiles/heron.toml")
PLAIN_REFERENCE = "from lostlink_sims.receiver import ReferenceReceiver\nclass Mine(ReferenceReceiver): pass\n"
FORGETS = '''
from lostlink_sims.receiver import ReferenceReceiver
class Mine(ReferenceReceiver):
    """Forgets its timeout when the last packet came at certain clocks."""
    def _judge_silence(self, clock_us):
        if self._heard_us & 0xFFFF >= 6000:
            super()._judge_silence(clock_us)
'''
CRASHES = """
from lostlink_sims.receiver import ReferenceReceiver
class Mine(ReferenceReceiver):
    def _step(self, event):
        super()._step(event)
        if self.failsafe and self._heard_us & 0x1000:
            raise RuntimeError("division by zero, say")
"""


SMALL_JOBS = """
import sys
from lostlink.campaigns.trials import SIDE_BY_SIDE, TRIALS_PER_JOB
from lostlink.cli import main
TRIALS_PER_JOB[SIDE_BY_SIDE] = int(sys.argv.pop(1))
main()
"""
"""The command, with another number of trials in each job."""


@pytest.fixture
def of_256(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a job have 256 trials, so that some hundred trials are several jobs."""
    monkeypatch.setitem(TRIALS_PER_JOB, SIDE_BY_SIDE, 256)


def campaign(*words: object) -> Result:
    return CliRunner().invoke(main, ["campaign", *map(str, words)])


def told(folder: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((folder / "campaign.json").read_text(encoding="utf-8"))
    return data


def receiver(folder: Path, text: str) -> str:
    path = folder / "mine.py"
    path.write_text(text, encoding="utf-8")
    return f"{path}:Mine"


# --- the same, whoever flies -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "heron",
        "plover",
        "bittern",
        pytest.param("wren", marks=pytest.mark.long),
        pytest.param("lapwing", marks=pytest.mark.long),
    ],
)
def test_side_by_side_is_one_by_one(name: str, tmp_path: Path, long: bool) -> None:
    """Every count, time and worst trial of 20 trials of three links; ``--long``: of 60 trials of five links."""
    lot = flight_trials(read_profile(f"fixtures/profiles/{name}.toml"), seed=4)
    mine = receiver(tmp_path, PLAIN_REFERENCE)
    assert engine_for(lot, None)[0] == SIDE_BY_SIDE
    assert engine_for(lot, mine)[0] == ONE_BY_ONE
    trials = 60 if long else 20
    assert fly(TrialRange(lot, None, 37, trials)).as_dict() == fly(TrialRange(lot, mine, 37, trials)).as_dict()


def test_parts_merge_to_the_whole() -> None:
    lot = flight_trials(Profile(), seed=9)
    parts = [fly(TrialRange(lot, None, first, 50)) for first in (0, 50, 100)]
    assert Tally.merged(parts).as_dict() == fly(TrialRange(lot, None, 0, 150)).as_dict()
    assert (
        Tally.from_dict(json.loads(json.dumps(parts[1].as_dict())), criteria_of({Side.RECEIVER})).as_dict()
        == parts[1].as_dict()
    )


@pytest.mark.usefixtures("of_256")
@pytest.mark.parametrize("workers", [("--jobs", 2), ("--cluster", "local:1")])
def test_workers_do_not_matter(workers: tuple[str, object], tmp_path: Path) -> None:
    if workers[0] == "--cluster":
        pytest.importorskip("distributed")
    words = (HERON, "--trials", 600, "--quiet")  # three jobs
    alone, together = tmp_path / "alone", tmp_path / "together"
    assert campaign(*words, "--jobs", 1, "--out", alone).exit_code == 0
    assert campaign(*words, *workers, "--out", together).exit_code == 0
    for name in ("campaign.json", "tallies.jsonl"):
        assert (alone / name).read_bytes() == (together / name).read_bytes()


def begin(folder: Path, *words: object, trials: int = 150_000) -> subprocess.Popen[str]:
    """Start a campaign that takes some seconds, in jobs of 1024 trials, and wait for its first result."""
    command = [sys.executable, "-c", SMALL_JOBS, "1024", "campaign", str(HERON), "--trials", str(trials), "--quiet"]
    command += ["--out", str(folder), *map(str, words)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    journal, until_s = folder.with_name(f"{folder.name}.unfinished") / "tallies.jsonl", time.monotonic() + 60
    while not (journal.is_file() and journal.stat().st_size):
        assert running.poll() is None, running.communicate()
        assert time.monotonic() < until_s
        time.sleep(0.01)  # noqa: TID251  leave the processor to the workers
    return running


def children(pid: int) -> list[int]:
    """Return the worker processes of a process, as the system's process table has them."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            if entry.name.isdigit() and parent == pid and b"spawn_main" in (entry / "cmdline").read_bytes():
                found.append(int(entry.name))
        except (OSError, IndexError, ValueError):
            continue
    return found


needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").is_file(), reason="no process table in /proc here")


@needs_proc
def test_a_killed_worker_does_not_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trials = 8 * 1024  # each worker has several jobs ahead of it when the first result is there
    running = begin(tmp_path / "killed", "--jobs", 2, trials=trials)
    os.kill(children(running.pid)[0], signal.SIGKILL)
    _, errors = running.communicate(timeout=120)
    assert running.returncode == 0, errors
    assert "Traceback" not in errors
    assert told(tmp_path / "killed")["trials"] == trials
    monkeypatch.setitem(TRIALS_PER_JOB, SIDE_BY_SIDE, 1024)
    assert campaign(HERON, "--trials", trials, "--quiet", "--jobs", 1, "--out", tmp_path / "calm").exit_code == 0
    assert (tmp_path / "killed" / "campaign.json").read_bytes() == (tmp_path / "calm" / "campaign.json").read_bytes()


@needs_proc
def test_interrupted_and_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C keeps what was flown; --resume flies the rest, also after a line that was cut off."""
    running = begin(tmp_path, "--jobs", 2)
    running.send_signal(signal.SIGINT)
    out, errors = running.communicate(timeout=60)
    assert running.returncode == 130, errors
    assert "Interrupted after" in out
    assert "Traceback" not in errors
    assert not children(running.pid)
    first = told(tmp_path)["trials"]
    assert 0 < first < 150_000
    with (tmp_path / "tallies.jsonl").open("a", encoding="utf-8") as journal:
        journal.write('{"trials": 81')
    monkeypatch.setitem(TRIALS_PER_JOB, SIDE_BY_SIDE, 1024)
    words = (HERON, "--trials", first + 1024, "--quiet", "--jobs", 1, "--out")
    assert campaign(*words, tmp_path, "--resume").exit_code == 0
    assert campaign(*words, tmp_path / "at once").exit_code == 0
    for name in ("campaign.json", "tallies.jsonl"):
        assert (tmp_path / name).read_bytes() == (tmp_path / "at once" / name).read_bytes()


@pytest.mark.usefixtures("of_256")
def test_ctrl_c_between_a_count_and_its_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The journal never holds fewer trials than the evidence says."""

    def stopped(self: Campaign, tally: Tally) -> None:
        add(self, tally)
        raise KeyboardInterrupt

    add = Campaign.add
    words = (HERON, "--trials", 300, "--quiet", "--jobs", 1, "--out", tmp_path / "out")
    with monkeypatch.context() as patch:
        patch.setattr(Campaign, "add", stopped)
        assert campaign(*words).exit_code == 130
    assert told(tmp_path / "out")["trials"] == 256
    done = campaign(*words, "--resume")
    assert done.exit_code == 0, done.output
    assert told(tmp_path / "out")["trials"] == 300


# --- what is found ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Fly a campaign of the reference receiver, once for several tests."""
    out = tmp_path_factory.mktemp("sound") / "out"
    return out, campaign(HERON, "--trials", 600, "--seed", 5, "--out", out)


def test_a_sound_receiver(sound: tuple[Path, Result]) -> None:
    out, done = sound
    assert done.exit_code == 0, done.output
    assert "below 0.005 at 95 % confidence (one-sided)" in done.output
    assert "is safe to fly" in done.output  # the caution, which says that nothing is said about it
    found = {one["id"]: one for one in told(out)["requirements"]}
    assert set(found) == {criterion.id for criterion in criteria_of({Side.RECEIVER})}
    cut = found["FS-CUT"]
    assert (cut["judged"], cut["failures"]) == (600, 0)
    assert cut["upper_bound"] == pytest.approx(1 - 0.05 ** (1 / 600))
    assert cut["worst"][0]["value_us"] == max(cut["times"]["values_us"]) <= cut["limit_us"]
    verdicts = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    assert {one["outcome"] for one in verdicts["verdicts"]} == {"met"}


def test_the_worst_trials_are_those_of_the_event_simulation(sound: tuple[Path, Result]) -> None:
    from lostlink.measure import failsafe

    out, _ = sound
    profile = read_profile(HERON)
    worst = next(one for one in told(out)["requirements"] if one["id"] == "FS-CUT")["worst"]
    assert len(worst) == 5
    for one in worst:
        scenario = read_scenario(str(out / one["scenario"]), profile)
        assert (scenario.seed, scenario.trial) == (5, one["trial"])
        cut = failsafe.time_to_cut(open_rig(profile).run(scenario), scenario.faults[0].at_us)
        assert cut.value == one["value_us"]


def test_a_receiver_that_forgets(tmp_path: Path) -> None:
    """Failures are counted, named, and replayed by the command that is shown."""
    mine = receiver(tmp_path, FORGETS)
    done = campaign(HERON, "--receiver", mine, "--trials", 100, "--jobs", 1, "--out", tmp_path / "out")
    assert done.exit_code == 1
    cut = next(one for one in told(tmp_path / "out")["requirements"] if one["id"] == "FS-CUT")
    # About 6000 of 65536 clocks, in steps of a packet; five standard errors.
    assert abs(cut["failures"] - 100 * 6000 / 65536) < 5 * (100 * 0.0916 * 0.9084) ** 0.5
    assert cut["worst"][0].get("value_us") is None  # never
    line = next(line for line in done.output.splitlines() if "worst of FS-CUT" in line)
    replayed = CliRunner().invoke(main, line.partition("lostlink ")[2].split())
    assert replayed.exit_code == 0
    assert "motors" in replayed.output


def test_a_receiver_that_crashes(tmp_path: Path) -> None:
    mine = receiver(tmp_path, CRASHES)
    done = campaign(HERON, "--receiver", mine, "--trials", 60, "--jobs", 1, "--out", tmp_path / "out")
    assert done.exit_code == 1
    data = told(tmp_path / "out")
    assert data["crashes"] > 0
    assert data["requirements"][0]["failures"] == data["crashes"]


# --- claims ----------------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("of_256")
def test_a_claim_is_shown(tmp_path: Path) -> None:
    """0 failures in 2995 trials show p < 0.1 % at 95 % (Hanley & Lippman-Hand, JAMA 249:1743, 1983)."""
    done = campaign(HERON, "--until", "p < 1e-3 at 95 %", "--quiet", "--jobs", 1, "--out", tmp_path)
    assert done.exit_code == 0
    assert "shown after 2 995 trials" in done.output


@pytest.mark.parametrize("rule", [pytest.param((), marks=pytest.mark.long), ("--sequential",)])
def test_a_claim_is_refuted_at_the_same_trial_whoever_flies(rule: tuple[str, ...], tmp_path: Path) -> None:
    """By Wald's rule, which can answer after each trial; ``--long``: also by a number of trials that is planned."""
    mine = receiver(tmp_path, FORGETS)
    said = []
    for jobs in (1, 2):
        words = ("--receiver", mine, "--until", "p < 1 % at 95 %", *rule, "--jobs", jobs)
        done = campaign(HERON, *words, "--quiet", "--out", tmp_path / f"{jobs}")
        assert done.exit_code == 1
        said.append(done.output)
    assert said[0] == said[1]
    assert "refuted after" in said[0]


@pytest.mark.parametrize(
    ("claim", "words", "code"), [("p < 0.4 at 95 %", ("--sequential",), 0), ("p < 0.1 at 99 %", ("--trials", 64), 4)]
)
def test_evidence_of_a_claim_with_failures_is_read(
    claim: str, words: tuple[object, ...], code: int, tmp_path: Path
) -> None:
    """The answer to the claim decides the exit code, not each failure; the report and a comparison are made."""
    mine, out = receiver(tmp_path, FORGETS), tmp_path / "out"
    done = campaign(HERON, "--receiver", mine, "--until", claim, *words, "--quiet", "--jobs", 1, "--out", out)
    assert done.exit_code == code, done.output
    assert "not met" in (out / "summary.md").read_text(encoding="utf-8")
    assert (out / "report.html").is_file()
    assert CliRunner().invoke(main, ["compare", str(out), str(out)]).exit_code in (0, 1)


def test_a_claim_that_trials_cannot_reach(tmp_path: Path) -> None:
    done = campaign(HERON, "--until", "p < 1e-3 at 95 %", "--trials", 500, "--quiet", "--out", tmp_path)
    assert done.exit_code == 4
    assert "undecided" in done.output


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--until", "often"), "is not a claim"),
        (("--sequential",), "the claim is missing"),
        (("--about", "FS-CUT"), "the claim is missing"),
        (("--until", "p < 1 % at 90 %", "--about", "FS-CUTE"), "campaigns do not test this"),
        (("--duration", "1 s"), "too short"),
        (("--duration", "3 h"), "allowed"),
        (("--confidence", "20 %"), "out of range"),
        (("--confidence", "much"), "--confidence"),
        (("--receiver", "nobody.py:Mine"), "no file"),
        (("--resume",), "holds no campaign"),
        (("--jobs", 2, "--cluster", "local:2"), "one of the two options"),
    ],
)
def test_bad_words(words: tuple[object, ...], said: str, tmp_path: Path) -> None:
    done = campaign(HERON, *words, "--out", tmp_path / "out")
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert "Traceback" not in done.output


def test_another_campaign_is_not_gone_on_with(tmp_path: Path) -> None:
    assert campaign(HERON, "--trials", 100, "--quiet", "--out", tmp_path).exit_code == 0
    other = campaign(HERON, "--trials", 100, "--seed", 2, "--out", tmp_path, "--resume")
    assert other.exit_code == 2
    assert "has a different" in other.output
    (tmp_path / "tallies.jsonl").write_text("nonsense\n", encoding="utf-8")
    spoiled = campaign(HERON, "--trials", 200, "--out", tmp_path, "--resume")
    assert spoiled.exit_code == 2
    assert "tallies.jsonl:1" in spoiled.output


def test_a_trial_must_have_room_for_a_flight() -> None:
    with pytest.raises(ProfileError, match="too short to take off"):
        flight_trials(Profile(), seed=1, duration_us=900_000)
