"""The pulse train: frames to edges, edges to frames.

A frame of n channels has n + 1 separator pulses. A channel's width is the time from the leading edge of its
separator to the leading edge of the next, separator included (common practice; there is no formal standard).
Positive polarity: the line idles low, separators are high.
"""

from __future__ import annotations

import numpy as np

from lostlink_sims.arrays import Bytes, Ints
from lostlink_sims.frames import Decoded, Frames, joined


def leading_edges(frames: Frames) -> Ints:
    """Return the instants of all leading edges, ascending."""
    leads, _ = _leads(frames)
    return leads


def _leads(frames: Frames) -> tuple[Ints, Ints]:
    """Return leading edges, and for each the instant at which the output stops."""
    n, total = len(frames.start_us), len(frames.widths_us)
    if not n:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    slots = frames.count + 1
    ends = np.cumsum(slots)
    first = ends - slots
    steps = np.zeros(total + n, np.int64)
    is_first = np.zeros(total + n, np.bool_)
    is_first[first] = True
    steps[~is_first] = frames.widths_us
    run = np.cumsum(steps)
    leads = run + np.repeat(frames.start_us - run[first], slots)
    until_us = np.repeat(frames.until_us, slots)
    keep = leads < until_us
    return leads[keep], until_us[keep]


def edges(frames: Frames, separator_us: int | Ints, polarity: str) -> tuple[Ints, Bytes]:
    """Return all edges of the line.

    Parameters
    ----------
    separator_us : int or (n,) ndarray of int64
        One for all frames, or one for each.

    Returns
    -------
    at_us : (m,) ndarray of int64
        Ascending.
    level : (m,) ndarray of uint8
        Level from that instant on. The line idles before the first edge.
    """
    leads, until_us = _leads(frames)
    times = np.empty(2 * len(leads), np.int64)
    times[0::2] = leads
    if not isinstance(separator_us, int):
        separator_us = separator_us[np.searchsorted(frames.start_us, leads, side="right") - 1]
    times[1::2] = np.minimum(leads + separator_us, until_us)
    level = np.empty(len(times), np.uint8)
    level[0::2], level[1::2] = (1, 0) if polarity == "positive" else (0, 1)
    return times, level


class PulseDecoder:
    """Decodes frames from leading edges fed in pieces of any size.

    A gap of at least `least_sync_us` ends a frame. Edges before the first gap are dropped, unless `from_rest`
    is set: the edges then start with the line idle.
    """

    def __init__(self, least_sync_us: int, *, from_rest: bool = False) -> None:
        self._least_sync_us = least_sync_us
        self._tail = np.zeros(0, np.int64)
        self._in_step = from_rest

    def feed(self, leads_us: Ints) -> Decoded:
        """Add later leading edges, ascending; return the frames that they complete."""
        leads = np.concatenate([self._tail, leads_us])
        gaps = np.diff(leads)
        ends = np.flatnonzero(gaps >= self._least_sync_us)
        if not len(ends):
            self._tail = leads
            return joined([])
        self._tail = leads[ends[-1] + 1 :]
        starts = np.concatenate([[0], ends[:-1] + 1])
        if not self._in_step:
            starts, ends = starts[1:], ends[1:]
            self._in_step = True
        return self._frames(starts, ends, leads, gaps)

    def flush(self, now_us: int) -> Decoded:
        """Return the frame that is complete when no edge comes until `now_us`."""
        leads = self._tail
        if not len(leads) or now_us - int(leads[-1]) < self._least_sync_us:
            return joined([])
        self._tail = np.zeros(0, np.int64)
        if not self._in_step:
            self._in_step = True
            return joined([])
        return self._frames(np.array([0]), np.array([len(leads) - 1]), leads, np.diff(leads))

    def _frames(self, starts: Ints, ends: Ints, leads: Ints, gaps: Ints) -> Decoded:
        inside = np.zeros(len(gaps) + 1, np.int64)
        np.add.at(inside, starts, 1)
        np.add.at(inside, ends, -1)
        keep = np.cumsum(inside)[:-1] > 0
        return Decoded(leads[starts], leads[ends] + self._least_sync_us, ends - starts, gaps[keep])
