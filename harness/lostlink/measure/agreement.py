"""Difference between the receiver under test and the simulated one, on the same packets."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lostlink.measure.results import measured
from lostlink.verdicts import Measurement
from lostlink_sims import Trace


def disagreement(
    trace: Trace, reference: Trace, since_us: int, slack_us: int, free: Sequence[tuple[int, int]] = ()
) -> Measurement:
    """Return the largest channel difference from the reference that a permitted time shift does not explain.

    Each width is compared with the range of the reference's widths in the frames that began at most `slack_us` before
    or after.

    Parameters
    ----------
    trace, reference : Trace
        Two runs of one scenario.
    since_us : int
        Start of the comparison.
    slack_us : int
        Allowed time shift, from latency, frame phases and clocks.
    free : sequence of (int, int)
        Windows in which the owner's limits leave the instant of a change open: any time in them may be compared.
    """
    channels = len(trace.profile.channels)
    keep = (trace.seen.start_us >= since_us) & (trace.seen.start_us < trace.scenario.duration_us - slack_us)
    at_us, widths = trace.seen.start_us[keep], trace.seen.table(channels)[keep]
    from_us, until_us = at_us.copy(), at_us.copy()
    for begin_us, end_us in free:
        inside = (at_us >= begin_us - slack_us) & (at_us < end_us + slack_us)
        from_us[inside], until_us[inside] = np.minimum(from_us[inside], begin_us), np.maximum(until_us[inside], end_us)
    theirs = reference.seen.table(channels)
    bounds = np.searchsorted(reference.seen.start_us, (from_us - slack_us, until_us + slack_us)).T
    apart = np.abs(widths)  # without a frame of the reference
    for row, (first, last) in enumerate(bounds.tolist()):
        if first < last:
            low, high = theirs[first:last].min(0), theirs[first:last].max(0)
            apart[row] = np.maximum(low - widths[row], widths[row] - high).clip(0)
    name = "difference from the simulated receiver"
    if not apart.size:
        return measured(trace, name, 0)
    frame, channel = divmod(int(np.argmax(apart)), channels)
    name = f"{name}, {trace.profile.channels[channel].name}"
    return measured(trace, name, int(apart[frame, channel]), int(at_us[frame]))
