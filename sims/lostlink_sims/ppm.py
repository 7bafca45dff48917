"""The pulse train: frames to edges, edges to frames. No clock, no port, no random numbers.

A frame of n channels has n + 1 separator pulses. A channel's width is the time from the leading edge of its
separator to the leading edge of the next, separator included (common practice; there is no formal standard).
Positive polarity: the line rests low, separators are high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

NEVER = np.iinfo(np.int64).max


@dataclass(slots=True)
class Frames:
    """Frames that a receiver put out.

    Attributes
    ----------
    start_us : (n,) ndarray of int64
        First leading edge.
    count : (n,) ndarray of int64
        Channels in each frame.
    widths_us : (total,) ndarray of int64
        All widths, frame after frame.
    until_us : (n,) ndarray of int64
        When the output fell silent in the middle of the frame; `NEVER` for a whole one.
    """

    start_us: Ints
    count: Ints
    widths_us: Ints
    until_us: Ints

    def table(self, channels: int) -> Ints:
        """Return an (n, channels) array of widths, -1 where a frame has fewer."""
        return _table(self.count, self.widths_us, channels)


@dataclass(slots=True)
class Decoded:
    """Frames that somebody saw in the edges.

    Attributes
    ----------
    start_us, done_us : (n,) ndarray of int64
        First leading edge, and when the gap after the last made the frame complete.
    count : (n,) ndarray of int64
    widths_us : (total,) ndarray of int64
    """

    start_us: Ints
    done_us: Ints
    count: Ints
    widths_us: Ints

    def table(self, channels: int) -> Ints:
        """Return an (n, channels) array of widths, -1 where a frame has fewer."""
        return _table(self.count, self.widths_us, channels)

    def last_edge_us(self, channel: int) -> Ints:
        """Return when the slot of `channel` ended in each frame, `NEVER` where the frame is too short."""
        widths = self.table(channel + 1)
        return np.where(widths[:, -1] >= 0, self.start_us + np.maximum(widths, 0).sum(1), NEVER)


def _table(count: Ints, widths_us: Ints, channels: int) -> Ints:
    n = len(count)
    if n and (count == count[0]).all():
        rows = widths_us.reshape(n, int(count[0]))[:, :channels]
        if rows.shape[1] == channels:
            return rows
    table = np.full((n, channels), -1, np.int64)
    ends = np.cumsum(count)
    column = np.arange(len(widths_us)) - np.repeat(ends - count, count)
    keep = column < channels
    table[np.repeat(np.arange(n), count)[keep], column[keep]] = widths_us[keep]
    return table


def leading_edges(frames: Frames) -> Ints:
    """Return the instants of all leading edges, ascending."""
    leads, _ = _leads(frames)
    return leads


def _leads(frames: Frames) -> tuple[Ints, Ints]:
    """Return leading edges, and for each the instant at which the output falls silent."""
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


def edges(frames: Frames, separator_us: int | Ints, polarity: str) -> tuple[Ints, NDArray[np.uint8]]:
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
        Level from that instant on. Before the first edge the line rests.
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
    """Finds frames in leading edges: feed edges in pieces of any size, get the frames that they complete.

    A gap of at least `least_sync_us` ends a frame. What comes before the first gap is half a frame at most and
    is dropped, unless `from_rest` says that the line was watched from its rest on.
    """

    def __init__(self, least_sync_us: int, *, from_rest: bool = False) -> None:
        self._least_sync_us = least_sync_us
        self._tail = np.zeros(0, np.int64)
        self._in_step = from_rest

    def feed(self, leads_us: Ints) -> Decoded:
        """Take more leading edges, ascending and later than those before."""
        leads = np.concatenate([self._tail, leads_us])
        gaps = np.diff(leads)
        ends = np.flatnonzero(gaps >= self._least_sync_us)
        if not len(ends):
            self._tail = leads
            return self._frames(np.zeros(0, np.int64), leads, gaps)
        self._tail = leads[ends[-1] + 1 :]
        starts = np.concatenate([[0], ends[:-1] + 1])
        if not self._in_step:
            starts, ends = starts[1:], ends[1:]
            self._in_step = True
        return self._frames(np.stack([starts, ends]), leads, gaps)

    def flush(self, now_us: int) -> Decoded:
        """Say that no edge has come until `now_us`; complete the frame that this completes."""
        leads = self._tail
        whole = len(leads) > 0 and now_us - int(leads[-1]) >= self._least_sync_us
        if not whole:
            return self._frames(np.zeros(0, np.int64), leads, np.diff(leads))
        self._tail = np.zeros(0, np.int64)
        if not self._in_step:
            self._in_step = True
            return self._frames(np.zeros(0, np.int64), leads, np.diff(leads))
        return self._frames(np.array([[0], [len(leads) - 1]]), leads, np.diff(leads))

    def _frames(self, bounds: Ints, leads: Ints, gaps: Ints) -> Decoded:
        if not bounds.size:
            none = np.zeros(0, np.int64)
            return Decoded(none, none, none, none)
        starts, ends = bounds
        inside = np.zeros(len(gaps) + 1, np.int64)
        np.add.at(inside, starts, 1)
        np.add.at(inside, ends, -1)
        keep = np.cumsum(inside)[:-1] > 0
        return Decoded(leads[starts], leads[ends] + self._least_sync_us, ends - starts, gaps[keep])


def joined(pieces: list[Decoded]) -> Decoded:
    """Return the frames of several pieces as one."""
    none = np.zeros(0, np.int64)
    if not pieces:
        return Decoded(none, none, none, none)
    return Decoded(
        np.concatenate([piece.start_us for piece in pieces]),
        np.concatenate([piece.done_us for piece in pieces]),
        np.concatenate([piece.count for piece in pieces]),
        np.concatenate([piece.widths_us for piece in pieces]),
    )
