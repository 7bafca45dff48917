"""What a capture holds: wires and their edges. Pure.

Times are integer picoseconds from the capture's first time stamp, so that nothing is rounded before the end: a
tick of 30 MHz is 33 333 ps, and a day still fits into 64 bits.
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
"""A capture lasts no longer than a day."""

UNKNOWN: Final = 2
"""Level of a wire that is not known: x or z."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One wire.

    Attributes
    ----------
    name : str
    also : tuple of str
        Further names of the same wire.
    at_ps : (n,) ndarray of int64
        Instants of the edges, strictly ascending.
    level : (n,) ndarray of uint8
        Level from each edge on, 0 and 1 in turn.
    holes_ps : (k, 2) ndarray of int64
        Times in which the level was not known.
    begin_ps : int
        From when on the level is known.
    polarity_known : bool
        False when only instants were recorded, so that 0 and 1 may stand the other way round.
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
        Wires of one bit; what else the file holds is left out.
    origin_ps : int
        The first time stamp as the file counts; all other times count from it.
    end_ps : int
        The last time stamp.
    unit_ps : int
        The smallest step that the file can write, which may be finer than the analyser's tick.
    notes : tuple of str
        What was odd about the file, in words.
    """

    source: str
    form: str
    signals: tuple[Signal, ...]
    origin_ps: int
    end_ps: int
    unit_ps: int
    notes: tuple[str, ...] = ()


def settled(name: str, also: tuple[str, ...], at_ps: Ints, value: Levels, end_ps: int) -> Signal:
    """Return a wire from everything that was written about it.

    Of several values at one instant the last counts; a repeated value is no edge; neither is the first known one.

    Parameters
    ----------
    at_ps : (n,) ndarray of int64
        Ascending, repeats allowed.
    value : (n,) ndarray of uint8
        0, 1 or `UNKNOWN`.
    end_ps : int
        Where the capture ends.
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
    """Return text from a file, fit for a terminal: no control characters, not endless."""
    clean = "".join(letter if letter.isprintable() else "?" for letter in text[: longest + 1])
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"
