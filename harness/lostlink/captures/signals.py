"""A capture: its signals and their edges. Pure.

Times are integer picoseconds from the first time stamp of the capture, so that nothing is rounded before the end. A
day fits into 64 bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Levels = NDArray[np.uint8]

PS_PER_UNIT: Final = {"ps": 1, "ns": 1000, "us": 10**6, "ms": 10**9, "s": 10**12}
PS_PER_US: Final = PS_PER_UNIT["us"]
LONGEST_PS: Final = 86_400 * 10**12
"""Longest capture: one day."""

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


def settled(name: str, also: tuple[str, ...], at_ps: Ints, value: Levels, end_ps: int) -> Signal:
    """Return a signal from its recorded values.

    Of several values at one instant the last counts. A repeated value is not an edge, nor is the first known value.

    Parameters
    ----------
    at_ps : (n,) ndarray of int64
        Ascending, repeats allowed.
    value : (n,) ndarray of uint8
        0, 1 or `UNKNOWN`.
    end_ps : int
        End of the capture.
    """
    if len(at_ps):
        last_word = np.append(at_ps[1:] != at_ps[:-1], True)
        at_ps, value = at_ps[last_word], value[last_word]
        new = np.append(True, value[1:] != value[:-1])
        at_ps, value = at_ps[new], value[new]
    unknown = value == UNKNOWN
    holes_ps = np.stack([at_ps, np.append(at_ps[1:], end_ps)[: len(at_ps)]], 1)[unknown]
    at_ps, value = at_ps[~unknown], value[~unknown]
    if not len(at_ps):
        return Signal(name, also, at_ps, value, holes_ps, end_ps)
    edge = value[1:] != value[:-1]
    return Signal(name, also, at_ps[1:][edge], value[1:][edge], holes_ps, int(at_ps[0]))


def printable(text: str, longest: int = 60) -> str:
    """Return text from a file without control characters and cut to `longest`, for a terminal."""
    clean = "".join(letter if letter.isprintable() else "?" for letter in text[: longest + 1])
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"
