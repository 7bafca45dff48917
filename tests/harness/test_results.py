"""One rule each: exit code, conclusion, waiver, the document; and what reading the cautions may cost."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from lostlink.cli import main
from lostlink.errors import EvidenceError, ExitCode
from lostlink.evidence.document import Document, run_head
from lostlink.evidence.reader import read_evidence
from lostlink.profiles import reader
from lostlink.requirements import CATALOGUE
from lostlink.results import Result, exit_code, failure
from lostlink.verdicts import Outcome, Verdict
from lostlink_sims import Profile

HERON = Path(__file__).parents[2] / "fixtures" / "profiles" / "heron.toml"
MET, NOT_MET, INCONCLUSIVE, NOT_TESTED, WAIVED = Outcome


def verdicts(*outcomes: Outcome, ids: tuple[str, ...] = tuple(CATALOGUE)) -> list[Verdict]:
    return [Verdict(requirement=CATALOGUE[name], outcome=one) for name, one in zip(ids, outcomes, strict=False)]


@pytest.mark.parametrize(
    ("outcomes", "code"),
    [
        ((MET, MET), ExitCode.MET),
        ((MET, WAIVED), ExitCode.MET),
        ((MET, NOT_MET, INCONCLUSIVE), ExitCode.NOT_MET),
        ((MET, INCONCLUSIVE), ExitCode.UNDECIDED),
        ((MET, NOT_TESTED), ExitCode.UNDECIDED),
        ((WAIVED, WAIVED), ExitCode.UNDECIDED),
        ((), ExitCode.UNDECIDED),
    ],
)
def test_exit_code(outcomes: tuple[Outcome, ...], code: ExitCode) -> None:
    assert exit_code(verdicts(*outcomes)) is code


def test_a_run_that_did_not_complete_never_ends_as_met() -> None:
    met = verdicts(MET)
    assert Result(met).exit_code is ExitCode.MET
    assert Result(met, errors=["x"]).exit_code is ExitCode.BAD_INPUT
    assert Result([]).exit_code is ExitCode.BAD_INPUT
    assert Result(met, interrupted=True).exit_code is ExitCode.INTERRUPTED
    assert Result(met, rig_lost="x").exit_code is ExitCode.RIG_LOST
    assert Result(verdicts(NOT_MET), errors=["x"]).exit_code is ExitCode.NOT_MET


def test_a_reason_is_not_shown_twice() -> None:
    verdict = dataclasses.replace(verdicts(INCONCLUSIVE)[0], measured="x: 5 ms", limit="at most 5 ms")
    assert dataclasses.replace(verdict, reason="x: 5 ms, limit at most 5 ms").remark == ""
    assert dataclasses.replace(verdict, reason="too short").remark == "too short"


def test_the_most_severe_failure_is_the_conclusion() -> None:
    failed = verdicts(NOT_MET, NOT_MET, ids=("CH-CENTRE", "FS-CUT"))
    assert failure(failed, "This link") == f"Do not fly this link: {CATALOGUE['FS-CUT'].fault}, and 1 more."
    assert failure(failed[:1], "This link").startswith("This link does not meet its requirements: ")
    assert failure(verdicts(MET, INCONCLUSIVE), "This link") == ""


def test_one_requirement_is_one_requirement() -> None:
    assert Result(verdicts(MET), interrupted=True).conclusion.startswith("Interrupted after 1 requirement;")
    assert "the one requirement tested is met" in Result(verdicts(MET)).conclusion


def test_a_waiver_changes_the_outcome_and_keeps_the_measurement() -> None:
    failed = dataclasses.replace(verdicts(NOT_MET)[0], measured="x", value=3.0)
    waived = failed.waived_by([failed.requirement.id])
    assert (waived.outcome, waived.measured, waived.value) == (WAIVED, "x", 3.0)
    assert failed.waived_by(["FS-STAY"]) is failed


def test_a_failure_is_shown_by_its_fault() -> None:
    failed, met = verdicts(NOT_MET, MET)
    assert failed.statement == failed.requirement.fault
    assert met.statement == met.requirement.sentence


# --- the document ----------------------------------------------------------------------------------------------------


def test_a_verdict_is_read_as_it_was_written() -> None:
    written = dataclasses.replace(verdicts(NOT_MET)[0], measured="x", value=3.5, unit="µs", runs=2, checks=7)
    assert Verdict.from_dict(json.loads(json.dumps(written.as_dict()))) == written


@pytest.mark.parametrize(
    "edit",
    [
        {"outcome": "fine"},
        {"severity": "none"},
        {"runs": True},
        {"runs": "1"},
        {"checks": -1},
        {"value": "1"},
        {"value": False},
        {"id": ""},
        {"measured": 1},
    ],
)
def test_an_edited_verdict_is_refused(edit: dict[str, object], tmp_path: Path) -> None:
    """By every command that reads evidence, in one line that names the file and the place."""
    head = run_head(
        Profile(), profile_file=None, receiver="x", rig="sim", seed=0, only=[], started=dt.datetime.now(dt.UTC)
    )
    data = json.loads(Document("x", ExitCode.MET, head, tuple(verdicts(MET))).as_text())
    file = tmp_path / "verdicts.json"
    file.write_text(json.dumps(data), encoding="utf-8")
    assert read_evidence(tmp_path).document.verdicts == tuple(verdicts(MET))
    data["verdicts"][0].update(edit)
    file.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(EvidenceError, match=rf"verdicts\.json: verdicts\[0\]\.{next(iter(edit))}: "):
        read_evidence(tmp_path)
    for words in (["report", str(tmp_path)], ["compare", str(tmp_path), str(tmp_path)]):
        done = CliRunner().invoke(main, words)
        assert (done.exit_code, done.stderr.count("\n")) == (2, 1), done.output


# --- what it costs ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("module", ["lostlink.results", "lostlink.evidence.folder", "lostlink.evidence.reader"])
def test_evidence_does_not_import_the_runner(module: str) -> None:
    code = f"import sys, {module}; sys.exit(any(name in sys.modules for name in ('pytest', 'lostlink.suite.run')))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_profile_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The digest in the evidence is that of the profile which was judged."""
    reads: list[str | Path] = []
    read = reader._read

    def counted(path: str | Path, kind: str) -> str:
        reads.append(path)
        return read(path, kind)

    monkeypatch.setattr(reader, "_read", counted)
    done = CliRunner().invoke(main, ["prove", str(HERON), "--only", "FS-CUT", "--quiet", "--out", str(tmp_path / "ev")])
    assert done.exit_code == 0, done.output
    assert len(reads) == 1
