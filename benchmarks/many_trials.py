"""Many trials at once: how many times as fast as the event simulation, how near to drawing the numbers alone.

Interleaved rounds in one process, CPU time, median of the rounds' ratios. The shipped profile, 10 s a trial. Random
numbers are counted twice: two for each packet, as the loss models use them, and those that the engine draws.
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
from lostlink_sims import philox, summarise
from lostlink_sims.arrays import Ints, Words
from lostlink_sims.batch.engine import PIECE, BatchEngine
from lostlink_sims.streams import BatchStreams

PROFILE = read_profile(Path(__file__).parent.parent / "fixtures" / "profiles" / "heron.toml")
TRIALS = 4 * PIECE
ROUNDS = 9


def many(trials: int, duration_us: int = 10_000_000) -> Callable[[], object]:
    engine = BatchEngine(flight_trials(PROFILE, 1, duration_us=duration_us))

    def work() -> None:
        for _ in engine.pieces(0, trials):
            pass

    return work


def words_drawn(work: Callable[[], object]) -> int:
    """Return how many 64-bit words of random numbers the engine draws, wanted or not."""
    words, in_a_row, blocks = 0, BatchStreams._raw, philox.blocks

    def counted_row(self: BatchStreams, row: int, purpose: int, count: int) -> Words:
        nonlocal words
        words += count
        return in_a_row(self, row, purpose, count)

    def counted_blocks(key: int, counter: Ints, row: Ints, purpose: int) -> Words:
        nonlocal words
        words += 4 * len(counter)
        return blocks(key, counter, row, purpose)

    BatchStreams._raw, philox.blocks = counted_row, counted_blocks  # type: ignore[assignment, method-assign]
    try:
        work()
    finally:
        BatchStreams._raw, philox.blocks = in_a_row, blocks  # type: ignore[method-assign]
    return words


def growth(amounts: list[int], times_s: list[float]) -> float:
    """Return the exponent of a power law through the points."""
    slope, _ = np.polyfit(np.log(amounts), np.log(times_s), 1)
    return float(slope)


def main() -> list[Goal]:
    """Measure and print."""
    lot = flight_trials(PROFILE, 1)
    work = many(TRIALS)
    # Gilbert-Elliott uses two numbers of 32 bits a packet: one long stream of as many.
    words, drawn = TRIALS * (lot.duration_us // PROFILE.handset.packet_interval_us), words_drawn(work)

    def numbers(words: int) -> None:
        source = np.random.Philox(1)
        for _ in range(TRIALS // 8):
            source.random_raw(words * 8 // TRIALS)

    def events() -> None:
        for trial in range(8):
            summarise(PROFILE, lot.scenario(trial))

    tasks = (work, TRIALS), (events, 8), (lambda: numbers(words), TRIALS), (lambda: numbers(drawn), TRIALS)
    for once, _ in tasks:
        once()
    rounds = [[cpu_s(task) / trials for task, trials in tasks] for _ in range(ROUNDS)]
    engine_us, _, numbers_us, drawn_us = (statistics.median(column) * 1e6 for column in zip(*rounds, strict=True))
    to_events, to_numbers, to_drawn = (
        statistics.median(one[0] / one[other] for one in rounds) for other in range(1, len(tasks))
    )
    print(f"{engine_us:.1f} µs a trial of 10 s")
    print(f"{1 / to_events:.0f} times as fast as the event simulation")
    print(f"{to_numbers:.2f} times drawing two numbers a packet alone ({numbers_us:.1f} µs)")
    print(f"{to_drawn:.2f} times drawing the {drawn / words:.0%} of them that it draws ({drawn_us:.1f} µs)")
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
    return [
        Goal("trials side by side, to two random numbers a packet", to_numbers, 3),
        Goal("trials side by side, to the random numbers that are drawn", to_drawn, 3),
    ]


if __name__ == "__main__":
    print(table(main()))
