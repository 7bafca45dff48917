"""A campaign's flight of compiled firmware: CPU time, beside a Python receiver's and the random numbers alone.

Interleaved rounds, CPU time of this process and of the receiver's, which has started already; the ratios are medians of
the rounds. Needs a C compiler and make. Run: ``python benchmarks/own_firmware.py``.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from goals import Goal, table

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.trials import TrialRange, end_kept, fly
from lostlink.profiles import read_profile

ROOT = Path(__file__).parents[1]
PROFILE = read_profile(ROOT / "fixtures" / "profiles" / "heron.toml")
PYTHON = f"{ROOT / 'tests' / 'faulty' / 'zoo.py'}:Sound"
FLIGHTS = flight_trials(PROFILE, 1)
ROUNDS = 7


def cpu_s(work: Callable[[], object]) -> float:
    """Return the CPU time of a function and of the processes of its receivers, which count when they have ended."""

    def spent_s() -> float:
        uses = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
        return sum(use.ru_utime + use.ru_stime for use in uses)

    begin_s = spent_s()
    work()
    end_kept()
    return spent_s() - begin_s


def flight_ms(receiver: str | None, flights: int) -> float:
    """Return the time of one flight, without the start of the process."""
    some, none = (cpu_s(lambda n=n: fly(TrialRange(FLIGHTS, receiver, 0, n))) for n in (flights + 1, 1))  # type: ignore[misc]
    return 1000 * (some - none) / flights


def numbers_ms(flights: int) -> float:
    """Return the time of the random numbers of one flight: two for each packet."""
    packets = FLIGHTS.duration_us // PROFILE.handset.packet_interval_us

    def numbers() -> None:
        source = np.random.Philox(1)
        for _ in range(flights // 8):
            source.random_raw(8 * packets)

    return 1000 * cpu_s(numbers) / flights


def main() -> list[Goal]:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(["make", "-s", "-C", ROOT / "fixtures" / "board", f"BUILD={folder}"], check=True)
        library = f"{folder}/receiver.so"
        flight_ms(library, 8)
        rounds = [
            (flight_ms(library, 1024), flight_ms(PYTHON, 64), flight_ms(None, 8192), numbers_ms(4096))
            for _ in range(ROUNDS)
        ]
    names = ("compiled firmware", "receiver in Python", "reference receiver, side by side", "random numbers alone")
    medians_ms = [statistics.median(times[column] for times in rounds) for column in range(len(names))]
    for column, name in enumerate(names):
        ratio = statistics.median(times[column] / times[3] for times in rounds)
        print(f"{name:33} {medians_ms[column]:8.3f} ms a flight of 10 s, {ratio:7.1f} times the random numbers")
    print(f"compiled firmware: {statistics.median(b / a for a, b, *_ in rounds):.0f} times as fast as Python")
    return [Goal("campaign of compiled firmware, CPU of a flight of 10 s", medians_ms[0], 1, "ms")]


if __name__ == "__main__":
    print(table(main()))
