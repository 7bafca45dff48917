"""What a receiver board puts out: frames of widths as columns, and what it notes beside them."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from typing import Final

import numpy as np

from lostlink_sims.frames import NEVER, Frames
from lostlink_sims.trace import NoteKind

LONGEST_WIDTH_US: Final = 0xFFFF
"""The output timer's compare register has 16 bits."""


_NEVER: Final = array("q", [NEVER])


def register(width_us: int, separator_us: int) -> int:
    """Return the width after truncation to 16 bits, at least one µs more than the separator."""
    return max(separator_us + 1, width_us & LONGEST_WIDTH_US)


def registers(widths_us: Sequence[int], separator_us: int) -> array[int]:
    """Return the widths of a frame after `register`."""
    if min(widths_us) <= separator_us or max(widths_us) > LONGEST_WIDTH_US:
        widths_us = [register(width_us, separator_us) for width_us in widths_us]
    return array("q", widths_us)


class FrameLog:
    """Keeps the frames of a board, and nothing else.

    Attributes
    ----------
    start_us, count, widths_us, until_us : array of int64
        As in `lostlink_sims.frames.Frames`.
    """

    def __init__(self) -> None:
        self.start_us, self.count = array("q"), array("q")
        self.widths_us, self.until_us = array("q"), array("q")

    def frames(self, starts_us: Sequence[int], rows: Sequence[array[int]]) -> None:
        """Record whole frames, in order, as the output timer puts them out."""
        self.start_us.extend(starts_us)
        self.count.extend(map(len, rows))
        for row in rows:
            self.widths_us.extend(row)
        self.until_us.extend(_NEVER * len(rows))
        self.end_frame()

    def columns(self, starts_us: memoryview, counts: memoryview, widths_us: memoryview, begun: int) -> None:
        """Record frames as columns of 64-bit integers; the first `begun` widths belong to the open frame."""
        if begun:
            self.count[-1] += begun
        before = len(self.start_us)
        for column, added in ((self.start_us, starts_us), (self.count, counts), (self.widths_us, widths_us)):
            column.frombytes(added.cast("B"))
        self.until_us.extend(_NEVER * (len(self.start_us) - before))
        self.end_frame()

    def begin_frame(self, start_us: int) -> None:
        """Open a frame whose widths are recorded one by one."""
        self.start_us.append(start_us)
        self.count.append(0)
        self.until_us.append(NEVER)

    def frame_width(self, width_us: int) -> None:
        """Record the next width of the open frame."""
        self.widths_us.append(width_us)
        self.count[-1] += 1

    def end_frame(self) -> None:
        """Close the open frame."""

    def silence(self, now_us: int) -> None:
        """Record that the output stops, possibly during a frame."""
        if self.until_us and self.until_us[-1] == NEVER:
            self.until_us[-1] = now_us

    def forget(self, frames: int, widths: int) -> None:
        """Keep the first frames and widths only."""
        for column in (self.start_us, self.count, self.until_us):
            del column[frames:]
        del self.widths_us[widths:]

    def all(self) -> Frames:
        """Return a copy of all frames."""
        columns = (self.start_us, self.count, self.widths_us, self.until_us)
        return Frames(*(np.array(column, np.int64) for column in columns))

    def failsafe(self, now_us: int, is_on: bool) -> None:
        """Record a change of the receiver's failsafe flag."""

    def note(self, now_us: int, kind: NoteKind, text: str) -> None:
        """Record a remark."""
