"""Campaigns on two processes, against what the machine itself gives two processes.

Run: ``python benchmarks/scaling.py``. The ceiling is measured beside each round: a plain loop, once, and two at a
time.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from goals import Goal, elapsed_s, table

ROOT = Path(__file__).parents[1]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
RECEIVER = f"{ROOT / 'tests' / 'faulty' / 'zoo.py'}:Sound"
TRIALS = 600
ROUNDS = 3
LOOP = "n = 0\nfor i in range(60_000_000): n += i"


def campaign(jobs: int, trials: int) -> None:
    """Run a campaign of a receiver in Python."""
    with tempfile.TemporaryDirectory() as folder:
        words = ["campaign", str(HERON), "--receiver", RECEIVER, "--trials", str(trials), "--jobs", str(jobs)]
        command = [sys.executable, "-m", "lostlink", *words, "--out", f"{folder}/campaign"]
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def loops(count: int) -> None:
    """Run plain loops at the same time."""
    started = [subprocess.Popen([sys.executable, "-c", LOOP]) for _ in range(count)]
    for process in started:
        process.wait()


def main() -> list[Goal]:
    """Measure and print."""
    shares = []
    for _ in range(ROUNDS):
        ceiling = 2 * elapsed_s(lambda: loops(1)) / elapsed_s(lambda: loops(2))
        one_s, two_s = (
            elapsed_s(lambda jobs=jobs: campaign(jobs, TRIALS)) - elapsed_s(lambda jobs=jobs: campaign(jobs, 2))  # type: ignore[misc]
            for jobs in (1, 2)
        )
        shares.append(one_s / two_s / ceiling)
        print(f"two processes: {one_s / two_s:.2f} times one; two plain loops at a time: {ceiling:.2f} times one")
    return [
        Goal(
            "campaign on two processes, share of the machine's ceiling", statistics.median(shares), 0.85, is_floor=True
        )
    ]


if __name__ == "__main__":
    print(table(main()))
