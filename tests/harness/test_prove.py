"""The main job from the command line: verdicts, exit codes, evidence, replays, bad input."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result
from report.reporting import expect_runs_as_judged

from lostlink.cli import main
from lostlink.evidence.schemas import VERDICTS_SCHEMA
from lostlink.profiles import read_profile
from lostlink.requirements import of_sides
from lostlink.verdicts import Side

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"
FAILING = ("FS-CUT", "FS-STAY", "FR-PERIOD", "CH-VALUE")
"""What a receiver that holds its last values is judged by: two that it does not meet, and two that it does."""


def lostlink(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def program(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "lostlink", *map(str, words)]
    env = {**os.environ, **environment}
    return subprocess.run(command, capture_output=True, text=True, timeout=120, env=env, check=False, encoding="utf-8")


@pytest.fixture(scope="module")
def failing(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Prove a receiver that holds its last values (by the whole suite: test_readme.py)."""
    folder = tmp_path_factory.mktemp("evidence")
    words = ("--receiver", f"{ZOO}:HoldsForEver", "--only", ",".join(FAILING), "--out", folder)
    return folder, lostlink("prove", HERON, *words)


def test_shipped_profile_is_met(tmp_path: Path) -> None:
    """Every requirement of the catalogue, exit code 0, without a terminal; each leaves the run that decided it."""
    run = program("prove", HERON, "--out", tmp_path / "ev")
    assert run.returncode == 0, run.stdout + run.stderr
    lines = run.stdout.splitlines()
    assert len(lines) <= 24  # rows of a small terminal
    assert lines[1].startswith("+ The failsafe of the reference receiver")
    assert "met: 28 critical, 18 major, 4 minor; --all lists them" in run.stdout
    document = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))
    assert [one["id"] for one in document["verdicts"]] == of_sides(Side.RECEIVER)
    assert "The failsafe of the reference receiver cuts the throttle: all" in run.stdout
    assert f"all {len(of_sides(Side.RECEIVER))} requirements tested are met." in run.stdout
    assert "Propellers off, flight battery disconnected, model restrained" in run.stdout
    assert str(tmp_path / "ev") in run.stdout
    assert "\x1b" not in run.stdout
    document = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, VERDICTS_SCHEMA)
    assert [verdict["id"] for verdict in document["verdicts"]] == of_sides(Side.RECEIVER)
    assert {verdict["outcome"] for verdict in document["verdicts"]} == {"met"}
    assert all(verdict["checks"] > 0 and verdict["runs"] > 0 for verdict in document["verdicts"])
    expect_runs_as_judged(tmp_path / "ev")


def test_receiver_that_holds_its_last_value(failing: tuple[Path, Result]) -> None:
    """Exit code 1 and one sentence that says that the throttle is not cut."""
    _, run = failing
    assert run.exit_code == 1
    assert "Do not fly this link: the throttle is not cut in time when the link is lost" in run.output
    assert "X not met" in run.output


def test_a_failure_says_everything(failing: tuple[Path, Result]) -> None:
    """Requirement, measured value, limit, timeline, seed, and the command that does it again."""
    folder, _ = failing
    text = (folder / "failing" / "FS-CUT.txt").read_text(encoding="utf-8")
    for part in (
        "FS-CUT (critical): the throttle is not cut in time when the link is lost",
        "required  When the link is lost, the throttle pulses go to idle within the limit.",
        "measured  time from link loss to throttle cut: more than",
        "limit     at most 550 ms",
        "evidence  simulated",
        "seed 1, trial 1",
        "link cut",
        "packets lost from here",
        "motors",
    ):
        assert part in text
    repeat = next(line for line in text.splitlines() if line.startswith("  repeat")).split()
    assert repeat[1:3] == ["lostlink", "prove"]
    assert lostlink(*repeat[2:], "--quiet").exit_code == 1
    again = (Path(f"{folder}-FS-CUT") / "failing" / "FS-CUT.txt").read_text(encoding="utf-8")
    assert again.partition("\n  replay")[0] == text.partition("\n  replay")[0]
    replay = next(line for line in text.splitlines() if line.startswith("  replay")).split()
    assert replay[1:3] == ["lostlink", "replay"]
    shown = lostlink(*replay[2:])
    assert shown.exit_code == 0, shown.output
    assert "link cut" in shown.output


