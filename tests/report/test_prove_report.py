"""The main job leaves a report: a run for every requirement, also of those that are met, and a page made of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from lostlink.cli import main
from lostlink.evidence.run_reader import read_runs
from lostlink.requirements import CATALOGUE

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"


@pytest.mark.parametrize("receiver", [None, "HoldsForEver", "CrashesOnShortPacket"])
def test_prove_leaves_a_report(tmp_path: Path, receiver: str | None) -> None:
    """What is drawn for a requirement is what its verdict says, and the page stays small."""
    words = ["prove", str(HERON), "--out", str(tmp_path), "--quiet"]
    only = ["FS-CUT", "FS-FOREIGN", "RC-LIVE", "CH-VALUE"] if receiver is not None else list(CATALOGUE)
    if receiver is not None:
        words += ["--receiver", f"{ZOO}:{receiver}", "--only", ",".join(only)]
    CliRunner().invoke(main, words)
    verdicts = json.loads((tmp_path / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    runs, spoiled = read_runs(tmp_path)
    assert spoiled == []
    assert {verdict["id"] for verdict in verdicts} >= set(only)
    for verdict in verdicts:
        if verdict["outcome"] not in ("met", "not met"):
            continue
        run = runs[verdict["id"]]
        if run.judged is None:  # a crash, or an invariant that a run breaks
            assert verdict["outcome"] == "not met"
            assert run.data["crash"] is not None or verdict["limit"] == ""
        else:
            assert verdict["measured"] == f"{run.judged['name']}: {run.judged['measured']}"
            assert verdict["limit"] == run.judged["limit"]
            assert verdict["outcome"] == run.judged["outcome"]
    assert (tmp_path / "report.html").stat().st_size < 4_000_000


def test_an_earlier_report_is_taken_away(tmp_path: Path) -> None:
    """Evidence of one run only: neither page nor kept runs of the one before."""
    words = ["prove", str(HERON), "--out", str(tmp_path), "--quiet", "--only"]
    runner = CliRunner()
    runner.invoke(main, [*words, "FS-CUT,FS-MOTOR"])
    assert set(read_runs(tmp_path)[0]) == {"FS-CUT", "FS-MOTOR"}
    runner.invoke(main, [*words, "FS-CUT"])
    assert set(read_runs(tmp_path)[0]) == {"FS-CUT"}
    assert "FS-MOTOR" not in (tmp_path / "report.html").read_text(encoding="utf-8")
