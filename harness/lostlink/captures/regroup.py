"""Puts groups of pulses together that one frame is, where a pulse is missing in it or another came on top. Pure.

A gap ends a frame. Without one of its pulses two channels are one time, which can be as long as a gap, and a pulse in
the gap makes a group of its own. The next frames show what belongs together: they come when they are due.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink.captures.signals import PS_PER_US
from lostlink.captures.train import Bools, FrameGroups, spread

_MOST_GROUPS: Final = 3
"""Most groups of one frame."""
_MOST_WRONG: Final = 2
"""Most pulses that are missing in a frame, or on top, so that it is still known as one."""
_DUE_PS: Final = 300 * PS_PER_US
"""Largest error of the instant at which a frame is due; less than any channel."""
_LONGEST_PS: Final = 2200 * PS_PER_US
"""Longest channel, by common practice, no source."""
_LEAST_PAIRS: Final = 3


def regrouped(frames: FrameGroups, channels: int) -> FrameGroups:
    """Return the frames, with groups put together that belong to one.

    Parameters
    ----------
    channels : int
        Number of channels in most frames.
    """
    wrong = frames.whole & (frames.count != channels)
    usual = frames.whole & (frames.count == channels)
    pairs = usual[1:] & usual[:-1]
    if not wrong.any() or pairs.sum() < _LEAST_PAIRS:
        return frames
    due = _Due(frames, pairs)
    follows = np.zeros(len(frames.count), np.bool_)  # groups that belong to the one before
    for index in np.flatnonzero(wrong | np.append(wrong[1:], False)).tolist():
        if not follows[index]:
            follows[index + 1 : _last(frames, channels, due, index) + 1] = True
    first = np.flatnonzero(~follows)
    last = np.append(first[1:], len(follows)) - 1
    stop_ps = frames.start_ps[last] + frames.total_ps[last]
    count = frames.first[last] + frames.count[last] - frames.first[first]
    whole = np.minimum(frames.whole[first], frames.whole[last])
    return FrameGroups(frames.start_ps[first], stop_ps - frames.start_ps[first], count, frames.first[first], whole)


class _Due:
    """When the next frame is due, by what is regular: the period or the gap."""

    def __init__(self, frames: FrameGroups, pairs: Bools) -> None:
        self._frames = frames
        period_ps, gap_ps = np.diff(frames.start_ps)[pairs], frames.gap_ps[pairs]
        self.has_period = spread(period_ps) <= spread(gap_ps)
        self._ps = float(np.median(period_ps if self.has_period else gap_ps))

    def is_due(self, after: int, group: int, periods: int = 1) -> bool:
        """Return whether a group comes when the frame after another is due, or one some periods later."""
        from_ps = self._frames.start_ps[after]
        if not self.has_period:
            from_ps += self._frames.total_ps[after]
        return bool(abs(self._frames.start_ps[group] - from_ps - periods * self._ps) <= _DUE_PS)

    def is_after_gap(self, group: int, missing: int) -> bool:
        """Return whether a group has the usual gap before it, or one that is longer by missing pulses."""
        off_ps = self._frames.gap_ps[group - 1] - self._ps
        return bool(-_DUE_PS <= off_ps <= missing * _LONGEST_PS + _DUE_PS)


def _last(frames: FrameGroups, channels: int, due: _Due, first: int) -> int:
    """Return the last group of the frame that begins with a group."""
    for last in range(first + 1, min(first + _MOST_GROUPS, len(frames.count) - 1)):
        if not frames.whole[first : last + 1].all() or (frames.count[first : last + 1] == channels).sum() > 1:
            break
        missing = channels + 1 - int((frames.count[first : last + 1] + 1).sum())
        if missing and abs(missing) <= _MOST_WRONG and _is_one(frames, due, first, last, missing):
            return last
    return first


def _is_one(frames: FrameGroups, due: _Due, first: int, last: int, missing: int) -> bool:
    """Return whether groups are one frame: the next one comes when it is due, and none of them did.

    Without its first pulse a frame begins late, so the frame before it counts too. With a fixed gap a frame is over
    with its last pulse, and between two others that gap may be what a missing pulse left.
    """
    if missing > 0 and not due.has_period:
        return due.is_after_gap(last + 1, missing)
    inside = range(first + 1, last + 1)
    if due.is_due(first, last + 1):
        return not any(due.is_due(first, group) for group in inside)
    is_late = missing > 0 and first > 0 and bool(frames.whole[first - 1])
    return (
        is_late and due.is_due(first - 1, last + 1, 2) and not any(due.is_due(first - 1, group, 2) for group in inside)
    )