def test_evidence_of_a_failure(failing: tuple[Path, Result]) -> None:
    """Verdicts by schema, junit for the CI system, Markdown for people, the failing run in three formats."""
    folder, _ = failing
    document = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, VERDICTS_SCHEMA)
    assert document["exit_code"] == 1
    assert document["tested"]["seed"] == 1
    assert len(document["tested"]["receiver_sha256"]) == 64
    outcomes = {verdict["id"]: verdict["outcome"] for verdict in document["verdicts"]}
    assert outcomes["FS-CUT"] == "not met"
    assert outcomes["CH-VALUE"] == "met"
    suite = ET.parse(folder / "junit.xml").getroot()
    assert set(outcomes) >= set(FAILING)  # and what else its runs break
    assert len(suite.findall(".//testcase")) == len(FAILING)
    failures = [found.attrib["message"] for found in suite.findall(".//failure")]
    own = [text for text in failures if "met, but its runs break" not in text]
    assert 0 < len(own) <= sum(outcome == "not met" for outcome in outcomes.values())
    assert "**not met**" in (folder / "summary.md").read_text(encoding="utf-8")
    assert read_profile(folder / "profile.toml") == read_profile(HERON)
    for ending in ("csv", "vcd", "scenario.toml"):
        assert (folder / "failing" / f"FS-CUT.{ending}").stat().st_size > 100


def test_the_most_severe_findings_are_shown(tmp_path: Path) -> None:
    """Without ``--only`` three of them; the conclusion first and last, each finding with what explains it."""
    out = tmp_path / "ev"
    words = ("prove", HERON, "--receiver", f"{ZOO}:HoldsForEver", "--out", out)
    run, whole = lostlink(*words), lostlink(*words, "--all")
    findings = len(list((out / "failing").glob("*.txt")))
    shown = re.findall(r"^([A-Z]+-[A-Z]+) \((critical|major|minor)\): ", run.output, re.MULTILINE)
    assert [severity for _, severity in shown] == ["critical"] * 3
    assert re.findall(r"explain   lostlink explain (\S+)", run.output) == [name for name, _ in shown]
    assert f"{findings - 3} more findings in {out}/failing and in the report; --all shows them here" in run.output
    assert run.output.count("Do not fly this link") == 2
    assert "+ met" not in run.output
    assert len(re.findall(r"explain   lostlink explain", whole.output)) == findings > 3
    assert "+ met" in whole.output
    assert "more findings" not in whole.output


def test_replay_of_a_saved_run(failing: tuple[Path, Result], tmp_path: Path) -> None:
    """The saved scenario shows the same run again, with the receiver that failed and with one that does not."""
    folder, _ = failing
    saved = folder / "failing" / "FS-CUT.scenario.toml"
    run = lostlink("replay", saved, HERON, "--receiver", f"{ZOO}:HoldsForEver", "--csv", tmp_path / "run.csv")
    assert run.exit_code == 0, run.output
    assert (tmp_path / "run.csv").read_bytes() == (folder / "failing" / "FS-CUT.csv").read_bytes()
    cured = lostlink("replay", saved, HERON, "--vcd", tmp_path / "run.vcd")
    assert "receiver says failsafe" in cured.output
    assert "motors at rest" in cured.output


def test_same_seed_same_verdicts(tmp_path: Path) -> None:
    """But for date and duration, the evidence of one seed is the same; another seed measures something else."""
    documents = []
    for number, seed in enumerate((5, 5, 6)):
        folder = tmp_path / str(number)
        assert lostlink("prove", HERON, "--out", folder, "--seed", seed, "--only", "FS-CUT,LT-STICK").exit_code == 0
        document = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))
        documents.append([{**verdict, "replay": ""} for verdict in document["verdicts"]])
    assert documents[0] == documents[1]
    assert documents[0] != documents[2]


# --- outcomes that are neither met nor not met -----------------------------------------------------------------------


