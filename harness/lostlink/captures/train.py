"""Recognises a pulse train in the edges of a wire: glitches, polarity, frames, style. Pure.

Nothing is taken from a profile here. A train's separators all have one length, its long gaps lie at the other
level: that level is the rest, and the edge that leaves it begins a channel. A gap of more than `LEAST_GAP_PS`
between leading edges ends a frame (common practice, no source: no pulse is longer than 2.2 ms, no gap shorter).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.captures.resolution import width_uncertainty_us
from lostlink.captures.signals import PS_PER_US, Ints, Signal

Bools = NDArray[np.bool_]

LEAST_GAP_PS: Final = 2300 * PS_PER_US

_CLEARLY: Final = 2
"""How much more the one spread must be than the other to tell a fixed period from a fixed gap."""


@dataclass(frozen=True)
class FrameGroups:
    """All groups of pulses between gaps, the broken ones too.

    Attributes
    ----------
    start_ps, total_ps : (n,) ndarray of int64
        First leading edge, and from there to the last.
    count : (n,) ndarray of int64
        Channels.
    first : (n,) ndarray of int64
        Index of the first leading edge.
    whole : (n,) ndarray of bool
        False where the beginning or the end was not recorded.
    """

    start_ps: Ints
    total_ps: Ints
    count: Ints
    first: Ints
    whole: Bools

    @cached_property
    def gap_ps(self) -> Ints:
        """From the last leading edge of each frame but the last to the next frame."""
        gap: Ints = np.diff(self.start_ps) - self.total_ps[:-1]
        return gap


@dataclass(frozen=True)
class PulseTrain:
    """A pulse train.

    Attributes
    ----------
    signal : Signal
        The wire it was on.
    sample_period_ps : float
        The analyser's tick.
    end_ps : int
        When the capture ends.
    glitches_ps : (k,) ndarray of int64
        Where pulses far shorter than a separator were left out.
    active : int
        Level of the separators.
    leads_ps, separator_ps : (m,) ndarray of int64
        Leading edges and how long each separator lasts (to the end of the capture for one without an end).
    frames : FrameGroups
    channels : int
        How many most frames hold.
    """

    signal: Signal
    sample_period_ps: float
    end_ps: int
    glitches_ps: Ints
    active: int
    leads_ps: Ints
    separator_ps: Ints
    frames: FrameGroups
    channels: int

    @property
    def polarity(self) -> str | None:
        """``positive`` or ``negative``; None where levels were not recorded."""
        if not self.signal.polarity_known:
            return None
        return "positive" if self.active else "negative"

    @property
    def uncertainty_us(self) -> float:
        """Expanded uncertainty of a time between two edges."""
        return width_uncertainty_us(self.sample_period_ps)

    @cached_property
    def good(self) -> Bools:
        """FrameGroups that are whole and hold the usual number of channels."""
        good: Bools = self.frames.whole & (self.frames.count == self.channels)
        return good

    @cached_property
    def widths_ps(self) -> Ints:
        """Widths of the good frames, (good frames, channels)."""
        first = self.frames.first[self.good]
        leads = self.leads_ps[first[:, None] + np.arange(self.channels + 1)]
        widths: Ints = np.diff(leads, axis=1)
        return widths

    @cached_property
    def usual_period_ps(self) -> float:
        """The median from frame to frame."""
        return float(np.median(np.diff(self.frames.start_ps)))

    @cached_property
    def longest_gap_ps(self) -> float:
        """A longer gap means that pulses are missing.

        A fixed period leaves less than itself between frames; a fixed gap never doubles.
        """
        gap_ps, period_ps = self.frames.gap_ps, np.diff(self.frames.start_ps)
        likely = gap_ps < self.usual_period_ps
        if likely.any() and _spread(gap_ps[likely]) < _spread(period_ps[likely]) / _CLEARLY:
            return min(self.usual_period_ps, 2 * float(np.median(gap_ps[likely])))
        return self.usual_period_ps

    @cached_property
    def in_step(self) -> Bools:
        """Where a frame follows the one before without pulses missing, (frames - 1,)."""
        whole = self.frames.whole
        return whole[1:] & whole[:-1] & (self.frames.gap_ps < self.longest_gap_ps)

    @cached_property
    def style(self) -> str | None:
        """``fixed period`` or ``fixed gap``, whichever spreads less; None where the sum of the widths never changed."""
        period, gap = _spread(self.periods_ps), _spread(self.gaps_ps)
        if max(period, gap) <= self.sample_period_ps or max(period, gap) < _CLEARLY * min(period, gap):
            return None
        return "fixed period" if period < gap else "fixed gap"

    @property
    def periods_ps(self) -> Ints:
        """From frame to frame, where they are in step."""
        period: Ints = np.diff(self.frames.start_ps)[self.in_step]
        return period

    @property
    def gaps_ps(self) -> Ints:
        """From the last edge of a frame to the next frame, where they are in step."""
        return self.frames.gap_ps[self.in_step]

    @cached_property
    def still_ps(self) -> float:
        """How much two widths may differ and yet be the same: the tick, or the jitter of the quietest channel."""
        steps = np.abs(np.diff(self.widths_ps, axis=0))
        jitter_ps = float(np.quantile(steps, 0.99, axis=0).min()) if len(steps) else 0.0
        return max(1.2 * self.sample_period_ps, min(1.5 * jitter_ps, 12 * PS_PER_US))


def _spread(values: Ints) -> float:
    """Return the mean distance from the median: a short move of a stick counts, one outlier does not decide."""
    return float(np.abs(values - np.median(values)).mean()) if len(values) else 0.0


# --- recognition ------------------------------------------------------------------------------------------------
