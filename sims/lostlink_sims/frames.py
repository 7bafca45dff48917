"""Frames of pulse widths: as a receiver put them out, and as somebody decoded them. No encoding is known here."""

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
