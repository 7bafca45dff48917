"""What reading a capture costs: one minute of eight channels against plain Python iteration over the same file.

Both run in one process in alternating rounds; the ratio is the median over rounds of CPU-time ratios, which a busy
machine disturbs least. Run: ``python benchmarks/read_capture.py``.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

from lostlink.captures.files import parse_capture
from lostlink.captures.judging import findings
from lostlink.captures.recognise import choose
from lostlink_sims import Profile, Scenario, simulate

ROUNDS = 9
SECONDS = 60


def cpu_s(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def iterate(text: bytes) -> int:
    """Look at each word once, as the shortest loop does."""
    words = 0
    for line in text.splitlines():
        for _ in line.split():
            words += 1
    return words


def captures() -> dict[str, tuple[bytes, int]]:
    at_us, level = simulate(Profile(), Scenario(duration_us=SECONDS * 1_000_000)).edges
    edges = list(zip(at_us.tolist(), level.tolist(), strict=True))
    head = "$timescale 1 us $end $var wire 1 ! ppm $end $enddefinitions $end\n#0\n0!\n"
    vcd = head + "".join(f"#{at}\n{value}!\n" for at, value in edges)
    csv = "time_us,level\n0,0\n" + "".join(f"{at},{value}\n" for at, value in edges)
    return {"VCD": (vcd.encode("ascii"), len(edges)), "CSV": (csv.encode("ascii"), len(edges))}


def main() -> None:
    profile = Profile()
    print(f"{SECONDS} s of eight channels; median of {ROUNDS} alternating rounds, CPU time")
    print(f"{'':6}{'edges':>8}{'iterate':>10}{'read':>10}{'and judge':>11}{'read against iterate':>22}")
    for form, (text, edges) in captures().items():
        capture = parse_capture(text, form)
        rounds = [
            (
                cpu_s(lambda text=text: iterate(text)),  # type: ignore[misc]
                cpu_s(lambda text=text, form=form: parse_capture(text, form)),  # type: ignore[misc]
                cpu_s(lambda capture=capture: findings(choose(capture), profile)),  # type: ignore[misc]
            )
            for _ in range(ROUNDS)
        ]
        plain, read, judge = (statistics.median(column) for column in zip(*rounds, strict=True))
        ratio = statistics.median(times[1] / times[0] for times in rounds)
        print(f"{form:6}{edges:8}{plain * 1e3:7.1f} ms{read * 1e3:7.1f} ms{judge * 1e3:8.1f} ms{ratio:21.1f}x")


if __name__ == "__main__":
    main()
