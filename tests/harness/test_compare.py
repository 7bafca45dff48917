"""``lostlink compare``: outcomes, numbers within their uncertainty, campaigns beyond chance."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lostlink.cli import main
from lostlink.errors import EvidenceError
from lostlink.evidence.comparison import Change, compare, exit_code, fisher, values
from lostlink.evidence.document import Document
from lostlink.evidence.reader import Evidence, read_evidence
from lostlink.requirements import CATALOGUE
from lostlink.verdicts import Outcome, Verdict

HERON = "fixtures/profiles/heron.toml"
SLOW = """
from lostlink_sims.receiver import ReferenceReceiver
class Slow(ReferenceReceiver):
    def __init__(self, profile):
        super().__init__(profile)
        self._timeout_us += 60_000
        self._cut_us += 60_000
"""


def lostlink(*words: object) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return evidence of a good run, one with another seed, one of a receiver that cuts late, and of a campaign."""
    folder = tmp_path_factory.mktemp("runs")
    (folder / "slow.py").write_text(SLOW, encoding="utf-8")
    words = ("prove", HERON, "--only", "FS-CUT,LK-GAP,CH-ENDS", "--quiet", "--out")
    assert lostlink(*words, folder / "good").exit_code == 0
    assert lostlink(*words, folder / "seed", "--seed", 2).exit_code == 0
    assert lostlink(*words, folder / "slow", "--receiver", f"{folder / 'slow.py'}:Slow").exit_code == 1
    assert lostlink("campaign", HERON, "--trials", 32, "--quiet", "--out", folder / "campaign").exit_code == 0
    return {name: folder / name for name in ("good", "seed", "slow", "slow.py", "campaign")}


def test_a_change_that_breaks_a_requirement(runs: dict[str, Path], tmp_path: Path) -> None:
    done = lostlink("compare", runs["good"], runs["slow"], "--markdown", tmp_path / "summary.md")
    assert done.exit_code == 1, done.output
    assert "No longer met: FS-CUT" in done.output
    assert "differs: receiver:" in done.output
    markdown = (tmp_path / "summary.md").read_text(encoding="utf-8")
    assert "| FS-CUT |" in markdown
    assert "was met, is not met" in markdown
    back = lostlink("compare", runs["slow"], runs["good"], "--quiet")
    assert back.exit_code == 0
    assert "better: FS-CUT" in back.output
    assert "No longer there: FS-MOTOR" in back.output  # nobody asked for it; a run of the slow receiver broke it


def test_nothing_changed(runs: dict[str, Path]) -> None:
    done = lostlink("compare", runs["good"], runs["good"], "--quiet")
    assert (done.exit_code, done.output) == (0, "Nothing changed: 3 requirements as before.\n")
    other = lostlink("compare", runs["good"], runs["seed"])
    assert other.exit_code == 0
    assert "differs: seed: 1, then 2" in other.output


def test_profiles_that_differ_are_said(runs: dict[str, Path], tmp_path: Path) -> None:
    text = Path(HERON).read_text(encoding="utf-8").replace('cut_within = "550 ms" ', 'cut_within = "560 ms" ')
    (tmp_path / "other.toml").write_text(text, encoding="utf-8")
    assert (
        lostlink("prove", tmp_path / "other.toml", "--only", "FS-CUT", "--quiet", "--out", tmp_path / "out").exit_code
        == 0
    )
    done = lostlink("compare", runs["good"], tmp_path / "out")
    assert "requirements.cut_within: 550 ms, then 560 ms" in done.output
    assert "no longer there: LK-GAP" in done.output.replace("\n", " ") or "No longer there" in done.output
    assert done.exit_code == 4


def test_campaigns(runs: dict[str, Path], tmp_path: Path) -> None:
    slow = f"{runs['slow.py']}:Slow"
    fly = ("campaign", HERON, "--trials", 32, "--quiet", "--out", tmp_path / "b", "--receiver", slow)
    assert lostlink(*fly).exit_code == 1
    done = lostlink("compare", runs["campaign"], tmp_path / "b")
    assert done.exit_code == 1
    assert "0 of 32, then 32 of 32 failed" in " ".join(done.output.split())


# --- rules -----------------------------------------------------------------------------------------------------------


def verdict(outcome: Outcome, **fields: Any) -> Verdict:
    return Verdict(requirement=CATALOGUE["FS-CUT"], outcome=outcome, **fields)


def folder(*verdicts: Verdict) -> Evidence:
    return Evidence(Path("x"), Document("", 0, {}, verdicts))


