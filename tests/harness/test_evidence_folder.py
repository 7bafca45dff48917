"""Nothing is lost: evidence takes its place when it is complete, and no output replaces what is not meant."""

from __future__ import annotations

import json
import os
import resource
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from filelock import FileLock

from lostlink.campaigns.jobs import run_jobs
from lostlink.campaigns.trials import SIDE_BY_SIDE, TRIALS_PER_JOB
from lostlink.campaigns.workers import WorkersError
from lostlink.cli import main
from lostlink.errors import UsageError
from lostlink.evidence.folder import EvidenceFolder
from lostlink.files import OutputFile, write_whole

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"
HOLDS = ("--receiver", f"{ZOO}:HoldsForEver")


def lostlink(*words: object) -> Any:
    return CliRunner().invoke(main, [str(word) for word in words])


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "lostlink", *map(str, words)]


def proven(folder: Path) -> bytes:
    """Write evidence, and return its document."""
    assert lostlink("prove", HERON, "--only", "FS-CUT", "--quiet", "--out", folder).exit_code == 0
    return (folder / "verdicts.json").read_bytes()


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], bytes]:
    """Lay evidence into a folder that is not there yet, and return its document."""
    once = tmp_path_factory.mktemp("earlier") / "ev"
    document = proven(once)

    def laid(folder: Path) -> bytes:
        shutil.copytree(once, folder)
        return document

    return laid


