"""The decoded frames as CSV."""

from __future__ import annotations

import numpy as np

from lostlink.captures.signals import Capture
from lostlink.captures.train import PulseTrain


def csv_text(capture: Capture, train: PulseTrain) -> str:
    """Return the decoded frames, incomplete ones included.

    Columns: ``start_us`` on the time axis of the capture's file, ``period_us`` to the next frame (empty for the last),
    ``whole`` (0 where its start or end was not recorded), ``channels``, ``ch1_us`` ...
    """
    frames, most = train.frames, int(train.frames.count.max())
    lines = [",".join(["start_us", "period_us", "whole", "channels", *(f"ch{n + 1}_us" for n in range(most))])]
    period_ps = [*np.diff(frames.start_ps).tolist(), None]
    columns = (frames.start_ps.tolist(), period_ps, frames.whole.tolist(), frames.count.tolist(), frames.first.tolist())
    for start_ps, period, whole, count, first in zip(*columns, strict=True):
        widths = np.diff(train.leads_ps[first : first + count + 1]).tolist()
        cells = [_exact(start_ps + capture.origin_ps), "" if period is None else _exact(period), str(int(whole))]
        lines.append(",".join([*cells, str(count), *map(_exact, widths), *[""] * (most - count)]))
    return "\n".join(lines) + "\n"


def _exact(ps: int) -> str:
    """Return picoseconds as microseconds, to the nanosecond."""
    ns = (ps + 500) // 1000
    sign = "-" if ns < 0 else ""
    return f"{sign}{abs(ns) // 1000}.{abs(ns) % 1000:03d}"