@pytest.mark.parametrize(
    ("before", "after", "change", "code"),
    [
        (Outcome.MET, Outcome.NOT_MET, Change.BROKEN, 1),
        (Outcome.MET, Outcome.INCONCLUSIVE, Change.DOUBTFUL, 4),
        (Outcome.MET, Outcome.NOT_TESTED, Change.DOUBTFUL, 4),
        (Outcome.NOT_MET, Outcome.MET, Change.MENDED, 0),
        (Outcome.INCONCLUSIVE, Outcome.MET, Change.SHOWN, 0),
        (Outcome.INCONCLUSIVE, Outcome.NOT_MET, Change.WORSE, 0),
        (Outcome.NOT_MET, Outcome.INCONCLUSIVE, Change.BETTER, 0),
        (Outcome.WAIVED, Outcome.NOT_MET, Change.SAME, 0),
        (Outcome.MET, Outcome.MET, Change.SAME, 0),
    ],
)
def test_outcomes(before: Outcome, after: Outcome, change: Change, code: int) -> None:
    rows = compare(folder(verdict(before)), folder(verdict(after)))
    assert [row.change for row in rows] == [change]
    assert exit_code(rows) == code


def test_values_within_their_uncertainty_did_not_change() -> None:
    before = verdict(Outcome.MET, value=500_000.0, uncertainty=800.0, unit="µs")
    near, far = (dataclasses.replace(before, value=value) for value in (501_600.0, 501_700.0))
    assert "within the uncertainty ± 1600 µs" in values(before, near)
    assert "measured +" in values(before, far)
    assert not values(before, dataclasses.replace(before, unit=""))
    assert not values(verdict(Outcome.MET), before)


def test_a_worse_outcome_with_a_larger_value_is_no_campaign() -> None:
    """Only failures of campaigns are judged by numbers."""
    rows = compare(
        folder(verdict(Outcome.INCONCLUSIVE, value=540_000.0, unit="µs")),
        folder(verdict(Outcome.NOT_MET, value=580_000.0, unit="µs")),
    )
    assert (rows[0].change, exit_code(rows)) == (Change.WORSE, 0)


@given(st.integers(0, 40), st.integers(1, 400), st.integers(0, 40), st.integers(1, 400))
@settings(max_examples=150, deadline=None, derandomize=True)
def test_fisher_is_the_library_s(failures_a: int, more_a: int, failures_b: int, more_b: int) -> None:
    """Against scipy's exact test (R. A. Fisher, The Design of Experiments, 1935)."""
    table = [[failures_a, more_a], [failures_b, more_b]]
    ours = fisher(failures_a, failures_a + more_a, failures_b, failures_b + more_b)
    assert ours == pytest.approx(stats.fisher_exact(table)[1], rel=1e-6, abs=1e-12)


def test_the_lady_tasting_tea() -> None:
    """3 of 4 right: one-sided 17/70, two-sided 34/70 (Fisher 1935)."""
    assert fisher(3, 4, 1, 4) == pytest.approx(34 / 70)


def test_the_largest_campaigns_are_compared_at_once() -> None:
    """Against the normal approximation, which is as good as exact at such counts; far outside it is 0."""
    trials, more = 2**32, 100_000
    z = (more - 1) / (trials / 2) ** 0.5  # with the correction for continuity
    assert fisher(trials // 2, trials, trials // 2 + more, trials) == pytest.approx(2 * stats.norm.sf(z), rel=1e-3)
    assert fisher(0, trials, trials, trials) == 0.0
    assert fisher(0, trials, 0, 1) == 1.0


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "No such file"),
        ("{", "not JSON"),
        ("[]", "not evidence of lostlink"),
        ('{"schema": 2}', "this version reads schema 1"),
        ('{"schema": 1}', "'conclusion' is a required property"),
        ('{"schema": 1, "conclusion": "", "tested": {}, "verdicts": [{"id": 1}]}', "is a required property"),
        ('{"schema": 1, "seed": NaN}', "NaN is not a number of JSON"),
        ('{"schema": 1, "conclusion": "\\ud800"}', "not JSON"),
        ('{"schema": 1, "exit_code": 1, "exit_code": 0}', "'exit_code' is there twice"),
        ('{"schema": 1, "value": 1e999}', "1e999 is too large a number"),
    ],
)
def test_no_evidence(text: str | None, said: str, runs: dict[str, Path], tmp_path: Path) -> None:
    if text is not None:
        (tmp_path / "verdicts.json").write_text(text, encoding="utf-8")
    done = lostlink("compare", runs["good"], tmp_path)
    assert done.exit_code == 2
    assert said in done.output
    assert "Traceback" not in done.output


