"""Pulse train timing: period, separators, sync gap, jitter, channel count, torn frames."""

from __future__ import annotations

import itertools

import numpy as np

from lostlink.measure.results import Ints, largest, measured, number_of
from lostlink.verdicts import Measurement
from lostlink_sims import Trace


def whole_frames(trace: Trace, since_us: int = 0) -> tuple[Ints, Ints, Ints]:
    """Return start, sum of widths and channel count of the frames from a given time on."""
    seen = trace.seen
    total = np.add.reduceat(seen.widths_us, np.cumsum(seen.count) - seen.count) if len(seen.count) else seen.count
    keep = seen.start_us >= since_us
    return seen.start_us[keep], total[keep], seen.count[keep]


def period_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the largest difference of a frame's period from the profile's (fixed period only)."""
    start_us, _, _ = whole_frames(trace, since_us)
    error_us = np.abs(np.diff(start_us) - trace.profile.output.frame_period_us)
    return largest("error of the frame period", trace, error_us, start_us, edges=2)


def period_jitter(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the difference between the longest and the shortest period (fixed period only)."""
    periods_us = np.diff(whole_frames(trace, since_us)[0])
    return measured(trace, "jitter of the frame period", int(np.ptp(periods_us)) if len(periods_us) else 0, edges=2)


def _gaps(trace: Trace, since_us: int) -> tuple[Ints, Ints]:
    """Return the gaps from the last leading edge of a frame to the first of the next, and the starts of the frames."""
    start_us, total_us, _ = whole_frames(trace, since_us)
    return np.diff(start_us) - total_us[:-1], start_us


def shortest_sync_gap(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the shortest time from the last leading edge of a frame to the first of the next."""
    gaps_us, start_us = _gaps(trace, since_us)
    if not len(gaps_us):
        return measured(trace, "sync gap", 0, edges=2)
    index = int(np.argmin(gaps_us))
    return measured(trace, "sync gap", int(gaps_us[index]), int(start_us[index + 1]), edges=2)


def gap_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the largest difference of the gap after a frame from the profile's (fixed gap only)."""
    gaps_us, start_us = _gaps(trace, since_us)
    error_us = np.abs(gaps_us - trace.profile.output.frame_gap_us)
    return largest("error of the gap", trace, error_us, start_us, edges=2)


def separator_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the largest difference of a complete separator pulse from the profile's length."""
    at_us, _ = trace.edges
    lead_us, length_us = at_us[0::2][: len(at_us) // 2], np.diff(at_us)[0::2]
    keep = lead_us >= since_us
    error_us = np.abs(length_us[keep] - trace.profile.output.separator_us)
    return largest("error of the separator", trace, error_us, lead_us[keep], edges=2)


def channel_count_error(trace: Trace, since_us: int = 0) -> Measurement:
    """Return the number of frames whose channel count is not the profile's."""
    start_us, _, count = whole_frames(trace, since_us)
    return number_of("frames with wrong channel count", trace, start_us[count != trace.profile.output.channels])


def frames_seen(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the number of complete frames between two times."""
    start_us, _, _ = whole_frames(trace, since_us)
    return measured(trace, "frames", int((start_us < until_us).sum()), unit="")


def torn_frames(trace: Trace, patterns: Ints, since_us: int, until_us: int) -> Measurement:
    """Return the number of frames that mix the channels of different packets.

    A frame in which every channel has gone the same share of the way from one packet to another is the output of a
    filter, and mixes nothing.

    Parameters
    ----------
    patterns : (n, channels) ndarray of int64
        Widths for whole packets, in µs; rows must differ in every channel.
    """
    seen = trace.seen
    inside = (seen.start_us >= since_us) & (seen.done_us < until_us)
    widths_us = seen.table(patterns.shape[1])[inside]
    tolerance_us = trace.profile.requirements.value_tolerance_us + trace.span_uncertainty_us
    fits = (np.abs(widths_us[:, None, :] - patterns[None, :, :]) <= tolerance_us).all(2).any(1)
    for one, other in itertools.combinations(patterns, 2):
        low, high = np.minimum(one, other), np.maximum(one, other)
        gone = np.where(other >= one, widths_us - low, high - widths_us) / (high - low)
        slack = tolerance_us / (high - low)
        least, most = (gone - slack).max(1), (gone + slack).min(1)
        fits |= (least <= most) & (least <= 1) & (most >= 0)
    return number_of("frames that mix two packets", trace, seen.start_us[inside][~fits])
