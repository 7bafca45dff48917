"""Runs on a board while the computer is busy: how many are void, with the board's queue and without.

Run: ``python benchmarks/busy_host.py [BUSY [RUNS]]``. The board is a program behind a pseudo-terminal, which is kept
waiting too; a real one is not. Not part of ``python benchmarks``, which needs an idle machine.
"""

from __future__ import annotations

import multiprocessing
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from goals import Goal, table

from lostlink.measure import failsafe
from lostlink.profiles import read_profile
from lostlink.rigs.serial import SerialRig
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims.scenario import LinkCut

ROOT = Path(__file__).parents[1]
MOST_VOID = 0.1


def spin() -> None:
    """Keep a processor busy."""
    while True:
        pass


def fly(program: Path, runs: int) -> tuple[float, float, float]:
    """Return the share of attempts that were void, and median and largest uncertainty of the others, in µs."""
    link = read_profile(ROOT / "fixtures" / "profiles" / "heron.toml")
    found_us = []
    with subprocess.Popen([program], stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        rig = SerialRig(link, board.stdout.readline().strip())
        for flight in ScenarioBuilder(link, 1, "busy").flights(runs):
            trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))
            if not trace.doubt:
                found_us.append(failsafe.time_to_cut(trace, flight.at_us).uncertainty)
        void = rig._void
        rig.close()
        board.kill()
    return void / (void + len(found_us)), statistics.median(found_us or [0]), max(found_us, default=0)


def main(busy: int = 10, runs: int = 20) -> list[Goal]:
    """Measure and print."""
    goals = []
    with tempfile.TemporaryDirectory() as folder:
        others = [multiprocessing.Process(target=spin, daemon=True) for _ in range(busy)]
        for queue in (0, 16384):
            make = ["make", "-s", "-C", str(ROOT / "fixtures" / "board"), f"BUILD={folder}/{queue}", f"QUEUE={queue}"]
            subprocess.run(make, check=True)
        for other in others:
            other.start()
        try:
            time.sleep(5)  # noqa: TID251  until the load is even
            for queue in (0, 16384):
                void, median_us, most_us = fly(Path(folder) / str(queue) / "board", runs)
                print(
                    f"queue of {queue} bytes, {busy} busy processes: {void:.0%} of the runs void, "
                    f"uncertainty of a cut {median_us:.0f} µs (median), {most_us:.0f} µs (largest)"
                )
                if queue:
                    goals.append(Goal(f"void runs with {busy} busy processes, with a queue", void, MOST_VOID, ""))
        finally:
            for other in others:
                other.kill()
    return goals


if __name__ == "__main__":
    print(table(main(*map(int, sys.argv[1:]))))
