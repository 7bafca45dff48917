"""What a run costs that carries no timing noise: memory and events. Times are in benchmarks/."""

from __future__ import annotations

import tracemalloc

from lostlink_sims import Profile, Scenario, summarise


def peak_bytes(seconds: int) -> int:
    tracemalloc.start()
    try:
        summarise(Profile(), Scenario(duration_us=seconds * 1_000_000))
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_of_a_summary_does_not_grow() -> None:
    """Eight times the duration needs the same memory, when only the summary is asked for."""
    peak_bytes(1)  # what is made once in a process
    assert peak_bytes(480) < 1.15 * peak_bytes(60)


def test_events_a_packet() -> None:
    """Two events a packet and one a frame; none for an edge, none for a millisecond."""
    profile = Profile()
    total = summarise(profile, Scenario(duration_us=60_000_000))
    frames = 60_000_000 / profile.output.frame_period_us
    assert total.events < 2.01 * total.packets
    assert total.frames <= frames + 1
