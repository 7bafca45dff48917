"""What fitting a log of a million packets costs, against plain Python iteration over its lines.

All run in one process in alternating rounds; a ratio is the median over rounds of CPU-time ratios, which a busy
machine disturbs least. Run: ``python benchmarks/fit_losses.py``.
"""

from __future__ import annotations

import statistics
import tempfile
from pathlib import Path

import numpy as np
from goals import Goal, cpu_s, table
from numpy.typing import NDArray

from lostlink.planning.adequacy import adequacy
from lostlink.planning.fit import fits
from lostlink.planning.loss_log import read_loss_log

ROUNDS = 5
PACKETS = 1_000_000
CHANNELS = {
    "independent losses": (1.0, 1e-9, 0.0, 0.05),
    "bursts, all lost": (0.004, 0.3, 0.0, 1.0),
    "bursts, some lost": (0.004, 0.05, 0.0, 0.6),
    "bursts and single losses": (0.01, 0.06, 0.02, 0.8),
}
"""Good to bad, bad to good, loss in each."""


def losses(good_to_bad: float, bad_to_good: float, loss_good: float, loss_bad: float) -> NDArray[np.bool_]:
    draw, bad, at, is_bad = np.random.default_rng(1), np.empty(PACKETS, np.bool_), 0, False
    while at < PACKETS:
        stay = min(int(draw.geometric(bad_to_good if is_bad else good_to_bad)), PACKETS)
        bad[at : at + stay] = is_bad
        at, is_bad = at + stay, not is_bad
    return draw.random(PACKETS) < np.where(bad, loss_bad, loss_good)


def iterate(text: str) -> int:
    """Look at each packet once, as the shortest loop does."""
    lost = 0
    for line in text.splitlines():
        lost += line == "1"
    return lost


def main() -> list[Goal]:
    """Measure and print."""
    slowest_s = 0.0
    print(f"{PACKETS} packets; median of {ROUNDS} alternating rounds, CPU time, and ratio to plain iteration")
    print(f"{'':26}{'iterate':>10}{'read':>16}{'fit and check':>19}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        for name, channel in CHANNELS.items():
            lost = losses(*channel)
            text = "lost\n" + "\n".join(map(str, lost.astype(int).tolist())) + "\n"
            path.write_text(text, encoding="utf-8")
            rounds = [
                (
                    cpu_s(lambda text=text: iterate(text)),  # type: ignore[misc]
                    cpu_s(lambda: read_loss_log(str(path))),
                    cpu_s(lambda lost=lost: adequacy(lost, fits(lost)[0])),  # type: ignore[misc]
                )
                for _ in range(ROUNDS)
            ]
            plain, read, fit = (statistics.median(column) for column in zip(*rounds, strict=True))
            ratios = [statistics.median(times[i] / times[0] for times in rounds) for i in (1, 2)]
            slowest_s = max(slowest_s, read + fit)
            print(f"{name:26}{plain * 1e3:7.0f} ms{read * 1e3:7.0f} ms {ratios[0]:4.1f}x{fit:8.2f} s {ratios[1]:6.1f}x")
    return [Goal("plan fit of a million packets, read, fitted and checked", slowest_s, 5, "s")]


if __name__ == "__main__":
    print(table(main()))
