"""The decoded frames as CSV."""

from __future__ import annotations

import numpy as np

from lostlink.captures.signals import Capture, Ints
from lostlink.captures.train import PulseTrain


def csv_text(capture: Capture, train: PulseTrain) -> str:
    """Return the decoded frames, incomplete ones included.

    Columns: ``start_us`` on the time axis of the capture's file, ``period_us`` to the next frame (empty for the last),
    ``whole`` (0 where its start or end was not recorded), ``channels``, ``ch1_us`` ...
    """
    frames, most = train.frames, int(train.frames.count.max())
    head = ["start_us", "period_us", "whole", "channels", *(f"ch{n + 1}_us" for n in range(most))]
    start, period = _exact(frames.start_ps + capture.origin_ps), [*_exact(np.diff(frames.start_ps)), ""]
    width = _exact(np.diff(train.leads_ps))
    columns = (start, period, frames.whole.tolist(), frames.count.tolist(), frames.first.tolist())
    rows = (
        [begin, until, str(int(whole)), str(count), *width[first : first + count], *[""] * (most - count)]
        for begin, until, whole, count, first in zip(*columns, strict=True)
    )
    return "\n".join([",".join(head), *map(",".join, rows), ""])


def _exact(ps: Ints) -> list[str]:
    """Return picoseconds as microseconds, to the nanosecond."""
    ns = ((ps + 500) // 1000).tolist()
    return [f"{'-' if time < 0 else ''}{abs(time) // 1000}.{abs(time) % 1000:03d}" for time in ns]