def test_what_is_not_tested_never_counts_as_met(tmp_path: Path) -> None:
    """The plain link has no counter and no link id: exit code 4, and the reason is told."""
    words = ("--only", "FS-CUT,FS-STALE,FS-FOREIGN,FS-INTRUDER", "--out", tmp_path)
    run = lostlink("prove", *words)
    assert run.exit_code == 4
    assert "No requirement failed, but 3 not tested" in run.output
    assert "packets carry no counter" in " ".join(run.output.split())


def test_waived_requirements_are_shown_as_waived(tmp_path: Path) -> None:
    """The owner may give something up knowingly."""
    profile = tmp_path / "plain.toml"
    profile.write_text('[requirements]\nwaived = ["FS-STALE", "FS-FOREIGN", "FS-INTRUDER"]\n', encoding="utf-8")
    words = ("--only", "FS-CUT,FS-STALE,FS-FOREIGN,FS-INTRUDER", "--out", tmp_path / "ev")
    run = lostlink("prove", profile, *words)
    assert run.exit_code == 0
    assert "3 waived by the owner" in run.output
    assert "~ waived" in run.output


def receiver_file(folder: Path, name: str, pulses: str) -> str:
    """Write the reference receiver with pulses of its own; return what --receiver takes."""
    path = folder / "receiver.py"
    path.write_text(
        "from lostlink_sims import ReferenceReceiver\n"
        f"class {name}(ReferenceReceiver):\n"
        "    def pulses(self, clock_us):\n"
        f"        return {pulses}\n",
        encoding="utf-8",
    )
    return f"{path}:{name}"


def test_a_receiver_that_dies_is_not_met(tmp_path: Path) -> None:
    """Its exception is a finding, with the instant at which it died."""
    receiver = receiver_file(tmp_path, "Dies", "[1 // 0]")
    run = lostlink("prove", HERON, "--receiver", receiver, "--out", tmp_path / "ev", "--only", "FS-CUT")
    assert run.exit_code == 1
    assert "a program under test crashed: ZeroDivisionError in pulses()" in run.output


def test_silent_receiver_is_never_met(tmp_path: Path) -> None:
    """Without pulses nothing flies; tests that need a flight are inconclusive, control is not met."""
    receiver = receiver_file(tmp_path, "Mute", "None")
    words = ("--receiver", receiver, "--out", tmp_path / "ev", "--only")
    run = lostlink("prove", HERON, *words, "LK-CONTROL,FR-PERIOD,FS-CUT")
    assert run.exit_code == 1
    outcomes = {
        verdict["id"]: verdict["outcome"]
        for verdict in json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    }
    assert outcomes["LK-CONTROL"] == "not met"
    assert outcomes["FR-PERIOD"] == "not met"
    assert outcomes["FS-CUT"] == "inconclusive"
    run = lostlink("prove", HERON, *words, "FS-CUT")
    assert run.exit_code == 1  # its runs break FR-PERIOD
    assert "FR-PERIOD" in run.output


def test_requirements_of_the_users_own(tmp_path: Path) -> None:
    """A test file in the suite's style runs beside it, by name, and may fail, also under a name of the suite."""
    tests = tmp_path / "test_link_loss.py"
    tests.write_text(
        "from lostlink.measure import failsafe\n"
        "from lostlink.requirements import requirement\n"
        "from lostlink_sims.scenario import LinkCut\n"
        "@requirement('MY-FIELD', 'critical', 'Over our field the throttle is cut within 400 ms.', 'it is not')\n"
        "def test_our_field(rig, scenario, judge):\n"
        "    for flight in scenario.flights(3):\n"
        "        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))\n"
        "        judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=400_000)\n",
        encoding="utf-8",
    )
    run = lostlink("prove", HERON, "--tests", tests, "--out", tmp_path / "ev", "--only", "MY-FIELD,FS-CUT")
    assert run.exit_code == 1
    assert "Do not fly this link: it is not." in run.output
    assert "MY-FIELD (critical): it is not" in run.output
    assert "required  Over our field the throttle is cut within 400 ms." in run.output
    text = (tmp_path / "ev" / "failing" / "MY-FIELD.txt").read_text(encoding="utf-8")
    assert "  repeat    pytest " in text


