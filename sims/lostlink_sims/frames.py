"""Frames of pulse widths: as a receiver output them, and as decoded from edges. Independent of the encoding."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np

from lostlink_sims.arrays import Ints

Piece = TypeVar("Piece")
NEVER = np.iinfo(np.int64).max


class _Rows:
    """Frames as columns: `count` channels in each, and all `widths_us`, frame after frame."""

    __slots__ = ()
    count: Ints
    widths_us: Ints

    def table(self, channels: int) -> Ints:
        """Return an (n, channels) array of widths, -1 where a frame has fewer."""
        count, widths_us, n = self.count, self.widths_us, len(self.count)
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


@dataclass(slots=True)
class Frames(_Rows):
    """Frames that a receiver output.

    Attributes
    ----------
    start_us : (n,) ndarray of int64
        First leading edge.
    count : (n,) ndarray of int64
        Channels in each frame.
    widths_us : (total,) ndarray of int64
        All widths, frame after frame.
    until_us : (n,) ndarray of int64
        When the output stopped during the frame; `NEVER` for a complete one.
    """

    start_us: Ints
    count: Ints
    widths_us: Ints
    until_us: Ints


@dataclass(slots=True)
class Decoded(_Rows):
    """Frames decoded from edges.

    Attributes
    ----------
    start_us, done_us : (n,) ndarray of int64
        First leading edge, and when the sync gap completed the frame.
    count : (n,) ndarray of int64
    widths_us : (total,) ndarray of int64
    """

    start_us: Ints
    done_us: Ints
    count: Ints
    widths_us: Ints

    def last_edge_us(self, channel: int) -> Ints:
        """Return when the slot of `channel` ended in each frame, `NEVER` where the frame is too short."""
        widths, end_us = self.table(channel + 1), self.start_us.copy()
        for column in widths.T:  # a sum along the short axis takes several times as long
            end_us += column
        return np.where(widths[:, -1] >= 0, end_us, NEVER)


def joined(pieces: list[Decoded]) -> Decoded:
    """Return the frames of several pieces as one."""
    none = np.zeros(0, np.int64)
    return concatenated(Decoded(none, none, none, none), pieces)


def concatenated(empty: Piece, pieces: list[Piece]) -> Piece:
    """Return a dataclass of columns with the rows of all pieces; `empty` gives class and dtypes."""
    names = [field.name for field in fields(empty)]  # type: ignore[arg-type]
    return type(empty)(*(np.concatenate([getattr(piece, name) for piece in (empty, *pieces)]) for name in names))
