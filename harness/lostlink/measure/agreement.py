"""Difference between the receiver under test and the simulated one, on the same packets."""

from __future__ import annotations

import numpy as np

from lostlink.measure.results import measured
from lostlink.verdicts import Measurement
from lostlink_sims import Trace


def disagreement(trace: Trace, reference: Trace, since_us: int, slack_us: int) -> Measurement:
    """Return the largest channel difference from the reference that a time shift of `slack_us` does not explain.

    Each width is compared with the closest width of the reference in a frame that began at most `slack_us` before or
    after.

    Parameters
    ----------
    trace, reference : Trace
        Two runs of one scenario.
    since_us : int
        Start of the comparison.
    slack_us : int
        Allowed time shift, from frame phases and clocks.
    """
    channels = len(trace.profile.channels)
    keep = (trace.seen.start_us >= since_us) & (trace.seen.start_us < trace.scenario.duration_us - slack_us)
    at_us, widths = trace.seen.start_us[keep], trace.seen.table(channels)[keep]
    theirs_us, theirs = reference.seen.start_us, reference.seen.table(channels)
    first, last = np.searchsorted(theirs_us, (at_us - slack_us, at_us + slack_us))
    apart = np.full(widths.shape, np.iinfo(np.int64).max)
    for step in range(int((last - first).max(initial=0))):
        index = np.minimum(first + step, last - 1)
        known = (last > first)[:, None]
        apart = np.where(known, np.minimum(apart, np.abs(widths - theirs[index])), apart)
    apart = np.where(apart == np.iinfo(np.int64).max, np.abs(widths), apart)  # without a frame of the reference
    name = "difference from the simulated receiver"
    if not apart.size:
        return measured(trace, name, 0)
    frame, channel = divmod(int(np.argmax(apart)), channels)
    name = f"{name}, {trace.profile.channels[channel].name}"
    return measured(trace, name, int(apart[frame, channel]), int(at_us[frame]))