def test_interrupted_run_keeps_its_evidence(tmp_path: Path) -> None:
    """Ctrl-C: exit code 130, and the verdicts until then are written."""
    tests = tmp_path / "test_stop.py"
    tests.write_text(
        "from lostlink.requirements import requirement\n"
        "@requirement('MY-STOP', 'minor', 'x')\ndef test_stop(judge):\n    raise KeyboardInterrupt\n",
        encoding="utf-8",
    )
    run = lostlink("prove", HERON, "--tests", tests, "--only", "FR-PERIOD,MY-STOP", "--out", tmp_path / "ev")
    assert run.exit_code == 130
    document = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))
    assert document["exit_code"] == 130
    assert [row["id"] for row in document["verdicts"]] == ["FR-PERIOD"]
    assert "nothing is proven" in document["conclusion"]


def test_an_interrupt_in_the_end_of_pytest_keeps_the_evidence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the last test pytest collects garbage, which takes long; a signal then must not lose the verdicts."""

    def ended(words: list[str], plugins: list[object]) -> int:
        main_of_pytest(words, plugins)
        raise KeyboardInterrupt

    main_of_pytest = pytest.main
    monkeypatch.setattr(pytest, "main", ended)
    run = lostlink("prove", HERON, "--only", "FR-PERIOD", "--out", tmp_path / "ev")
    assert run.exit_code == 130
    document = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))
    assert document["exit_code"] == 130
    assert [row["id"] for row in document["verdicts"]] == ["FR-PERIOD"]


def own_tests(folder: Path, body: str) -> Path:
    path = folder / "test_own.py"
    path.write_text(
        "import contextlib, pytest\n"
        "from lostlink.measure import failsafe\n"
        "from lostlink.requirements import requirement\n"
        "from lostlink_sims.scenario import LinkCut\n" + body,
        encoding="utf-8",
    )
    return path


@pytest.mark.parametrize(
    ("body", "exit_code", "outcome"),
    [
        ("@requirement('MY-1', 'major', 'x')\ndef test_it():\n    pass\n", 4, "inconclusive"),
        (
            "@requirement('MY-1', 'major', 'x')\ndef test_it(rig, scenario, judge):\n"
            "    for flight in scenario.flights(1):\n"
            "        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))\n"
            "        with contextlib.suppress(AssertionError):\n"
            "            judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=5)\n",
            1,
            "not met",
        ),
        ("@pytest.mark.skip(reason='not waived')\n@requirement('MY-1', 'major', 'x')\ndef test_it(judge):\n    pass\n",
         4, "not tested"),
        ("@requirement('../up', 'major', 'x')\ndef test_it(judge):\n    pass\n", 2, None),
        ("def test_other():\n    pass\n", 2, None),
    ],
    ids=["nothing judged", "failure swallowed", "skipped with a word", "id that is a path", "no such requirement"],
)  # fmt: skip
def test_own_requirement_is_never_met_by_accident(
    body: str, exit_code: int, outcome: str | None, tmp_path: Path
) -> None:
    """What measured nothing, hid its failure, or is not there, is not met."""
    run = lostlink("prove", HERON, "--tests", own_tests(tmp_path, body), "--only", "MY-1", "--out", tmp_path / "ev")
    assert run.exit_code == exit_code, run.output
    if outcome is None:
        assert not (tmp_path / "ev").exists()  # nothing was judged
        return
    verdicts = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert [verdict["outcome"] for verdict in verdicts] == [outcome]


MEASURED = "lostlink.verdicts.Measurement(name='it', value={value}, uncertainty={u})"


@pytest.mark.parametrize(
    ("value", "u", "limit", "exit_code", "reason"),
    [
        ("float('inf')", "0", "5", 1, "it: infinite"),
        ("float('inf')", "0", "numpy.int64(5)", 1, "it: infinite"),
        ("numpy.int32(7)", "numpy.float32(0.5)", "numpy.int64(5)", 1, "it: 7 µs ± 0.5 µs"),
        ("float('nan')", "0", "5", 4, "the test itself failed: ValueError: it: value is not a number (NaN)"),
        ("1", "-1", "5", 4, "the test itself failed: ValueError: it: uncertainty is -1; allowed: 0 or more"),
        ("1", "0", "float('nan')", 4, "the test itself failed: ValueError: at_most is not a number (NaN)"),
        ("10 ** 400", "0", "5", 4, "the test itself failed: OverflowError: int too large to convert to float"),
    ],
)
def test_any_number_of_an_own_test_keeps_the_evidence(
    value: str, u: str, limit: str, exit_code: int, reason: str, tmp_path: Path
) -> None:
    """What is no measurement makes its own requirement inconclusive, and loses nothing of the rest."""
    body = (
        "import lostlink.verdicts, numpy\n"
        "@requirement('MY-1', 'major', 'x')\ndef test_it(rig, scenario, judge):\n"
        "    trace = rig.run(next(scenario.flights(1)).into())\n"
        f"    judge(trace, {MEASURED.format(value=value, u=u)}, at_most={limit})\n"
    )
    words = ("--tests", own_tests(tmp_path, body), "--only", "MY-1,FR-PERIOD", "--out", tmp_path / "ev", "--quiet")
    assert lostlink("prove", HERON, *words).exit_code == exit_code
    verdicts = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert {verdict["id"] for verdict in verdicts} == {"FR-PERIOD", "MY-1"}
    own = next(verdict for verdict in verdicts if verdict["id"] == "MY-1")
    assert own["reason"].startswith(reason)
    done = lostlink("report", tmp_path / "ev")
    assert done.exit_code == 0, done.output
    assert "cannot be read" not in (tmp_path / "ev" / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "body",
    [
        "def test_it(judge):\n    raise ValueError('half \\ud800')\n",
        "def test_it(judge):\n    pytest.skip('half \\ud800')\n",
        "def test_it(record_property, judge):\n    record_property('half', '\\ud800')\n    assert False, '\\ud800'\n",
        "def test_it(rig, scenario, judge):\n    trace = rig.run(scenario.blank(duration_us=100_000))\n"
        "    judge(trace, lostlink.verdicts.Measurement(name='\\ud800', value=7, unit='\\ud800'), at_most=5)\n",
    ],
    ids=["exception", "reason of a skip", "property", "measurement"],
)
def test_half_a_character_in_an_own_test_keeps_the_evidence(body: str, tmp_path: Path) -> None:
    """It is shown as "?"."""
    tests = own_tests(tmp_path, f"import lostlink.verdicts\n@requirement('MY-1', 'major', 'x')\n{body}")
    words = ("--tests", tests, "--only", "MY-1,FR-PERIOD", "--out", tmp_path / "ev")
    run = lostlink("prove", HERON, *words)
    assert run.exit_code in (1, 4), run.output
    verdicts = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert {verdict["id"] for verdict in verdicts} == {"FR-PERIOD", "MY-1"}
    assert "?" in next(str(verdict) for verdict in verdicts if verdict["id"] == "MY-1")
    assert ET.parse(tmp_path / "ev" / "junit.xml").getroot().findall(".//testcase")
    assert lostlink("report", tmp_path / "ev").exit_code == 0


def test_a_test_with_half_a_character_in_its_name_is_left_out(tmp_path: Path) -> None:
    """pytest itself cannot run it; the rest is run."""
    body = "@requirement('MY-1', 'major', 'x')\ndef it(judge):\n    pass\nglobals()['test_\\ud800'] = it\n"
    words = ("--tests", own_tests(tmp_path, body), "--only", "MY-1,FR-PERIOD", "--out", tmp_path / "ev")
    run = lostlink("prove", HERON, *words)
    assert run.exit_code == 2, run.output
    assert "test_?: its name contains a lone surrogate; rename the test" in run.output
    verdicts = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert [verdict["id"] for verdict in verdicts] == ["FR-PERIOD"]


@pytest.mark.parametrize(
    ("sentence", "part"), [("", "its sentence is empty"), (r"half \ud800", r"'half \ud800' contains a lone surrogate")]
)
def test_a_sentence_that_says_nothing_is_refused(sentence: str, part: str, tmp_path: Path) -> None:
    body = f"@requirement('MY-1', 'major', '{sentence}')\ndef test_it(judge):\n    pass\n"
    run = lostlink("prove", HERON, "--tests", own_tests(tmp_path, body), "--only", "MY-1", "--out", tmp_path / "ev")
    assert run.exit_code == 2, run.output
    assert part in run.output


def test_the_headline_rests_on_the_cut_itself(tmp_path: Path) -> None:
    """Waiving what fails does not make the failsafe cut the throttle, and waiving all proves nothing."""
    profile = tmp_path / "waived.toml"
    text = HERON.read_text(encoding="utf-8")
    some = ("--only", "FS-CUT,FR-PERIOD")
    for waived, only, exit_code in (([], some, 0), (["FS-CUT"], some, 0), (of_sides(Side.RECEIVER), (), 4)):
        profile.write_text(f"{text}waived = {json.dumps(waived)}\n", encoding="utf-8")
        run = lostlink("prove", profile, *only, "--out", tmp_path / "ev", "--quiet")
        assert run.exit_code == exit_code, run.output
        assert ("cuts the throttle:" in run.output) == (not waived)


def test_a_link_that_delivers_nothing_is_not_met(tmp_path: Path) -> None:
    """Where the throttle never rose, that it did not drop proves nothing."""
    profile = tmp_path / "dead.toml"
    text = HERON.read_text(encoding="utf-8")
    profile.write_text(f"{text}\n[[radio.losses]]\nmodel = 'bernoulli'\nprobability = '100 %'\n", encoding="utf-8")
    run = lostlink("prove", profile, "--out", tmp_path / "ev", "--only", "LK-FALSE")
    assert run.exit_code == 1
    assert "widest throttle pulse: 1000" in run.output


def test_settings_of_the_folder_have_no_say(tmp_path: Path) -> None:
    """A conftest beside the user's tests replaces no fixture and takes no test away."""
    (tmp_path / "conftest.py").write_text("def pytest_collection_modifyitems(items):\n    del items[1:]\n", "utf-8")
    body = (
        "@requirement('MY-1', 'minor', 'x')\ndef test_it(rig, scenario, judge):\n"
        "    for flight in scenario.flights(1):\n"
        "        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))\n"
        "        judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=550_000)\n"
    )
    tests = own_tests(tmp_path, body)
    only = ("FS-CUT", "FR-PERIOD", "CH-VALUE", "MY-1")
    run = lostlink("prove", HERON, "--tests", tests, "--only", ",".join(only), "--out", tmp_path / "ev", "--quiet")
    assert run.exit_code == 0, run.output
    assert f"all {len(only)} requirements" in run.output


