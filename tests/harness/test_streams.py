"""Output that nobody reads, that nothing takes, or that knows no micro sign: never the code of a verdict.

141 is what shells report for a program that ended because nobody read on (128 + 13, the number of SIGPIPE in POSIX).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from lostlink.cli import main

FIXTURES = Path(__file__).parents[2] / "fixtures"
HERON = FIXTURES / "profiles" / "heron.toml"
LOSTLINK = [sys.executable, "-m", "lostlink"]


def prove(out: Path) -> list[str]:
    return [*LOSTLINK, "prove", str(HERON), "--only", "FR-PERIOD", "--quiet", "--out", str(out)]


def test_nobody_reads_on(tmp_path: Path) -> None:
    """The evidence is there all the same."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(prove(tmp_path / "out"), stdout=write, stderr=subprocess.PIPE, check=False)
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (141, b"")
    assert (tmp_path / "out" / "verdicts.json").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no device that is always full")
@pytest.mark.parametrize("words", [["explain", "FS-CUT"], ["schema"], ["--help"], ["prove"]])
def test_a_full_disk(tmp_path: Path, words: list[str]) -> None:
    command = prove(tmp_path / "out") if words == ["prove"] else [*LOSTLINK, *words]
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr) == (2, "lostlink: output: No space left on device\n")


def test_no_output_at_all(tmp_path: Path) -> None:
    read = [*LOSTLINK, "read", FIXTURES / "captures" / "failsafe.vcd", HERON, "--out", tmp_path / "out"]
    words = " ".join(f"'{word}'" for word in read)
    done = subprocess.run(["sh", "-c", f"{words} >&-"], stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "out" / "verdicts.json").exists()


def test_a_terminal_without_a_micro_sign(tmp_path: Path) -> None:
    words = ["prove", str(HERON), "--only", "CH-VALUE", "--out", str(tmp_path / "out")]
    done = CliRunner(charset="ascii").invoke(main, words)
    assert done.exit_code == 0
    assert b"at most 2 ?s" in done.stdout_bytes
    assert "µs" in (tmp_path / "out" / "summary.md").read_text(encoding="utf-8")