def test_control_characters_are_shown_escaped(runs: dict[str, Path], tmp_path: Path) -> None:
    """Of the profile, and of every text in the document; a terminal obeys none of them."""
    document = json.loads((runs["good"] / "verdicts.json").read_text(encoding="utf-8"))
    document["tested"] |= {"date": "\x1b[31m", "receiver": "\x9b31m"}
    document["tested"]["versions"]["\x1b"] = 1
    document["verdicts"][0] |= {"id": "\x1b[32m", "measured": "\x1b[33m"}
    file = tmp_path / "verdicts.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    assert "\\x1b" in lostlink("compare", tmp_path, runs["good"]).output
    del document["tested"]["versions"]["\x1b"]
    file.write_text(json.dumps(document), encoding="utf-8")
    (tmp_path / "profile.toml").write_text('"a\\u001b" = "\\u001b[31m"\n', encoding="utf-8")
    for words in ((), ("--quiet",)):
        done = lostlink("compare", tmp_path, runs["good"], *words)
        assert done.exit_code == 4, done.output
        assert not {"\x1b", "\x9b"} & set(done.output)
        assert "\\x1b[32m" in done.output
    assert "\\x1b[31m, then none" in lostlink("compare", tmp_path, runs["good"]).output


def test_evidence_without_numbers_is_compared_by_outcome(runs: dict[str, Path], tmp_path: Path) -> None:
    document = json.loads((runs["good"] / "verdicts.json").read_text(encoding="utf-8"))
    assert {"value", "uncertainty", "unit"} <= set(document["verdicts"][0])
    for one in document["verdicts"]:
        for name in ("value", "uncertainty", "unit"):
            del one[name]
    (tmp_path / "verdicts.json").write_text(json.dumps(document), encoding="utf-8")
    assert lostlink("compare", tmp_path, runs["good"]).exit_code == 0


@pytest.mark.parametrize(
    ("name", "edit"),
    [
        ("verdicts.json", {"tested": {"versions": 3}}),
        ("verdicts.json", {"tested": {"bench": {"line": 1}}}),
        ("verdicts.json", {"tested": {"date": None}}),
        ("verdicts.json", {"tested": {"duration_s": 10**4000}}),
        ("verdicts.json", {"tested": {"seed": 10**4000}}),
        ("verdicts.json", {"verdicts": [{"value": 10**400}]}),
        ("verdicts.json", {"verdicts": [{"uncertainty": 10**4000}]}),
        ("campaign.json", {"requirements": [{"judged": 10**4000}]}),
        ("campaign.json", {"requirements": [{"quantiles": [{"value_us": 10**4000}]}]}),
        ("campaign.json", {"requirements": [{"times": {"values_us": [10**4000]}}]}),
        ("campaign.json", {"trials": "many"}),
        ("campaign.json", {"losses": [[1, 2]]}),
        ("campaign.json", {"head": []}),
        ("campaign.json", {"requirements": [{"quantiles": [{"share": "half"}]}]}),
        ("campaign.json", {"requirements": [{"worst": 7}]}),
        ("campaign.json", {"requirements": [{"failures": 10**6}]}),
        ("campaign.json", {"requirements": [{"judged": 10**12}]}),
        ("campaign.json", {"requirements": []}),
        ("campaign.json", {"requirements": [{"id": "FS-STAY"}]}),
        ("campaign.json", {"requirements": [{"id": "FS-CUTE"}]}),
        ("campaign.json", {"requirements": [{"failures": 1}]}),
        ("campaign.json", {"requirements": [{"quantiles": [{"value_us": -1}]}]}),
        ("campaign.json", {"requirements": [{"times": {"values_us": [-5]}}]}),
        ("campaign.json", {"losses": [[0, 31, 32]]}),
        ("campaign.json", {"losses": [[0, 31, 0]]}),
        ("campaign.json", {"confidence": 0}),
        ("campaign.json", {"confidence": 1}),
        ("campaign.json", {"trials": 31}),
    ],
    ids=lambda value: str(value)[:60],
)
@pytest.mark.parametrize("command", ["compare", "report"])
def test_values_of_a_wrong_type_are_refused(
    name: str, edit: dict[str, Any], command: str, runs: dict[str, Path], tmp_path: Path
) -> None:
    """In one line that names the file and the place; no internal error, and no page of it."""
    shutil.copytree(runs["campaign"], tmp_path / "e")
    document = json.loads((tmp_path / "e" / name).read_text(encoding="utf-8"))
    edited = document
    while edit:  # to the innermost
        ((key, value),) = edit.items()
        if isinstance(value, list) and value and isinstance(value[0], dict):
            edited, edit = edited[key][0], value[0]
        elif isinstance(value, dict):
            edited, edit = edited.setdefault(key, {}), value
        else:
            edited[key], edit = value, {}
    (tmp_path / "e" / name).write_text(json.dumps(document), encoding="utf-8")
    (tmp_path / "e" / "report.html").unlink(missing_ok=True)
    done = lostlink(command, tmp_path / "e", *([runs["campaign"]] if command == "compare" else []))
    assert (done.exit_code, done.output.count("\n")) == (2, 1)
    assert f"{tmp_path / 'e' / name}: " in done.output
    assert key in done.output or "FS-CUT: " in done.output or "requirements: not those" in done.output
    assert not (tmp_path / "e" / "report.html").exists()