def test_a_folder_in_other_use_is_refused(tmp_path: Path) -> None:
    """Nothing of the user's is written over; evidence of an earlier run is."""
    mine = tmp_path / "profile.toml"
    mine.write_text("name = 'mine'\n", encoding="utf-8")
    run = lostlink("prove", mine, "--out", tmp_path, "--only", "FS-CUT")
    assert run.exit_code == 2
    assert "contains other files; choose a new or empty folder" in run.output
    assert mine.read_text(encoding="utf-8") == "name = 'mine'\n"
    for _ in range(2):
        assert lostlink("prove", mine, "--out", tmp_path / "ev", "--only", "FS-CUT").exit_code == 0


def test_a_broken_test_is_never_met(tmp_path: Path) -> None:
    """A test file that cannot be run gives exit code 2, whatever the others say."""
    tests = tmp_path / "test_broken.py"
    tests.write_text("import nowhere\n", encoding="utf-8")
    run = lostlink("prove", HERON, "--tests", tests, "--out", tmp_path / "ev", "--only", "FS-CUT")
    assert run.exit_code == 2
    assert "No module named 'nowhere'" in run.output


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (["prove", "nowhere.toml"], ["nowhere.toml: there is no such file"]),
        (["prove", HERON, "--only", "FS-CAT"], ["no requirement 'FS-CAT'", "did you mean 'FS-CUT'?"]),
        (["prove", HERON, "--receiver", "mine.py"], ["no name; allowed: FILE.py:Name"]),
        (["prove", HERON, "--receiver", "mine.py:Mine"], ["there is no file mine.py"]),
        (["prove", HERON, "--receiver", f"{ZOO}:HoldsForever"], ["did you mean 'HoldsForEver'?"]),
        (["prove", HERON, "--receiver", f"{ZOO}:Mistake"], ["Mistake is not a receiver, it lacks power_on, packet"]),
        (["prove", HERON, "--out", HERON], ["--out"]),
        (["prove", HERON, "--tests", "nix.py"], ["no such file; give a Python file"]),
        (["prove", HERON, "--seed", "-1"], ["-1 is not in the range"]),
        (["prov", HERON], ["No such command 'prov'"]),
        (["replay", "nowhere.toml"], ["nowhere.toml: there is no such file; prove and hunt save scenarios"]),
        (["new", HERON], ["exists already"]),
        (["new", "x/y/z.toml"], ["No such file or directory"]),
        (["new", "z.toml", "--timeout", "500"], ["'500' has no unit"]),
        (["new", "z.toml", "--timeout", "1 ms"], ["shorter than two packet intervals"]),
    ],
    ids=lambda value: " ".join(Path(str(word)).name for word in value) if isinstance(value, list) else None,
)
def test_bad_input(words: list[object], parts: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One message that says where, what and what is allowed; exit code 2; no traceback; nothing written over."""
    monkeypatch.chdir(tmp_path)
    before = HERON.read_bytes()
    run = lostlink(*words)
    assert run.exit_code == 2, run.output
    for part in parts:
        assert part in run.output
    assert "Traceback" not in run.output
    assert HERON.read_bytes() == before
    assert list(tmp_path.glob("*.toml")) == []


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("class R(:\n", ":1:"),
        ("x = '\0'\n", "null bytes; allowed: Python source"),
        ("import nowhere\n", ":1: ModuleNotFoundError"),
        ("x = 1\ny = 1 // 0\n", ":2: ZeroDivisionError"),
        ("x = 1\n", "has no 'R'; allowed: a class"),
    ],
)
def test_receiver_file_that_does_not_load(text: str, part: str, tmp_path: Path) -> None:
    """File and line of what is wrong in it."""
    path = tmp_path / "mine.py"
    path.write_text(text, encoding="utf-8")
    run = lostlink("prove", HERON, "--receiver", f"{path}:R", "--out", tmp_path / "ev")
    assert run.exit_code == 2
    assert part in run.output
    assert "Traceback" not in run.output


def test_profile_errors_reach_the_screen(tmp_path: Path) -> None:
    """All that is wrong in a profile, with file, line and hint, on standard error."""
    path = tmp_path / "bad.toml"
    path.write_text('[receiver]\ntimeoutt = "500 ms"\n[output]\nchannels = "8"\n', encoding="utf-8")
    run = program("prove", path)
    assert run.returncode == 2
    assert run.stdout == ""
    assert f"{path}:2:1: receiver.timeoutt: unknown key; did you mean 'timeout'?" in run.stderr
    assert f"{path}:4:12: output.channels: expected a whole number, got '8'" in run.stderr


# --- other commands --------------------------------------------------------------------------------------------------


def test_new_profile_is_met(tmp_path: Path, long: bool) -> None:
    """What `new` writes is proven at once; so is one with other times.

    The first by requirements that depend on its limits, the second without varied flights; ``--long``: by all.
    """
    other = ["--timeout", "300 ms", "--packet-interval", "50 Hz", "--frame-period", "30 ms"]
    for number, words in enumerate(([], other)):
        few = ["FS-CUT", "FS-MOTOR", "RC-TIME", "RC-CHATTER", "LK-GAP", "CH-VALUE", "FR-SYNC"]
        chosen = of_sides(Side.RECEIVER) if long or number else few
        only = [requirement for requirement in chosen if long or requirement != "FS-VARIED"]
        path = tmp_path / f"link_{number}.toml"
        assert lostlink("new", path, *words).exit_code == 0
        run = lostlink("prove", path, "--only", ",".join(only), "--out", tmp_path / "ev", "--quiet")
        assert run.exit_code == 0, run.output
    assert read_profile(tmp_path / "link_1.toml").receiver.timeout_us == 300_000
    assert read_profile(tmp_path / "link_1.toml").handset.packet_interval_us == 20_000


def test_schema_command() -> None:
    """Both schemas are JSON."""
    assert json.loads(lostlink("schema").output)["title"] == "lostlink profile"
    assert json.loads(lostlink("schema", "--scenario").output)["title"] == "lostlink scenario"


def test_colour_is_never_the_only_sign(tmp_path: Path) -> None:
    """With NO_COLOR no colour codes come, and each verdict has a sign and a word."""
    words = ["prove", str(HERON), "--only", "FR-PERIOD", "--out", str(tmp_path)]
    for no_colour in (None, "1"):
        run = CliRunner().invoke(main, words, env={"NO_COLOR": no_colour, "FORCE_COLOR": "1"}, color=True)
        assert "+ met" in run.stdout
        assert ("\x1b[3" in run.stdout) == (no_colour is None)


HEAD = """
field = requirement("MY-FIELD", "critical", "The throttle is cut in time.")


def cut(rig, scenario, judge, limit):
    (flight,) = scenario.flights(1)
    trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))
    judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=limit)


