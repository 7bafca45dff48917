"""Many trials at once: how many times as fast as the event simulation, how near to drawing the numbers alone.

Interleaved rounds in one process, CPU time, median of the rounds' ratios. The shipped profile, 10 s a trial.
"""

from __future__ import annotations

import math
import statistics
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
from goals import Goal, cpu_s, table

from lostlink.campaigns.flight import flight_trials
from lostlink.profiles import read_profile
from lostlink_sims import summarise
from lostlink_sims.batch.engine import PIECE, BatchEngine

PROFILE = read_profile(Path(__file__).parent.parent / "fixtures" / "profiles" / "heron.toml")
TRIALS = 4 * PIECE
ROUNDS = 9


def many(trials: int, duration_us: int = 10_000_000) -> Callable[[], object]:
    engine = BatchEngine(flight_trials(PROFILE, 1, duration_us=duration_us))

    def work() -> None:
        for _ in engine.pieces(0, trials):
            pass

    return work


def growth(amounts: list[int], times_s: list[float]) -> float:
    """Return the exponent of a power law through the points."""
    slope, _ = np.polyfit(np.log(amounts), np.log(times_s), 1)
    return float(slope)


def main() -> list[Goal]:
    """Measure and print."""
    lot = flight_trials(PROFILE, 1)
    # Gilbert-Elliott draws two numbers a packet: one long stream of as many.
    packets = lot.duration_us // PROFILE.handset.packet_interval_us

    def numbers() -> None:
        source = np.random.Philox(1)
        for _ in range(TRIALS // 8):
            source.random_raw(8 * packets)

    def events() -> None:
        for trial in range(8):
            summarise(PROFILE, lot.scenario(trial))

    work = many(TRIALS)
    for once in (work, events, numbers):
        once()
    rounds = [(cpu_s(work) / TRIALS, cpu_s(events) / 8, cpu_s(numbers) / TRIALS) for _ in range(ROUNDS)]
    engine_us = statistics.median(one for one, _, _ in rounds) * 1e6
    print(f"{engine_us:.1f} µs a trial of 10 s")
    print(f"{statistics.median(b / a for a, b, _ in rounds):.0f} times as fast as the event simulation")
    to_numbers = statistics.median(a / c for a, _, c in rounds)
    print(f"{to_numbers:.2f} times drawing the numbers alone")
    amounts = [PIECE, 4 * PIECE, 16 * PIECE]
    print(f"growth with trials: exponent {growth(amounts, [cpu_s(many(n)) for n in amounts]):.2f}")
    seconds = [10, 40, 160]
    times = [cpu_s(many(PIECE, 1_000_000 * s)) for s in seconds]
    print(f"growth with duration: exponent {growth(seconds, times):.2f}")
    for trials in (PIECE, 16 * PIECE):
        tracemalloc.start()
        many(trials)()
        print(f"memory at {trials} trials: {math.ceil(tracemalloc.get_traced_memory()[1] / 2**20)} MiB at most")
        tracemalloc.stop()
    return [Goal("trials side by side, to their random numbers", to_numbers, 3)]


if __name__ == "__main__":
    print(table(main()))