def content(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def wait_until(holds: Callable[[], bool], running: subprocess.Popen[str]) -> None:
    until_s = time.monotonic() + 60
    while not holds():
        assert running.poll() is None, running.communicate()
        assert time.monotonic() < until_s
        time.sleep(0.005)  # noqa: TID251  leave the processor to the program


# --- a run takes its place when it is complete -----------------------------------------------------------------------


def test_a_killed_run_leaves_the_earlier_evidence(tmp_path: Path, earlier: Callable[[Path], bytes]) -> None:
    before = earlier(tmp_path / "ev")
    words = command("prove", HERON, "--out", tmp_path / "ev", *HOLDS)
    with subprocess.Popen(words, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        wait_until((tmp_path / "ev.unfinished" / "runs").exists, running)
        running.send_signal(signal.SIGKILL)
    assert (tmp_path / "ev" / "verdicts.json").read_bytes() == before
    told = json.loads((tmp_path / "ev.unfinished" / "verdicts.json").read_text(encoding="utf-8"))
    assert told["exit_code"] == 130
    proven(tmp_path / "ev")  # the next run is not in its way
    assert {path.name for path in tmp_path.iterdir()} == {"ev"}


@pytest.mark.parametrize("place", ["beside", "current folder", "no exchange"])
@pytest.mark.parametrize("code", [0, 130])
def test_ctrl_c_while_evidence_takes_its_place(
    place: str, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, earlier: Callable[[Path], bytes]
) -> None:
    """At each step on the file system; it ends nothing, and neither the new evidence nor a complete earlier is lost."""
    target = tmp_path / "ev"
    before = earlier(target)
    (target / "mine.txt").write_text("mine", encoding="utf-8")
    if place == "current folder":
        monkeypatch.chdir(target)
    elif place == "no exchange":
        monkeypatch.setattr("lostlink.evidence.folder._exchanged", lambda *_: False)
    steps = 0

    def with_signal(method: Any) -> Any:
        def step(*words: Any, **more: Any) -> Any:
            nonlocal steps
            steps += 1
            os.kill(os.getpid(), signal.SIGINT)
            return method(*words, **more)

        return step

    with EvidenceFolder(target) as folder:
        (folder.path / "verdicts.json").write_text(json.dumps({**json.loads(before), "exit_code": code}))
        with monkeypatch.context() as patch:
            for name in ("rename", "replace", "unlink", "mkdir"):
                patch.setattr(Path, name, with_signal(getattr(Path, name)))
            patch.setattr(os, "link", with_signal(os.link))
            folder.complete()
    assert steps > 0
    assert json.loads((target / "verdicts.json").read_bytes())["exit_code"] == code
    assert (target / "mine.txt").read_text(encoding="utf-8") == "mine"
    if code:
        assert folder.kept is not None
        assert (folder.kept / "verdicts.json").read_bytes() == before
    assert not list(tmp_path.glob("**/*unfinished*"))


def test_ctrl_c_after_the_conclusion_keeps_the_evidence(tmp_path: Path) -> None:
    """In simulation too; the conclusion was shown, so it is on the disk as well."""
    command_line = command("prove", HERON, "--only", "FS-CUT", "--quiet", "--out", tmp_path / "ev")
    with subprocess.Popen(command_line, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stdout.readline().startswith("The failsafe")
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=60)
    assert json.loads((tmp_path / "ev" / "verdicts.json").read_bytes())["exit_code"] == 0


@pytest.mark.parametrize("place", ["beside", "current folder", "no exchange"])
def test_an_interrupted_run_keeps_the_evidence_of_a_complete_one(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, earlier: Callable[[Path], bytes]
) -> None:
    """Beside the new evidence, each under a name of its own; evidence of an interrupted run is replaced."""
    target = tmp_path / "ev"
    before = earlier(target)
    (target / "mine.txt").write_text("mine", encoding="utf-8")
    stopped = {**json.loads(before), "exit_code": 130}
    if place == "current folder":
        monkeypatch.chdir(target)
    elif place == "no exchange":
        monkeypatch.setattr("lostlink.evidence.folder._exchanged", lambda *_: False)
    kept = [
        target / name if place == "current folder" else tmp_path / f"ev.{name}" for name in ("earlier", "earlier-2")
    ]

    def interrupted() -> Path | None:
        with EvidenceFolder(target) as folder:
            (folder.path / "verdicts.json").write_text(json.dumps(stopped), encoding="utf-8")
            folder.complete()
            return folder.kept

    assert interrupted() == kept[0]
    assert (kept[0] / "verdicts.json").read_bytes() == before
    assert (kept[0] / "runs").is_dir()
    assert json.loads((target / "verdicts.json").read_bytes()) == stopped
    assert (target / "mine.txt").read_text(encoding="utf-8") == "mine"
    assert interrupted() is None  # over an interrupted run
    assert proven(target) != json.dumps(stopped).encode()
    assert interrupted() == kept[1]
    assert (kept[0] / "verdicts.json").read_bytes() == before
    assert (target / "mine.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    "words",
    [
        ("prove", HERON, "--only", "FS-CAT"),
        ("prove", HERON, "--receiver", "nowhere.py:It"),
        ("prove", "nowhere.toml"),
        ("campaign", HERON, "--trials", 100_000, "--cluster", "tcp://127.0.0.1:9"),
        ("campaign", HERON, "--until", "p < 2"),
    ],
)
def test_refused_input_touches_nothing(
    tmp_path: Path, words: tuple[object, ...], earlier: Callable[[Path], bytes]
) -> None:
    earlier(tmp_path / "ev")
    before = content(tmp_path)
    assert lostlink(*words, "--out", tmp_path / "ev").exit_code == 2
    assert content(tmp_path) == before


def test_files_of_the_user_are_kept_and_links_are_not_followed(tmp_path: Path) -> None:
    out, elsewhere = tmp_path / "ev", tmp_path / "elsewhere"
    assert lostlink("prove", HERON, *HOLDS, "--only", "FS-CUT,FS-JAM", "--out", out).exit_code == 1
    elsewhere.mkdir()
    (elsewhere / "FS-CUT.json").write_text("mine", encoding="utf-8")
    (out / "failing" / "FS-CUT.md").write_text("my note", encoding="utf-8")
    (out / "notes").mkdir()
    (out / "notes" / "scope.png").write_bytes(b"picture")
    (out / "link").symlink_to(elsewhere)
    for path in (out / "runs").iterdir():
        path.unlink()
    (out / "runs").rmdir()
    (out / "runs").symlink_to(elsewhere)
    assert lostlink("prove", HERON, "--only", "FS-CUT", "--out", out).exit_code == 0
    assert (elsewhere / "FS-CUT.json").read_text(encoding="utf-8") == "mine"
    assert (out / "failing" / "FS-CUT.md").read_text(encoding="utf-8") == "my note"
    assert not (out / "failing" / "FS-CUT.txt").exists()
    assert (out / "notes" / "scope.png").read_bytes() == b"picture"
    assert (out / "link").is_symlink()
    assert not (out / "runs").is_symlink()
    assert (out / "runs" / "FS-CUT.json").stat().st_size > 100


def test_a_second_run_into_a_folder_is_refused(tmp_path: Path, earlier: Callable[[Path], bytes]) -> None:
    earlier(tmp_path / "ev")
    before = content(tmp_path / "ev")
    with FileLock(tmp_path / "ev.unfinished.lock"):
        run = lostlink("prove", HERON, "--only", "FS-CUT", "--out", tmp_path / "ev")
    assert run.exit_code == 2
    assert "another run writes its evidence there" in run.output
    assert content(tmp_path / "ev") == before


def test_a_folder_that_holds_an_input_is_refused(tmp_path: Path, earlier: Callable[[Path], bytes]) -> None:
    """A profile that was edited in an evidence folder is kept."""
    earlier(tmp_path / "ev")
    profile = tmp_path / "ev" / "profile.toml"
    profile.write_text(profile.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    before = content(tmp_path)
    run = lostlink("prove", profile, "--only", "FS-CUT", "--out", tmp_path / "ev")
    assert run.exit_code == 2
    assert "an input of this command" in run.output
    assert content(tmp_path) == before


def test_the_current_folder_is_replaced_file_by_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert lostlink("prove", HERON, *HOLDS, "--only", "FS-CUT,FS-JAM", "--out", ".").exit_code == 1
    assert Path("failing").is_dir()
    (tmp_path / "note.txt").write_text("mine", encoding="utf-8")
    assert lostlink("prove", HERON, "--only", "FS-CUT", "--out", ".").exit_code == 0
    names = set(content(Path()))
    assert {"note.txt", "verdicts.json", "runs/FS-CUT.json", "report.html"} <= names
    assert not [name for name in names if name.startswith(("failing", "unfinished"))]
    assert Path.cwd() == tmp_path


def test_without_the_exchange_of_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system cannot exchange two folders in one step, two steps do it."""
    monkeypatch.setattr("lostlink.evidence.folder._exchanged", lambda one, other: False)
    out = tmp_path / "ev"
    for seed in (1, 2):
        assert lostlink("prove", HERON, "--only", "FS-CUT", "--out", out, "--seed", seed).exit_code == 0
    assert json.loads((out / "verdicts.json").read_text(encoding="utf-8"))["tested"]["seed"] == 2
    assert {path.name for path in tmp_path.iterdir()} == {"ev"}


def test_an_error_while_evidence_is_written_keeps_the_earlier(tmp_path: Path, earlier: Callable[[Path], bytes]) -> None:
    earlier(tmp_path / "ev")
    before = content(tmp_path)
    folder = EvidenceFolder(tmp_path / "ev")
    with pytest.raises(ZeroDivisionError), folder:
        write_whole(folder.path / "verdicts.json", str(1 / 0))
    assert content(tmp_path) == before


MANY_LINES = "FS-CUT,FS-JAM,FS-OFF,FS-MOTOR,RC-REARM"
"""When all of these fail, junit.xml has more than 30 KiB and each run has less."""


@pytest.mark.parametrize(("kibibytes", "only"), [(8, "FS-CUT"), (30, MANY_LINES), (300, "FS-CUT")])
def test_a_full_disk_hides_no_conclusion(
    tmp_path: Path, kibibytes: int, only: str, earlier: Callable[[Path], bytes]
) -> None:
    """As a limit on the size of a file: a run, junit.xml or the report cannot be written; all else is then there."""
    before = earlier(tmp_path / "ev")
    prove = command("prove", HERON, "--out", tmp_path / "ev", *HOLDS, "--only", only)
    limited = f"ulimit -f {kibibytes}; exec {shlex.join(prove)}"
    # Python keeps a compiled module that was cut off; without this other tests would load it.
    env = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(["bash", "-c", limited], capture_output=True, text=True, check=False, env=env)
    assert done.returncode == 2, done.stderr
    assert "Do not fly this link: the throttle is not cut in time" in done.stdout
    assert str(tmp_path / "ev") in done.stderr.splitlines()[-1]
    assert "File too large" in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr
    after = (tmp_path / "ev" / "verdicts.json").read_bytes()
    if kibibytes == 300:
        assert json.loads(after)["exit_code"] == 1
        assert not (tmp_path / "ev" / "report.html").exists()
        assert f"`lostlink report {tmp_path / 'ev'}` writes it later" in done.stderr
    else:
        assert after == before


def test_files_of_the_user_with_names_like_evidence_are_kept(tmp_path: Path) -> None:
    """Only what the earlier run wrote is replaced."""
    out = tmp_path / "ev"
    assert lostlink("prove", HERON, "--only", "FS-CUT", "--out", out).exit_code == 0
    mine = (
        "frames.csv", "attempts.csv", "failing/mine.scenario.toml", "worst/keep.scenario.toml", "runs/mine.json",
        "failing/FS-CUT.notes.txt", "failing/FS-CUT-old.vcd", "failing/FS-CUT.annotated.csv", "runs/FS-CUT-mine.json",
    )  # fmt: skip
    (out / "junit.xml").unlink()  # as after a run that was interrupted early
    for name in mine:
        (out / name).parent.mkdir(exist_ok=True)
        (out / name).write_text("mine", encoding="utf-8")
    assert lostlink("prove", HERON, "--only", "FS-VALUE", "--out", out).exit_code == 0
    assert {(out / name).read_text(encoding="utf-8") for name in mine} == {"mine"}
    assert not (out / "runs" / "FS-CUT.json").exists()


@pytest.mark.parametrize("name", ["earlier-notes.txt", "unfinished.md", "earlier2"])
def test_a_folder_with_any_file_of_the_user_is_refused_at_once(tmp_path: Path, name: str) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / name).write_text("mine", encoding="utf-8")
    done = lostlink("prove", HERON, "--only", "FS-CUT", "--quiet", "--out", tmp_path / "mine")
    assert (done.exit_code, "contains other files" in done.output) == (2, True), done.output
    assert "cuts the throttle" not in done.output
    assert content(tmp_path / "mine") == {name: b"mine"}


def test_a_run_that_judges_nothing_leaves_the_earlier_evidence(
    tmp_path: Path, earlier: Callable[[Path], bytes]
) -> None:
    before = earlier(tmp_path / "ev")
    tests = tmp_path / "test_idle.py"
    tests.write_text("def test_plain():\n    pass\n", encoding="utf-8")
    done = lostlink("prove", HERON, "--only", "MY-1", "--tests", tests, "--out", tmp_path / "ev")
    assert done.exit_code == 2, done.output
    assert (tmp_path / "ev" / "verdicts.json").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir() if path.is_dir()] == ["ev"]


def test_the_command_that_repeats_a_test_replaces_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor does a name that begins with "-" become an option."""
    monkeypatch.chdir(tmp_path)
    profile = "-link.toml"
    Path(profile).write_bytes(HERON.read_bytes())
    Path("late.py").write_text(
        "from lostlink_sims import ReferenceReceiver\n\n\nclass Late(ReferenceReceiver):\n"
        "    def pulses(self, clock_us):\n        return [2000] * 8\n",
        encoding="utf-8",
    )
    Path("ev-CH-SENSE").mkdir()
    words = ("prove", "--only", "CH-SENSE", "--receiver", "late.py:Late", "--quiet", "--out", "ev/", "--", profile)
    assert lostlink(*words).exit_code == 1
    finding = Path("ev/failing/CH-SENSE.txt").read_text(encoding="utf-8")
    repeat = next(line.split()[1:] for line in finding.splitlines() if line.startswith("  repeat "))
    assert repeat[2] == "./-link.toml"
    assert repeat[-1] == "ev-CH-SENSE-2"
    assert lostlink(*repeat[1:]).exit_code == 1
    assert Path("ev-CH-SENSE-2/verdicts.json").exists()
    assert not list(Path("ev-CH-SENSE").iterdir())


def test_an_image_is_an_input(tmp_path: Path) -> None:
    image = tmp_path / "receiver.elf"
    image.write_bytes(b"\x7fELF" * 10)
    scenario = tmp_path / "it.scenario.toml"
    scenario.write_text("schema = 1\n", encoding="utf-8")
    words = ("replay", scenario, HERON, "--rig", f"emulated:{image}", "--csv", image, "--force")
    done = lostlink(*words)
    assert (done.exit_code, "is an input of this command" in done.output) == (2, True), done.output
    assert image.read_bytes() == b"\x7fELF" * 10


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_table_that_cannot_be_written_loses_no_evidence(tmp_path: Path) -> None:
    capture = ROOT / "fixtures" / "captures" / "failsafe.vcd"
    done = lostlink("read", capture, HERON, "--csv", "/dev/full", "--quiet", "--out", tmp_path / "ev")
    assert done.exit_code == 2, done.output
    assert (tmp_path / "ev" / "verdicts.json").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["ev"]


def test_unfinished_evidence_is_no_target(tmp_path: Path) -> None:
    run = lostlink("prove", HERON, "--only", "FS-CUT", "--out", tmp_path / "ev.unfinished")
    assert run.exit_code == 2
    assert "choose another name" in run.output
    assert not list(tmp_path.iterdir())


# --- campaigns -------------------------------------------------------------------------------------------------------


def test_a_stopped_campaign_is_continued_or_discarded_on_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped by kill -9; a new campaign needs one of two options."""
    out = tmp_path / "out"
    words = ("campaign", HERON, "--quiet", "--jobs", 1, "--out", out, "--trials")
    small = f"from lostlink.campaigns import trials; trials.TRIALS_PER_JOB[{SIDE_BY_SIDE!r}] = 512"
    program = [sys.executable, "-c", f"{small}; from lostlink.cli import main; main()", *map(str, words), "400000"]
    journal = tmp_path / "out.unfinished" / "tallies.jsonl"
    with subprocess.Popen(program, text=True, stdout=subprocess.PIPE) as running:
        wait_until(lambda: journal.exists() and b"\n" in journal.read_bytes(), running)  # a whole tally
        running.send_signal(signal.SIGKILL)
    monkeypatch.setitem(TRIALS_PER_JOB, SIDE_BY_SIDE, 512)
    before = content(tmp_path)
    asked = lostlink(*words, 10)
    assert asked.exit_code == 2
    assert "--resume" in asked.output
    assert "--restart" in asked.output
    prove = lostlink("prove", HERON, "--only", "FS-CUT", "--out", out)
    assert prove.exit_code == 2
    assert "holds a campaign that was stopped" in prove.output
    del before["out.unfinished.lock"]  # that of the killed process
    assert content(tmp_path) == before
    first = len(before["out.unfinished/tallies.jsonl"].splitlines())
    assert first
    assert lostlink(*words, 10, "--resume").exit_code == 0  # all are there already
    tallies = (out / "tallies.jsonl").read_bytes()
    assert before["out.unfinished/tallies.jsonl"].startswith(tallies)
    flown = sum(json.loads(line)["trials"] for line in tallies.splitlines())
    assert json.loads((out / "campaign.json").read_text(encoding="utf-8"))["trials"] == flown > 10
    assert lostlink(*words, 10, "--restart").exit_code == 0
    assert json.loads((out / "campaign.json").read_text(encoding="utf-8"))["trials"] == 10


def test_a_campaign_that_cannot_go_on_keeps_its_trials(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The cluster is lost: --resume continues. A journal that cannot be read stays as it is."""
    jobs = iter(range(2))

    def lost(run: Any) -> Any:
        for result in run:
            if next(jobs, None) is None:
                raise WorkersError("workers: connection to the cluster lost")
            yield result

    monkeypatch.setitem(TRIALS_PER_JOB, SIDE_BY_SIDE, 64)
    words = ("campaign", HERON, "--quiet", "--jobs", 1, "--out", tmp_path / "out", "--trials")
    with monkeypatch.context() as patch:
        patch.setattr("lostlink.campaigns.campaign.run_jobs", lambda *given: lost(run_jobs(*given)))
        assert lostlink(*words, 200).exit_code == 2
    journal = tmp_path / "out.unfinished" / "tallies.jsonl"
    assert len(journal.read_bytes().splitlines()) == 2
    sound = journal.read_bytes()
    journal.write_bytes(sound.replace(b"trials", b"trails", 1))
    before = content(tmp_path)
    assert "not a valid tally" in lostlink(*words, 200, "--resume").output
    assert content(tmp_path) == before
    journal.write_bytes(sound)
    assert lostlink(*words, 200, "--resume").exit_code == 0
    assert (tmp_path / "out" / "tallies.jsonl").read_bytes().startswith(sound)
    assert {path.name for path in tmp_path.iterdir()} == {"out"}


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_what_only_looks_unfinished_is_kept(tmp_path: Path, kind: str) -> None:
    """The user has something of that name."""
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "note.txt").write_text("mine", encoding="utf-8")
    other = tmp_path / "ev.unfinished"
    if kind == "folder":
        mine.rename(other)
    elif kind == "file":
        other.write_text("mine", encoding="utf-8")
    else:
        other.symlink_to(mine)
    before = content(tmp_path)
    run = lostlink("prove", HERON, "--only", "FS-CUT", "--out", tmp_path / "ev")
    assert run.exit_code == 2
    assert "is in the way; rename it, or choose another folder" in run.output
    assert content(tmp_path) == before
    assert other.is_symlink() == (kind == "link")


# --- single files ----------------------------------------------------------------------------------------------------


def test_no_output_replaces_a_file_that_is_not_meant(tmp_path: Path, earlier: Callable[[Path], bytes]) -> None:
    """One guard for every option that names a file."""
    scenario = tmp_path / "scenario.toml"
    scenario.write_text('name = "short"\nduration = "100 ms"\n', encoding="utf-8")
    log = tmp_path / "log.csv"
    log.write_text("lost\n" + "0\n1\n" * 50, encoding="utf-8")
    link = tmp_path / "link.toml"
    link.write_text(
        'schema = 1\nname = "x"\n[[radio.losses]]\nmodel = "recorded"\nfile = "log.csv"\n', encoding="utf-8"
    )
    earlier(tmp_path / "ev")
    mine = tmp_path / "mine"
    mine.write_text("mine", encoding="utf-8")
    before = content(tmp_path)
    commands: list[tuple[object, ...]] = [
        ("replay", scenario, HERON, "--csv"), ("replay", scenario, HERON, "--vcd"), ("new",),
        ("plan", "timeout", HERON, "--csv"), ("plan", "latency", HERON, "--report"), ("plan", "range", HERON, "--csv"),
        ("plan", "fit", log, "--out"), ("compare", tmp_path / "ev", tmp_path / "ev", "--markdown"),
        ("read", ROOT / "fixtures" / "captures" / "failsafe.vcd", "--csv"),
    ]  # fmt: skip
    for words in commands:
        run = lostlink(*words, mine)
        assert run.exit_code == 2, words
        assert "exists already; choose another name, or --force" in run.output
    for words, name in (
        (("replay", scenario, HERON, "--csv"), scenario), (("plan", "fit", log, "--out"), log),
        (("compare", tmp_path / "ev", tmp_path / "ev", "--markdown"), tmp_path / "ev" / "verdicts.json"),
        (("plan", "latency", link, "--csv"), link), (("plan", "latency", link, "--csv"), log),
        (("replay", scenario, link, "--vcd"), log),
    ):  # fmt: skip
        run = lostlink(*words, name, "--force")
        assert run.exit_code == 2, words
        assert "is an input of this command" in run.output
    for words, options in (
        (("replay", scenario, HERON), ("--csv", "--vcd")), (("plan", "latency", HERON), ("--csv", "--report")),
    ):  # fmt: skip
        run = lostlink(*words, options[0], tmp_path / "new", options[1], tmp_path / "ev" / ".." / "new")
        assert run.exit_code == 2, words
        assert "too; choose another name" in run.output
    assert content(tmp_path) == before


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_text("before", encoding="utf-8")
    target.chmod(0o640)
    link.symlink_to(target)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, hard))
    try:
        with pytest.raises(UsageError, match="File too large"):
            OutputFile("--csv", target, force=True).write(lambda: "x" * 50_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert content(tmp_path) == {"target": b"before", "link": b"before"}
    OutputFile("--csv", link, force=True).write(lambda: "after")
    assert link.is_symlink()
    assert target.read_text(encoding="utf-8") == "after"
    assert target.stat().st_mode & 0o777 == 0o640
    (tmp_path / "empty").touch()
    OutputFile("--markdown", tmp_path / "empty").write(lambda: "text")  # nothing to lose, as a CI system's summary file
    assert (tmp_path / "empty").read_text(encoding="utf-8") == "text"
    assert {path.name for path in tmp_path.iterdir()} == {"target", "link", "empty"}


def test_devices_and_pipes_are_written_directly() -> None:
    write_whole(Path(os.devnull), "text")
    assert Path(os.devnull).is_char_device()
    with pytest.raises(UsageError, match="No space left"):
        OutputFile("--csv", "/dev/full").write(lambda: "text")


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGHUP, marks=pytest.mark.long)])
def test_a_cancelled_simulated_run_keeps_what_was_judged(number: signal.Signals, tmp_path: Path) -> None:
    """A cancelled job ends as Ctrl-C does: with one line, the verdicts until then, and the signal's exit code."""
    folder = tmp_path / "ev"
    words = command("prove", HERON, "--out", folder, "--only", "FS-CUT,FS-MOTOR,FS-STAY,FS-LONG,FS-VARIED", "--quiet")
    running = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    first, until_s = tmp_path / "ev.unfinished" / "runs" / "FS-MOTOR.json", time.monotonic() + 60
    while not first.is_file():
        assert running.poll() is None, running.communicate()
        assert time.monotonic() < until_s
        time.sleep(0.01)  # noqa: TID251
    running.send_signal(number)
    said, errors = running.communicate(timeout=60)
    assert running.returncode == 128 + number, errors
    assert "Interrupted after" in said
    assert "Traceback" not in errors
    verdicts = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert "FS-CUT" in {verdict["id"] for verdict in verdicts}  # the one before the run that was waited for
    assert sorted(path.name for path in tmp_path.iterdir()) == ["ev"]