@field
def test_good(rig, scenario, judge):
    cut(rig, scenario, judge, 530_000)


"""
LATE = """
@pytest.fixture
def late(rig, scenario, judge):
    yield
    {after}


@field
def test_late(rig, scenario, judge, late):
    cut(rig, scenario, judge, 530_000)
"""
CAUGHT = "try:\n        cut(rig, scenario, judge, 1000)\n    except AssertionError:\n        pass"


@pytest.mark.parametrize(
    ("second", "code", "outcome"),
    [
        (LATE.format(after="cut(rig, scenario, judge, 1000)"), 1, "not met"),
        (LATE.format(after=CAUGHT), 1, "not met"),
        (LATE.format(after="raise OSError('gone')"), 4, "inconclusive"),
        ("class TestIt:\n    def __init__(self): pass\n    @field\n    def test_in(self): assert 0\n", 2, "met"),
        ("@field\ndef test_two(judge): assert 0\n\n\n@field\ndef test_two(rig, scenario, judge):\n"
         "    cut(rig, scenario, judge, 530_000)\n", 2, "met"),
        ("@field\ndef check_two(judge): assert 0\n", 2, "met"),
    ],
    ids=["tear-down", "caught", "tear-down fails", "class with init", "name twice", "not a test"],
)  # fmt: skip
def test_what_is_easily_overlooked_is_not_met(tmp_path: Path, second: str, code: int, outcome: str) -> None:
    """A tear-down counts too, and so does a test with a requirement that pytest does not run."""
    tests = own_tests(tmp_path, HEAD + second)
    words = ["prove", str(HERON), "--tests", str(tests), "--only", "MY-FIELD", "--quiet", "--out", str(tmp_path / "ev")]
    run = CliRunner().invoke(main, words)
    assert run.exit_code == code, run.output
    (verdict,) = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert verdict["outcome"] == outcome
    if code == 2:
        assert "has a requirement, but pytest does not run it" in run.output


@pytest.mark.parametrize("limits", ["[1000, 530_000]", "[530_000, 1000]"])
def test_a_requirement_of_two_tests_is_met_only_if_both_meet_it(tmp_path: Path, limits: str) -> None:
    """Two functions, or the cases of one: the worse outcome counts, with its finding and its run."""
    tests = own_tests(
        tmp_path,
        "@requirement('MY-FIELD', 'critical', 'The throttle is cut in time.')\n"
        f"@pytest.mark.parametrize('limit', {limits})\n"
        "def test_field(rig, scenario, judge, limit):\n"
        "    for flight in scenario.flights(2):\n"
        "        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))\n"
        "        judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=limit)\n",
    )
    evidence = tmp_path / "ev"
    run = CliRunner().invoke(
        main, ["prove", str(HERON), "--tests", str(tests), "--only", "MY-FIELD", "--quiet", "--out", str(evidence)]
    )
    assert run.exit_code == 1, run.output
    (verdict,) = json.loads((evidence / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert (verdict["outcome"], verdict["limit"], verdict["runs"]) == ("not met", "at most 1000 µs", 3)
    finding = (evidence / "failing" / "MY-FIELD.txt").read_text(encoding="utf-8")
    assert f"pytest '{tests}::test_field[1000]'" in finding
    kept = json.loads((evidence / "runs" / "MY-FIELD.json").read_text(encoding="utf-8"))
    assert kept["judged"]["outcome"] == "not met"
