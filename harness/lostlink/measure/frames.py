"""Pulse train timing: period, separators, sync gap, jitter, channel count, torn frames."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lostlink.verdicts import Measurement
from lostlink_sims import Trace

Ints = NDArray[np.int64]


def _result(trace: Trace, name: str, value: float, at_us: int | None, unit: str = "µs", ends: int = 1) -> Measurement:
    """Return a result with the uncertainty of `ends` edges."""
    uncertainty = ends * trace.span_uncertainty_us if unit == "µs" else 0
    return Measurement(name=name, value=value, unit=unit, uncertainty=uncertainty, how_seen=trace.how_seen, at_us=at_us)


def whole_frames(trace: Trace, since_us: int = 0) -> tuple[Ints, Ints, Ints]:
    """Return start, sum of widths and channel count of the frames from a given time on."""
    seen = trace.seen
    total = np.add.reduceat(seen.widths_us, np.cumsum(seen.count) - seen.count) if len(seen.count) else seen.count
    keep = seen.start_us >= since_us
    return seen.start_us[keep], total[keep], seen.count[keep]


def period_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the largest difference of a frame's period from the profile's (fixed period only)."""
    start_us, _, _ = whole_frames(trace, since_us)
    error = np.abs(np.diff(start_us) - trace.profile.output.frame_period_us)
    place = int(np.argmax(error)) if len(error) else None
    worst = 0 if place is None else int(error[place])
    return _result(trace, "error of the frame period", worst, None if place is None else int(start_us[place]), ends=2)


def period_jitter(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the difference between the longest and the shortest period (fixed period only)."""
    start_us, _, _ = whole_frames(trace, since_us)
    periods = np.diff(start_us)
    return _result(trace, "jitter of the frame period", int(np.ptp(periods)) if len(periods) else 0, None, ends=2)


def shortest_sync_gap(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the shortest time between the last edge of a frame and the first of the next.

    It is measured from leading edge to leading edge, as a decoder does.
    """
    start_us, total_us, _ = whole_frames(trace, since_us)
    gap = np.diff(start_us) - total_us[:-1]
    place = int(np.argmin(gap)) if len(gap) else None
    shortest = 0 if place is None else int(gap[place])
    return _result(trace, "sync gap", shortest, None if place is None else int(start_us[place + 1]), ends=2)


def separators_us(trace: Trace) -> tuple[Ints, Ints]:
    """Return the leading edges and lengths of all complete separator pulses."""
    at_us, _ = trace.edges
    whole = len(at_us) // 2
    return at_us[0::2][:whole], at_us[1::2] - at_us[0::2][:whole]


def separator_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the largest difference of a separator pulse from the profile's length."""
    at_us, length = separators_us(trace)
    keep = at_us >= since_us
    error = np.abs(length[keep] - trace.profile.output.separator_us)
    place = int(np.argmax(error)) if len(error) else None
    worst = 0 if place is None else int(error[place])
    return _result(trace, "error of the separator", worst, None if place is None else int(at_us[keep][place]), ends=2)


def channel_count_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the number of frames whose channel count is not the profile's."""
    start_us, _, count = whole_frames(trace, since_us)
    wrong = np.flatnonzero(count != trace.profile.output.channels)
    return _result(
        trace, "frames with wrong channel count", len(wrong), int(start_us[wrong[0]]) if len(wrong) else None, ""
    )


def frames_seen(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the number of complete frames between two times."""
    start_us, _, _ = whole_frames(trace, since_us)
    return _result(trace, "frames", int((start_us < until_us).sum()), None, "")


def torn_frames(trace: Trace, patterns: Ints, since_us: int, until_us: int) -> Measurement:
    """Return the number of frames that mix the channels of different packets.

    Parameters
    ----------
    patterns : (n, channels) ndarray of int64
        The width rows that whole packets give; rows must differ in every channel.
    """
    seen = trace.seen
    inside = (seen.start_us >= since_us) & (seen.done_us < until_us)
    widths = seen.table(patterns.shape[1])[inside]
    tolerance_us = trace.profile.requirements.value_tolerance_us + trace.span_uncertainty_us
    fits = (np.abs(widths[:, None, :] - patterns[None, :, :]) <= tolerance_us).all(2).any(1)
    torn = np.flatnonzero(~fits)
    return _result(
        trace, "frames that mix two packets", len(torn), int(seen.start_us[inside][torn[0]]) if len(torn) else None, ""
    )


def gap_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the largest difference of the gap after a frame from the profile's (fixed gap only)."""
    start_us, total_us, _ = whole_frames(trace, since_us)
    error = np.abs(np.diff(start_us) - total_us[:-1] - trace.profile.output.frame_gap_us)
    place = int(np.argmax(error)) if len(error) else None
    worst = 0 if place is None else int(error[place])
    return _result(trace, "error of the gap", worst, None if place is None else int(start_us[place]), ends=2)