def test_two_verdicts_are_refused(runs: dict[str, Path], tmp_path: Path) -> None:
    document = json.loads((runs["good"] / "verdicts.json").read_text(encoding="utf-8"))
    document["verdicts"].append(document["verdicts"][0])
    (tmp_path / "verdicts.json").write_text(json.dumps(document), encoding="utf-8")
    assert "has two verdicts" in lostlink("compare", tmp_path, runs["good"]).output


@pytest.mark.parametrize(
    ("outcomes", "rig", "codes"),
    [
        ((Outcome.MET, Outcome.MET), "sim", {0}),
        ((Outcome.MET, Outcome.WAIVED), "sim", {0}),
        ((Outcome.MET, Outcome.NOT_TESTED), "sim", {4}),
        ((Outcome.MET, Outcome.INCONCLUSIVE), "sim", {4}),
        ((Outcome.NOT_MET, Outcome.INCONCLUSIVE), "sim", {1}),
        ((Outcome.WAIVED,), "sim", {4}),
        ((), "watch", {4}),
        ((Outcome.MET,), "capture", {0, 4}),
        ((Outcome.NOT_MET,), "capture", {1}),
    ],
)
def test_exit_codes_and_verdicts(
    outcomes: tuple[Outcome, ...], rig: str, codes: set[int], runs: dict[str, Path], tmp_path: Path
) -> None:
    """Of a complete run, the code that `results.exit_code` gives; an incomplete one keeps any verdicts."""
    document = json.loads((runs["good"] / "verdicts.json").read_text(encoding="utf-8"))
    document["tested"]["rig"] = rig
    ids = zip(CATALOGUE.values(), outcomes, strict=False)
    document["verdicts"] = [Verdict(requirement=one, outcome=outcome).as_dict() for one, outcome in ids]
    for code in (0, 1, 4, 2, 3, 129, 130, 143, 149):
        (tmp_path / "verdicts.json").write_text(json.dumps({**document, "exit_code": code}), encoding="utf-8")
        if code in codes or code not in (0, 1, 4):
            assert read_evidence(tmp_path).document.exit_code == code
        else:
            with pytest.raises(EvidenceError, match=f"exit code {code} contradicts the verdicts"):
                read_evidence(tmp_path)


@pytest.mark.parametrize(
    ("answer", "outcome", "codes"),
    [
        (None, "met", {0}),
        (None, "not met", {1}),
        ("shown", "not met", {0}),
        ("refuted", "not met", {1}),
        ("undecided", "met", {4}),
    ],
)
def test_exit_codes_of_campaigns(
    answer: str | None, outcome: str, codes: set[int], runs: dict[str, Path], tmp_path: Path
) -> None:
    """By the answer to the claim; without one by the failures."""
    document, campaign = (
        json.loads((runs["campaign"] / name).read_text(encoding="utf-8")) for name in ("verdicts.json", "campaign.json")
    )
    document["verdicts"][0]["outcome"] = outcome
    campaign["requirements"][0]["failures"] = int(outcome == "not met")
    campaign |= {"answer": answer, "decision": answer and "in words"}
    (tmp_path / "campaign.json").write_text(json.dumps(campaign), encoding="utf-8")
    for code in (0, 1, 4, 130):
        (tmp_path / "verdicts.json").write_text(json.dumps({**document, "exit_code": code}), encoding="utf-8")
        if code in (*codes, 130):
            assert read_evidence(tmp_path).campaign == campaign
        else:
            with pytest.raises(EvidenceError, match="contradicts the verdicts"):
                read_evidence(tmp_path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\xff\xfe\x00", "not a profile"),
        (b"a = 0x" + b"F" * 5000 + b"\n", "not a profile"),
        (b"a = " + b"[" * 3000 + b"\n", "not a profile"),
        (b"a" + b".a" * 3000 + b" = 1\n", "not a profile"),
        (None, "is not a regular file"),
    ],
    ids=["empty", "binary", "digits", "brackets", "tables", "pipe"],
)
@pytest.mark.parametrize("command", ["compare", "report"])
def test_a_damaged_profile_is_refused(
    content: bytes | None, said: str, command: str, runs: dict[str, Path], tmp_path: Path
) -> None:
    (tmp_path / "verdicts.json").write_bytes((runs["good"] / "verdicts.json").read_bytes())
    if content is None:
        os.mkfifo(tmp_path / "profile.toml")
    else:
        (tmp_path / "profile.toml").write_bytes(content)
    done = lostlink(command, tmp_path, *([runs["good"]] if command == "compare" else []))
    assert (done.exit_code, done.output.count("\n")) == (2, 1), done.output
    assert f"{tmp_path / 'profile.toml'}: {said}" in done.output
