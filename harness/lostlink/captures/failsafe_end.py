"""Which frames of a pulse train belong to a failsafe: from its jump until the sticks demonstrably return. Pure.

Failsafe values are constant, so another channel than the throttle that moves shows that the link is back. A receiver
that has returned holds its channels for the whole timeout before it can fail safe again, so a throttle that jumps up
and back sooner did not return. Nor is the link demonstrably back where all channels only take the values again that
they had before: a receiver without a link can do that too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink.captures.events import LATE_PS, SteadyState, like
from lostlink.captures.signals import PS_PER_US, Ints
from lostlink.captures.train import Bools, PulseTrain
from lostlink_sims import Profile

_SOON: Final = 4
"""Frames after the throttle has left its failsafe value in which another channel must move, if the sticks are back."""
_MOST_OF_THEM: Final = 3
"""Frames of these in which a channel is off that stays off."""
_TWICE: Final = 2
"""Frames of these in which it must be off: one late edge does not count."""
HEAD: Final = 8
"""Frames from which the values of a failsafe, and those before it, are taken."""
_LEAST_REACH: Final = 256
"""Rows after the steady state that are looked at first."""
_CLOCK: Final = 0.99
"""Least share of the timeout that a receiver with a fast clock waits."""
_STEP_PS: Final = 30 * PS_PER_US
_LEAP_PS: Final = 500 * PS_PER_US
"""Change of the throttle in one frame that no hand makes; half the travel."""
ALONE: Final = (
    "the throttle left its failsafe value while the other channels kept theirs; pulses do not show whether the link "
    "was back"
)
AS_BEFORE: Final = (
    "after the failsafe all channels only took the values again that they had before it; pulses do not show whether "
    "the link was back"
)


@dataclass(frozen=True, slots=True)
class FailsafeRows:
    """The rows of the train's widths that belong to a failsafe.

    Attributes
    ----------
    rows : (n,) ndarray of int64
    doubt : str
        Why the failsafe may have lasted longer; empty for none.
    changed : (channels,) ndarray of bool
        Channels of the profile that changed when it began. Another one may still have the value of its stick.
    """

    rows: Ints
    doubt: str
    changed: Bools


def judged_rows(train: PulseTrain, profile: Profile, steady: SteadyState) -> FailsafeRows:
    """Return the rows of the train's widths that belong to a failsafe.

    Parameters
    ----------
    train : PulseTrain
    profile : Profile
    steady : SteadyState
        A failsafe.
    """
    widths = train.widths_ps[:, : len(profile.channels)]
    head = widths[steady.first : min(steady.last + 1, steady.first + HEAD)]
    own = np.median(head, axis=0)
    least_ps = 2 * np.abs(head - own).max(0) + train.still_ps
    held = np.median(widths[max(0, steady.first - HEAD) : max(1, steady.first - 1)], axis=0)
    changed: Bools = np.abs(held - own) > least_ps
    if profile.throttle_index >= widths.shape[1]:
        return FailsafeRows(np.arange(steady.first, steady.last + 1), "", changed)
    last, reach = len(widths), steady.last + 1
    while True:
        reach = min(last, reach + max(_LEAST_REACH, reach - steady.first))
        ends = _Ends(train, profile, slice(steady.first, reach), own, least_ps)
        end, doubt = ends.end(steady.last + 1 - steady.first)
        is_known = reach == last or end + ends.ahead <= ends.size
        if not doubt and end < ends.size and ends.is_as_before(end, held):
            doubt, is_known = AS_BEFORE, is_known and (reach == last or bool(ends.is_failsafe[end:].any()))
        if is_known:
            return FailsafeRows(np.arange(steady.first, steady.first + end), doubt, changed)


class _Ends:
    """Rows from the beginning of a failsafe on, which may contain its end.

    They are not all rows of the train: a long capture may hold many failsafes.

    Attributes
    ----------
    size : int
        Number of rows.
    ahead : int
        Number of rows after the end that are needed to find it.
    is_failsafe : (size,) ndarray of bool
        Rows with the failsafe's own values.
    """

    def __init__(self, train: PulseTrain, profile: Profile, rows: slice, own: Ints, least_ps: Ints) -> None:
        self._throttle = profile.throttle_index
        self._widths = train.widths_ps[rows, : len(profile.channels)]
        self._start_ps = train.good_start_ps[rows]
        self._least_ps = least_ps
        self._moved: Bools = np.abs(self._widths - own) > least_ps
        self._moved[:, self._throttle] = False
        self._wait_ps = _CLOCK * profile.cut_delay_us * PS_PER_US - 2 * train.usual_period_ps
        self.size = len(self._widths)
        self.ahead = _SOON + HEAD + 2 * max(0, int(self._wait_ps / train.usual_period_ps))
        self.is_failsafe = like(train, profile, own, rows)
        if rows.stop == len(train.widths_ps):  # a late edge in the last frame, too
            self.is_failsafe[-1] |= bool((np.abs(self._widths[-1] - own) <= LATE_PS).all())

    def end(self, end: int) -> tuple[int, str]:
        """Return the first row that does not belong to the failsafe, steady until `end`, and a doubt about it."""
        if (gone := _left_within(self._moved[:end])) is not None:
            return gone, ""
        while end < self.size:
            if self.is_failsafe[end]:
                end += 1
                continue
            back = _first(self.is_failsafe, end)
            is_soon = back < self.size and self._start_ps[back] - self._start_ps[end] < self._wait_ps
            if is_soon and self._jumps(end) and self._jumps(back):
                end = _first(~self.is_failsafe, back)
                continue
            soon = slice(end, min(back, end + _SOON))
            is_back = bool((self._moved[soon].sum(0) >= min(_TWICE, soon.stop - end)).any())
            return end, "" if is_back else ALONE
        return end, ""

    def is_as_before(self, end: int, held: Ints) -> bool:
        """Return whether all channels have the values from before the failsafe, until the next one or to the end."""
        after = self._widths[end + 1 : _first(self.is_failsafe, end)]
        off: Bools = np.abs(after - held) > self._least_ps
        return len(after) >= _TWICE and _left_within(off) is None

    def _jumps(self, row: int) -> bool:
        """Return whether the throttle changes in one frame as no hand moves it: far, or together with another one."""
        step = np.abs(self._widths[row] - self._widths[row - 1])
        if step[self._throttle] > _LEAP_PS:
            return True
        step[self._throttle], own = 0, step[self._throttle]
        return bool(own > _STEP_PS and (step > _STEP_PS).any())


def _first(mask: Bools, begin: int) -> int:
    """Return the first True from a row on, or the number of rows."""
    return begin + int(np.argmax(mask[begin:])) if mask[begin:].any() else len(mask)


def _left_within(moved: Bools) -> int | None:
    """Return the first row from which a channel is off in most of the next rows, as late edges are not; else None."""
    if len(moved) < _SOON:
        return None
    counts = np.cumsum(np.concatenate([np.zeros((1, moved.shape[1]), np.int64), moved]), axis=0)
    first = len(moved) - _SOON + 1
    stays = (counts[_SOON:] - counts[:-_SOON] >= _MOST_OF_THEM) & moved[:first] & moved[1 : first + 1]
    return int(np.argmax(stays.any(1))) if stays.any() else None