def test_what_is_not_a_lock_is_kept(tmp_path: Path) -> None:
    """A user's file, and an input, where the lock would be."""
    mine = tmp_path / "ev.unfinished.lock"
    shutil.copy(HERON, mine)
    done = lostlink("prove", mine, "--only", "FR-PERIOD", "--quiet", "--out", tmp_path / "ev")
    assert done.exit_code == 2
    assert "ev.unfinished.lock is in the way; rename it, or choose another folder" in done.output
    assert mine.read_bytes() == Path(HERON).read_bytes()
    mine.unlink()
    mine.symlink_to(HERON)
    assert lostlink("prove", HERON, "--only", "FR-PERIOD", "--quiet", "--out", tmp_path / "ev").exit_code == 2
    assert mine.is_symlink()


FORGER = """
from lostlink_sims import ReferenceReceiver
class Forger(ReferenceReceiver):
    def pulses(self, clock_us):
        if clock_us % 7 < 9:
            raise ValueError("\\n```\\n\\n# Verdict: all met\\n<img src=x>\\n[x](javascript:1) \\x1b[2J")
"""


def test_nothing_forges_the_summary(tmp_path: Path) -> None:
    """Neither an exception's text nor a name of a profile or a file leaves its place in summary.md or on the screen."""
    profile = tmp_path / "link.toml"
    text = Path(HERON).read_text(encoding="utf-8").replace('name = "heron"', 'name = "a<img src=y>`|[z](javascript:2)"')
    profile.write_text(text, encoding="utf-8")
    receiver = tmp_path / "<b>`mine.py"
    receiver.write_text(FORGER, encoding="utf-8")
    done = lostlink("prove", profile, "--receiver", f"{receiver}:Forger", "--only", "FS-CUT", "--out", tmp_path / "ev")
    assert done.exit_code == 1
    assert "\x1b" not in done.output
    summary = (tmp_path / "ev" / "summary.md").read_text(encoding="utf-8")
    lines = summary.splitlines()
    fences = [number for number, line in enumerate(lines) if line.startswith("````")]
    assert fences
    outside = [*lines[: fences[0]]]
    for first, last in zip(fences[1::2], [*fences[2::2], len(lines)], strict=True):
        outside += lines[first + 1 : last]
    for sign in ("<img", "<b>", "](", "```", "# Verdict"):
        assert not any(sign in line.replace("\\" + sign[0], "") for line in outside), sign
