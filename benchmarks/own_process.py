"""What a process of its own costs a Python receiver: the same runs in this process and in another, side by side.

Both run in alternating rounds; the ratio is the median over rounds of elapsed times, which a busy machine disturbs
least. The elapsed time counts, because two processes share the work. Run: ``python benchmarks/own_process.py``.
"""

from __future__ import annotations

import statistics
from pathlib import Path

from goals import Goal, elapsed_s

from lostlink.profiles import read_profile
from lostlink.rigs import SimRig, open_rig
from lostlink.rigs.receivers import load_receiver
from lostlink_sims import Scenario

ROOT = Path(__file__).parents[1]
RECEIVER = f"{ROOT / 'tests' / 'faulty' / 'zoo.py'}:Sound"
ROUNDS = 15


def main() -> list[Goal]:
    """Measure and print."""
    profile = read_profile(ROOT / "fixtures" / "profiles" / "heron.toml")
    inside = SimRig(profile, load_receiver(RECEIVER))
    start_s = elapsed_s(lambda: open_rig(profile, receiver=RECEIVER).close())
    again_s = elapsed_s(lambda: open_rig(profile, receiver=RECEIVER).close())
    print(f"start of the process {start_s * 1000:.0f} ms, the same receiver again {again_s * 1000:.0f} ms")
    print(f"median of {ROUNDS} alternating rounds; {'here':>8} {'own process':>12} {'ratio':>6}")
    with open_rig(profile, receiver=RECEIVER) as outside:
        for seconds in (2, 20):
            scenario = Scenario(duration_us=seconds * 1_000_000)
            rounds = [
                (elapsed_s(lambda: inside.run(scenario)), elapsed_s(lambda: outside.run(scenario)))  # noqa: B023
                for _ in range(ROUNDS)
            ]
            here_s, there_s = (statistics.median(times[column] for times in rounds) for column in (0, 1))
            ratio = statistics.median(there / here for here, there in rounds)
            print(f"{seconds:4} s of link{'':19}{here_s * 1000:5.1f} ms {there_s * 1000:9.1f} ms {ratio:5.2f}x")
    return []


if __name__ == "__main__":
    main()
