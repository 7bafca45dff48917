"""What reading a capture costs: one minute of eight channels against plain Python iteration over the same file.

Both run in one process in alternating rounds; the ratio is the median over rounds of CPU-time ratios, which a busy
machine disturbs least. The peak memory, of this file and of one four times as long, does not depend on the machine.
Run: ``python benchmarks/read_capture.py``.
"""

from __future__ import annotations

import statistics
import tracemalloc

from goals import Goal, cpu_s, table

from lostlink.captures.files import parse_capture
from lostlink.captures.judging import findings
from lostlink.captures.recognise import choose
from lostlink_sims import Profile, Scenario, simulate

ROUNDS = 9
SECONDS = 60
WIDTHS = (10, 10, 16, 10, 14, 10)
SAMPLE_US = 100
"""Sample period of the file with a row for each sample, of eight signals."""


def iterate(text: bytes) -> int:
    """Look at each word once, as the shortest loop does."""
    words = 0
    for line in text.splitlines():
        for _ in line.split():
            words += 1
    return words


def peak_bytes(text: bytes) -> int:
    tracemalloc.start()
    parse_capture(text, "peak")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def captures(seconds: int) -> dict[str, bytes]:
    at_us, level = simulate(Profile(), Scenario(duration_us=seconds * 1_000_000)).edges
    edges = list(zip(at_us.tolist(), level.tolist(), strict=True))
    held = {at // SAMPLE_US: value for at, value in edges}
    samples, value = [], 0
    for sample in range(seconds * 1_000_000 // SAMPLE_US):
        value = held.get(sample, value)
        samples.append(f"{sample * SAMPLE_US / 1e6:.6f},{value},0,0,0,0,0,0,0\n")
    head = "$timescale 1 us $end $var wire 1 ! ppm $end $enddefinitions $end\n#0\n0!\n"
    texts = {
        "VCD": head + "".join(f"#{at}\n{value}!\n" for at, value in edges),
        "CSV, µs": "time_us,level\n0,0\n" + "".join(f"{at},{value}\n" for at, value in edges),
        "CSV, s": "Time [s],level\n0,0\n" + "".join(f"{at / 1e6:.9f},{value}\n" for at, value in edges),
        "samples": "Time [s],ppm,b,c,d,e,f,g,h\n" + "".join(samples),
    }
    return {form: text.encode("ascii") for form, text in texts.items()}


def main() -> list[Goal]:
    """Measure and print."""
    goals = []
    profile = Profile()
    print(f"{SECONDS} s of eight channels; median of {ROUNDS} alternating rounds, CPU time")
    heads = ("iterate", "read", "read / iterate", "judge", "peak memory", "of 4 x")
    print(f"{'':8}{'MB':>5}" + "".join(f"{head:>{width}}" for head, width in zip(heads, WIDTHS, strict=True)))
    longer = captures(4 * SECONDS)
    for form, text in captures(SECONDS).items():
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
        peaks = [f"{peak_bytes(file) / 2**20:.1f} MiB" for file in (text, longer[form])]
        cells = (f"{plain * 1e3:.1f} ms", f"{read * 1e3:.1f} ms", f"{ratio:.2f}x", f"{judge * 1e3:.1f} ms", *peaks)
        line = "".join(f"{cell:>{width}}" for cell, width in zip(cells, WIDTHS, strict=True))
        print(f"{form:8}{len(text) / 1e6:5.1f}{line}")
        goals.append(Goal(f"capture, {form}, to plain iteration over the file", ratio, 1))
    return goals


if __name__ == "__main__":
    print(table(main()))
