"""Compares a board's clock with the host's."""

from __future__ import annotations

import dataclasses
import time
from typing import Final

import numpy as np

from lostlink.bench.board import BenchBoard
from lostlink.bench.clocks import MOST_ERROR
from lostlink.errors import RigError

_TICK_US: Final = 1
_WATCH_S: Final = 0.5
_WATCH_AT_MOST_S: Final = 10.0
_ENOUGH: Final = MOST_ERROR / 4
_PAUSE_S: Final = 0.02
_EARLY: Final = 20


@dataclasses.dataclass(frozen=True, slots=True)
class Rate:
    """Rate of a clock relative to the host's, as bounds that agree with every exchange; 1 is correct."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Middle of the bounds."""
        return (self.low + self.high) / 2

    @property
    def half_width(self) -> float:
        """Uncertainty of the middle."""
        return (self.high - self.low) / 2


def watch_clock(board: BenchBoard) -> Rate:
    """Return the rate of a board's clock relative to the host's.

    A timestamp of the board lies between the host's two; two exchanges far apart therefore bound the rate from both
    sides, whatever the delays.
    """
    begun_s = time.monotonic()
    board.align(_EARLY)
    while True:
        stamps = np.array(board.alignment.exchanges, np.float64)
        sent, received, answered, back = stamps.T
        pairs = [
            (early, late) for early in range(_EARLY) for late in range(max(_EARLY, len(stamps) - _EARLY), len(stamps))
        ]
        if pairs and time.monotonic() - begun_s > _WATCH_S:
            early, late = np.array(pairs).T
            spans = received[late] - received[early]
            high = ((spans + _TICK_US) / (sent[late] - back[early])).min()
            low = ((answered[late] - answered[early] - _TICK_US) / (back[late] - sent[early])).max()
            rate = Rate(float(low), float(high))
            if rate.half_width < _ENOUGH or time.monotonic() - begun_s > _WATCH_AT_MOST_S:
                return rate
        board.align(1)
        time.sleep(_PAUSE_S)  # noqa: TID251  the clock is watched in real time


def refuse_wrong_clock(image: str, rate: Rate) -> None:
    """Raise an error if the clock of an image is wrong.

    Raises
    ------
    RigError
        If it is or may be off by more than 1 %, or jumps by so much. A smaller jump is accepted: on a busy host an
        emulator may lose some hundred microseconds, and in real time each run is aligned by itself.
    """
    off, doubt = rate.middle - 1, abs(rate.half_width)
    if abs(off) + doubt <= MOST_ERROR:
        return
    if rate.half_width < 0 and abs(off) - doubt <= MOST_ERROR:
        raise RigError(
            f"{image}: the emulated board's clock jumps or stops: its error was {rate.low - 1:+.2%} and "
            f"{rate.high - 1:+.2%} against the host's in the same half second; allowed: {MOST_ERROR:.0%}"
        )
    raise RigError(
        f"{image}: the emulated board's clock is off by {off:+.1%} ± {doubt:.1%} against the host's, "
        f"allowed: {MOST_ERROR:.0%}; every time measured with it would be wrong. Check the divider of its counter"
    )
