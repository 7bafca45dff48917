"""Which frames of a pulse train belong to a failsafe: from its jump until the sticks demonstrably return. Pure.

Failsafe values are constant, so another channel than the throttle that moves shows that the link is back. A receiver
that has returned holds its channels for the whole timeout before it can fail safe again, so a throttle that jumps up
and back sooner did not return.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink.captures.events import LATE_PS, SteadyState, like
from lostlink.captures.signals import PS_PER_US, Ints
from lostlink.captures.train import Bools, PulseTrain
from lostlink_sims import Profile

_SOON: Final = 4
"""Frames after the throttle has left its failsafe value in which another channel must move, if the sticks are back."""
_TWICE: Final = 2
"""Frames of these in which it must be off: one late edge does not count."""
_CLOCK: Final = 0.99
"""Least share of the timeout that a receiver with a fast clock waits."""
_STEP_PS: Final = 30 * PS_PER_US
_LEAP_PS: Final = 500 * PS_PER_US
"""Change of the throttle in one frame that no hand makes; half the travel."""
ALONE: Final = (
    "the throttle left its failsafe value while the other channels kept theirs; pulses do not show whether the link "
    "was back"
)


def judged_rows(train: PulseTrain, profile: Profile, steady: SteadyState) -> tuple[Ints, str]:
    """Return the rows of the train's widths that belong to a failsafe, and a doubt about its end (empty: none).

    Parameters
    ----------
    train : PulseTrain
    profile : Profile
    steady : SteadyState
        A failsafe.
    """
    throttle, end = profile.throttle_index, steady.last + 1
    widths = train.widths_ps[:, : len(profile.channels)]
    if throttle >= widths.shape[1]:
        return np.arange(steady.first, end), ""
    own = np.median(widths[steady.first : end], axis=0)
    off = np.abs(widths - own)
    moved: Bools = off > 2 * off[steady.first : end].max(0) + train.still_ps
    moved[:, throttle] = False
    is_failsafe = like(train, profile, own)
    is_failsafe[-1] |= bool((off[-1] <= LATE_PS).all())  # a late edge in the last frame, too
    start_ps = train.good_start_ps
    least_ps = _CLOCK * profile.cut_delay_us * PS_PER_US - 2 * float(np.median(np.diff(start_ps)))
    while end < len(widths):
        if is_failsafe[end]:
            end += 1
            continue
        back = end + int(np.argmax(is_failsafe[end:])) if is_failsafe[end:].any() else len(widths)
        is_soon = back < len(widths) and start_ps[back] - start_ps[end] < least_ps
        if is_soon and _jumps(widths, end, throttle) and _jumps(widths, back, throttle):
            left = np.flatnonzero(~is_failsafe[back:])
            end = back + int(left[0]) if len(left) else len(widths)
            continue
        soon = slice(end, min(back, end + _SOON))
        is_back = bool((moved[soon].sum(0) >= min(_TWICE, soon.stop - end)).any())
        return np.arange(steady.first, end), "" if is_back else ALONE
    return np.arange(steady.first, end), ""


def _jumps(widths: Ints, row: int, throttle: int) -> bool:
    """Return whether the throttle changes in one frame as no hand moves it: far, or together with another channel."""
    step = np.abs(widths[row] - widths[row - 1])
    if step[throttle] > _LEAP_PS:
        return True
    step[throttle], own = 0, step[throttle]
    return bool(own > _STEP_PS and (step > _STEP_PS).any())
