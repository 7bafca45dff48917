"""What the simulation costs: a packet of the whole world against a bare SimPy loop with the same number of events.

Both run in one process in alternating rounds; the ratio is the median over rounds of CPU-time ratios, which a busy
machine disturbs least. Run: ``python benchmarks/event_loop.py``.
"""

from __future__ import annotations

import statistics
import tracemalloc
from pathlib import Path

import simpy
from goals import Goal, cpu_s, table

from lostlink.profiles import read_profile
from lostlink_sims import Profile, Scenario, simulate, summarise

ROUNDS = 9
SECONDS = 60
HERON = Path(__file__).parents[1] / "fixtures" / "profiles" / "heron.toml"
GOALS = {"plain link, summary": 1.0, "heron, summary": 1.3}


def bare_loop(env: simpy.Environment, packet_us: int, frame_us: int) -> None:
    """Schedule what the world schedules and do nothing: a packet leaves and arrives, a frame starts."""

    def leave(_: object) -> None:
        timeout(300).callbacks.append(arrive)
        timeout(packet_us).callbacks.append(leave)

    def arrive(_: object) -> None:
        pass

    def frame(_: object) -> None:
        timeout(frame_us).callbacks.append(frame)

    timeout = env.timeout
    timeout(0).callbacks.append(leave)
    timeout(0).callbacks.append(frame)


def bare() -> None:
    env = simpy.Environment()
    profile = Profile()
    bare_loop(env, profile.handset.packet_interval_us, profile.output.frame_period_us)
    env.run(until=SECONDS * 1_000_000)


def peak_kib(seconds: int) -> float:
    tracemalloc.start()
    summarise(Profile(), Scenario(duration_us=seconds * 1_000_000))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1024


def main() -> list[Goal]:
    """Measure and print."""
    goals = []
    profile, shipped, scenario = Profile(), read_profile(HERON), Scenario(duration_us=SECONDS * 1_000_000)
    summary = summarise(profile, scenario)
    bare()
    work = {
        "bare SimPy loop": bare,
        "plain link, summary": lambda: summarise(profile, scenario),
        "plain link, trace": lambda: simulate(profile, scenario),
        "heron, summary": lambda: summarise(shipped, scenario),
        "heron, trace": lambda: simulate(shipped, scenario),
    }
    rounds = [[cpu_s(one) for one in work.values()] for _ in range(ROUNDS)]
    rate = 1_000_000 // profile.handset.packet_interval_us
    print(f"{rate} packets/s, {SECONDS} s of link, {summary.packets} packets, {summary.events} packet events,")
    print(f"{summary.frames} frames; median of {ROUNDS} alternating rounds, CPU time")
    print(f"{'':24}{'s of link per s':>16}{'µs per packet':>16}{'against bare loop':>20}")
    for column, name in enumerate(work):
        cost = statistics.median(times[column] for times in rounds)
        ratio = statistics.median(times[column] / times[0] for times in rounds)
        if name in GOALS:
            goals.append(Goal(f"event simulation, {name}, to the bare SimPy loop", ratio, GOALS[name]))
        print(f"{name:24}{SECONDS / cost:16.0f}{cost / summary.packets * 1e6:16.2f}{ratio:19.2f}x")
    short, long = peak_kib(60), peak_kib(640)
    print(f"memory for a summary: {short:.0f} KiB after 60 s, {long:.0f} KiB after 640 s ({long / short:.2f}x)")
    return goals


if __name__ == "__main__":
    print(table(main()))
