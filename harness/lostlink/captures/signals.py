"""A capture: its signals and their edges. Pure.

Times are integer picoseconds from the first time stamp of the capture, so that nothing is rounded before the end. A
day fits into 64 bits.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.errors import CaptureError

Ints = NDArray[np.int64]
Levels = NDArray[np.uint8]
Bools = NDArray[np.bool_]

PS_PER_UNIT: Final = {"ps": 1, "ns": 1000, "us": 10**6, "ms": 10**9, "s": 10**12}
PS_PER_US: Final = PS_PER_UNIT["us"]
LONGEST_PS: Final = 86_400 * 10**12
"""Longest capture: one day."""

MOST_EDGES: Final = 50_000_000
"""Most edges of a capture, all signals together, of nine bytes each."""

UNKNOWN: Final = 2
"""Unknown level of a signal: x or z."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal of one bit.

    Attributes
    ----------
    name : str
    also : tuple of str
        Other names of the same signal.
    at_ps : (n,) ndarray of int64
        Instants of the edges, strictly ascending.
    level : (n,) ndarray of uint8
        Level after each edge, 0 and 1 alternating.
    holes_ps : (k, 2) ndarray of int64
        Times in which the level is unknown.
    begin_ps : int
        Instant from which the level is known.
    polarity_known : bool
        False if only instants were recorded, so that 0 and 1 may be swapped.
    """

    name: str
    also: tuple[str, ...]
    at_ps: Ints
    level: Levels
    holes_ps: Ints
    begin_ps: int
    polarity_known: bool = True


@dataclass(frozen=True, slots=True)
class Capture:
    """A recording.

    Attributes
    ----------
    source : str
        The file.
    form : str
        ``VCD`` or ``CSV``.
    signals : tuple of Signal
        Signals of one bit; others are left out.
    origin_ps : int
        First time stamp on the time axis of the file; all other times are relative to it.
    end_ps : int
        The last time stamp.
    unit_ps : int
        Time step of the file, which may be finer than the sample period of the analyser.
    notes : tuple of str
        Remarks about the file.
    """

    source: str
    form: str
    signals: tuple[Signal, ...]
    origin_ps: int
    end_ps: int
    unit_ps: int
    notes: tuple[str, ...] = ()


@dataclass(slots=True)
class Values:
    """Recorded values of a signal while its file is read; a value that is the same as the one before is left out.

    Attributes
    ----------
    at_ps : array of int64
        Ascending, repeats allowed.
    value : bytearray
        0, 1 or `UNKNOWN`.
    """

    at_ps: array[int] = field(default_factory=lambda: array("q"))
    value: bytearray = field(default_factory=bytearray)

    def append(self, at_ps: int, value: int) -> None:
        if not self.value or self.value[-1] != value:
            self.at_ps.append(at_ps)
            self.value.append(value)

    def extend(self, at_ps: Ints, value: Levels) -> None:
        """Append at least one value."""
        self.append(int(at_ps[0]), int(value[0]))
        (last,) = (value[1:] != value[:-1]).nonzero()
        if len(last):
            self.at_ps.frombytes(at_ps[last + 1].tobytes())
            self.value += value[last + 1].tobytes()

    def signal(self, name: str, also: tuple[str, ...], end_ps: int) -> Signal:
        """Return the signal.

        Of several values at one instant the last counts. A repeated value is not an edge, nor is the first known value.

        Parameters
        ----------
        end_ps : int
            End of the capture.
        """
        at_ps, value = np.frombuffer(self.at_ps, np.int64), np.frombuffer(self.value, np.uint8)
        at_ps, value = _kept(np.append(at_ps[1:] != at_ps[:-1], True), at_ps, value)
        at_ps, value = _kept(np.append(True, value[1:] != value[:-1]), at_ps, value)
        unknown = np.flatnonzero(value == UNKNOWN)
        until_ps = at_ps[np.minimum(unknown + 1, len(at_ps) - 1)]
        until_ps[unknown == len(at_ps) - 1] = end_ps
        holes_ps = np.stack([at_ps[unknown], until_ps], 1)
        at_ps, value = _kept(value != UNKNOWN, at_ps, value)
        if not len(at_ps):
            return Signal(name, also, at_ps, value, holes_ps, end_ps)
        edge = value[1:] != value[:-1]
        return Signal(name, also, at_ps[1:][edge], value[1:][edge], holes_ps, int(at_ps[0]))


def _kept(which: Bools, at_ps: Ints, value: Levels) -> tuple[Ints, Levels]:
    return (at_ps, value) if which.all() else (at_ps[which[: len(at_ps)]], value[which[: len(at_ps)]])


def refuse_more_edges(edges: int, source: str) -> None:
    """Raise `CaptureError` if a capture has more edges than `MOST_EDGES`."""
    if edges > MOST_EDGES:
        raise CaptureError(
            f"{source}: more than {MOST_EDGES / 1e6:.0f} million edges; export fewer signals, or a shorter time"
        )


def printable(text: str, longest: int = 60) -> str:
    """Return text from a file without control characters and cut to `longest`, for a terminal."""
    clean = "".join(letter if letter.isprintable() else "?" for letter in text[: longest + 1])
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"
