"""A recognised pulse train: its frames, widths, gaps, periods and style. Pure.

A gap of more than `LEAST_GAP_PS` between leading edges ends a frame (common practice, no source: no pulse is longer
than 2.2 ms, no sync gap shorter).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.captures.resolution import Resolution
from lostlink.captures.signals import PS_PER_US, Ints, Signal

Bools = NDArray[np.bool_]

LEAST_GAP_PS: Final = 2300 * PS_PER_US

_CLEARLY: Final = 2
"""Least ratio of the two spreads that distinguishes a fixed period from a fixed gap."""
_MOST_FRAMES: Final = 4
"""Most frames from one good one to the next, over which their period is a mean."""


@dataclass(frozen=True)
class FrameGroups:
    """All groups of pulses between sync gaps, incomplete ones included.

    Attributes
    ----------
    start_ps, total_ps : (n,) ndarray of int64
        Instant of the first leading edge, and time from it to the last.
    count : (n,) ndarray of int64
        Number of channels.
    first : (n,) ndarray of int64
        Index of the first leading edge.
    whole : (n,) ndarray of bool
        False where the start or the end was not recorded.
    """

    start_ps: Ints
    total_ps: Ints
    count: Ints
    first: Ints
    whole: Bools

    @cached_property
    def gap_ps(self) -> Ints:
        """Time from the last leading edge of each frame to the next frame, (n - 1,)."""
        gap: Ints = np.diff(self.start_ps) - self.total_ps[:-1]
        return gap


@dataclass(frozen=True)
class PulseTrain:
    """A pulse train on one signal.

    Attributes
    ----------
    signal : Signal
        The signal that carries it.
    resolution : Resolution
        Sample period of the analyser, and rounding of the file.
    end_ps : int
        End of the capture.
    glitches_ps : (k,) ndarray of int64
        Instants of pulses far shorter than a separator, which are left out.
    active : int
        Level of the separators.
    leads_ps, separator_ps : (m,) ndarray of int64
        Leading edges and the length of each separator (one without an end lasts to the end of the capture).
    frames : FrameGroups
    channels : int
        Number of channels in most frames.
    """

    signal: Signal
    resolution: Resolution
    end_ps: int
    glitches_ps: Ints
    active: int
    leads_ps: Ints
    separator_ps: Ints
    frames: FrameGroups
    channels: int

    @property
    def polarity(self) -> str | None:
        """Either ``positive`` or ``negative``; None where levels were not recorded."""
        if not self.signal.polarity_known:
            return None
        return "positive" if self.active else "negative"

    @property
    def sample_period_ps(self) -> float:
        """Sample period of the analyser."""
        return self.resolution.sample_period_ps

    @property
    def uncertainty_us(self) -> float:
        """Expanded uncertainty (k = 2) of a time between two edges."""
        return self.resolution.width_uncertainty_us

    @cached_property
    def good(self) -> Bools:
        """Whole frames with the usual number of channels, (n,)."""
        good: Bools = self.frames.whole & (self.frames.count == self.channels)
        return good

    @cached_property
    def good_rows(self) -> Ints:
        """Indices of the good frames, (good frames,)."""
        return np.flatnonzero(self.good)

    @cached_property
    def good_start_ps(self) -> Ints:
        """Starts of the good frames, (good frames,)."""
        return self.frames.start_ps[self.good_rows]

    @cached_property
    def widths_ps(self) -> Ints:
        """Widths of the good frames, (good frames, channels)."""
        first = self.frames.first[self.good_rows]
        leads = self.leads_ps[first[:, None] + np.arange(self.channels + 1)]
        widths: Ints = np.diff(leads, axis=1)
        return widths

    @cached_property
    def usual_period_ps(self) -> float:
        """Median time from frame to frame."""
        return float(np.median(np.diff(self.frames.start_ps)))

    @cached_property
    def longest_gap_ps(self) -> float:
        """Longest gap without missing pulses.

        With a fixed period a gap is shorter than the period. A fixed gap never doubles.
        """
        gap_ps, period_ps = self.frames.gap_ps, np.diff(self.frames.start_ps)
        likely = gap_ps < self.usual_period_ps
        if likely.any() and spread(gap_ps[likely]) < spread(period_ps[likely]) / _CLEARLY:
            return min(self.usual_period_ps, 2 * float(np.median(gap_ps[likely])))
        return self.usual_period_ps

    @cached_property
    def in_step(self) -> Bools:
        """Pairs of consecutive whole frames without missing pulses between them, (n - 1,)."""
        whole = self.frames.whole
        return whole[1:] & whole[:-1] & (self.frames.gap_ps < self.longest_gap_ps)

    @cached_property
    def style(self) -> str | None:
        """Either ``fixed period`` or ``fixed gap``; None where the sum of the widths never changed."""
        period, gap = spread(self.periods_ps), spread(self.gaps_ps)
        if max(period, gap) <= self.resolution.width_ps or max(period, gap) < _CLEARLY * min(period, gap):
            return None
        return "fixed period" if period < gap else "fixed gap"

    @cached_property
    def periods_ps(self) -> Ints:
        """Periods from each good frame to the next; with wrong frames between, the mean of up to `_MOST_FRAMES`."""
        good = self.good_rows
        stops = np.concatenate([[0], np.cumsum(~self.in_step)])[good]
        frames = np.diff(good)
        near = (np.diff(stops) == 0) & (frames <= _MOST_FRAMES)
        periods: Ints = np.diff(self.good_start_ps)[near] // frames[near]
        return periods

    @property
    def gaps_ps(self) -> Ints:
        """Gaps between two good frames."""
        return self.frames.gap_ps[self.in_step & self.good[1:] & self.good[:-1]]

    @property
    def sync_gaps_ps(self) -> Ints:
        """Gaps after all whole frames, those with a wrong number of channels included."""
        return self.frames.gap_ps[self.in_step]

    @cached_property
    def still_ps(self) -> float:
        """Largest difference of two widths that count as equal: from the resolution, or the least jitter."""
        steps = np.abs(np.diff(self.widths_ps, axis=0))
        jitter_ps = float(np.quantile(steps, 0.99, axis=0).min()) if len(steps) else 0.0
        return max(1.2 * self.resolution.width_ps, min(1.5 * jitter_ps, 12 * PS_PER_US))


def spread(values: Ints) -> float:
    """Return the mean distance from the median, which one outlier hardly changes."""
    return float(np.abs(values - np.median(values)).mean()) if len(values) else 0.0
