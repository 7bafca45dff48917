"""The board's clock relative to the host's, from exchanges of pings.

One exchange gives four time stamps: the host sends (t1), the board receives (t2), the board answers (t3), the host
receives (t4). No delay is negative, so the straight line from the host's time to the board's must pass above t3 at t4
and below t2 at t1, for every exchange. The lines that do are the feasible set. Its extent at an instant is a hard
bound for any delays, also if those of the two directions differ.

References
----------
.. [1] RFC 5905, Network Time Protocol version 4, 2010, section 8.
.. [2] Cristian, Probabilistic clock synchronization, Distributed Computing 3:146, 1989.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST_ERROR: Final = 0.01
"""Largest relative error of a usable clock; a larger one means a wrong crystal or divider."""
KEPT: Final = 400
_COARSE, _FINE = 2001, 401

Floats = NDArray[np.float64]


def offset_and_delay(t1: float, t2: float, t3: float, t4: float) -> tuple[float, float]:
    """Return the offset of the board's clock and the delay of the round trip [1]_.

    The offset is known to within half the delay, for any share of the two directions [2]_.
    """
    return ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)


@dataclass(frozen=True, slots=True)
class ClockFit:
    """All straight lines from the host's time to the board's that no exchange contradicts.

    Attributes
    ----------
    slopes, low_us, high_us : (n,) ndarray of float64
        For each slope, the smallest and the largest offset.
    host_base_us, board_base_us : float
        Times of both clocks at the first exchange, from which they count.
    """

    slopes: Floats
    low_us: Floats
    high_us: Floats
    host_base_us: float
    board_base_us: float

    @property
    def rate(self) -> float:
        """Rate of the board's clock relative to the host's."""
        return float(self.slopes[0] + self.slopes[-1]) / 2

    @property
    def rate_uncertainty(self) -> float:
        """Half-width of `rate`."""
        return float(self.slopes[-1] - self.slopes[0]) / 2

    def uncertainty_us(self, host_us: float) -> float:
        """Return the half-width of the board's time at a host time."""
        low, high = self._bounds(host_us)
        return (high - low) / 2

    def _bounds(self, host_us: float) -> tuple[float, float]:
        since_us = host_us - self.host_base_us
        return float((self.low_us + self.slopes * since_us).min()), float((self.high_us + self.slopes * since_us).max())

    def board_us(self, host_us: float) -> float:
        """Return the board's time at a host time."""
        low, high = self._bounds(host_us)
        return self.board_base_us + (low + high) / 2

    def host_us(self, board_us: float, near_host_us: float) -> float:
        """Return the host time of a board time.

        Parameters
        ----------
        near_host_us : float
            Host time at which the line is taken, so that a whole run has one offset and one rate.
        """
        low, high = self._bounds(near_host_us)
        return near_host_us + (board_us - self.board_base_us - (low + high) / 2) / self.rate


class Alignment:
    """Collects exchanges and fits the clock; times in microseconds.

    Parameters
    ----------
    tick_us : float
        Resolution of the board's time stamps.
    """

    def __init__(self, tick_us: float = 1.0) -> None:
        self._tick_us = tick_us
        self.exchanges: deque[tuple[float, float, float, float]] = deque(maxlen=KEPT)

    def __len__(self) -> int:
        return len(self.exchanges)

    def add(self, t1: float, t2: float, t3: float, t4: float) -> None:
        """Add an exchange: host sends, board receives, board answers, host receives."""
        self.exchanges.append((t1, t2, t3, t4))

    def best_delay_us(self) -> float:
        """Return the shortest round trip so far."""
        return min(offset_and_delay(*exchange)[1] for exchange in self.exchanges)

    def fit(self) -> ClockFit | None:
        """Return the feasible set; None if the clock stopped, jumped, or is off by more than 1 %."""
        stamps = np.array(self.exchanges, np.float64).reshape(-1, 4)
        if not len(stamps):
            return None
        host_base, board_base = float(stamps[0, 0]), float(stamps[0, 1])
        sent, received, answered, back = (stamps - [host_base, board_base, board_base, host_base]).T

        def bounds(slopes: Floats) -> tuple[Floats, Floats]:
            low = (answered[None, :] - slopes[:, None] * back[None, :]).max(1)
            high = (received[None, :] + self._tick_us - slopes[:, None] * sent[None, :]).min(1)
            return low, high

        left, right = 1 - MOST_ERROR, 1 + MOST_ERROR
        for _ in range(4):  # each time closer to the feasible slopes
            slopes = np.linspace(left, right, _COARSE)
            low, high = bounds(slopes)
            room = high - low
            feasible = np.flatnonzero(room >= 0)
            step = (right - left) / (_COARSE - 1)
            if len(feasible):
                left, right = float(slopes[feasible[0]]) - step, float(slopes[feasible[-1]]) + step
            else:  # between two slopes, next to the one closest to feasible
                best = float(slopes[np.argmax(room)])
                left, right = best - step, best + step
            left, right = max(left, 1 - MOST_ERROR), min(right, 1 + MOST_ERROR)
        slopes = np.linspace(left, right, _FINE)
        low, high = bounds(slopes)
        keep = high >= low
        if not keep.any():
            return None
        return ClockFit(slopes[keep], low[keep], high[keep], host_base, board_base)
