"""The main job leaves a report: a run for every requirement, also of those that are met, and a page made of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from report.reporting import expect_runs_as_judged

from lostlink.cli import main
from lostlink.evidence.run_reader import read_runs

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"


@pytest.mark.parametrize("receiver", ["HoldsForEver", "CrashesOnShortPacket"])
def test_prove_leaves_a_report(tmp_path: Path, receiver: str) -> None:
    """What is drawn for a requirement is what its verdict says (when all are met: ``test_prove.py``)."""
    only = ["FS-CUT", "FS-FOREIGN", "RC-LIVE", "CH-VALUE"]
    words = ["prove", str(HERON), "--out", str(tmp_path), "--quiet", "--receiver", f"{ZOO}:{receiver}"]
    CliRunner().invoke(main, [*words, "--only", ",".join(only)])
    verdicts = json.loads((tmp_path / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    assert {verdict["id"] for verdict in verdicts} >= set(only)
    expect_runs_as_judged(tmp_path)


def test_an_earlier_report_is_taken_away(tmp_path: Path) -> None:
    """Evidence of one run only: neither page nor kept runs of the one before."""
    words = ["prove", str(HERON), "--out", str(tmp_path), "--quiet", "--only"]
    runner = CliRunner()
    runner.invoke(main, [*words, "FS-CUT,FS-MOTOR"])
    assert set(read_runs(tmp_path)[0]) == {"FS-CUT", "FS-MOTOR"}
    runner.invoke(main, [*words, "FS-CUT"])
    assert set(read_runs(tmp_path)[0]) == {"FS-CUT"}
    assert "FS-MOTOR" not in (tmp_path / "report.html").read_text(encoding="utf-8")
