"""Pulse widths compared with stick positions: value, centre, ends, order, direction, steps, crosstalk."""

from __future__ import annotations

import numpy as np

from lostlink.measure.results import Ints, largest, measured, number_of, positions_at
from lostlink.verdicts import Measurement
from lostlink_sims import Profile, Trace
from lostlink_sims.codes import pulse_table
from lostlink_sims.sticks import codes


def expected_widths_us(profile: Profile, position: Ints) -> Ints:
    """Return the widths that the mapping of the profile gives for stick positions.

    Parameters
    ----------
    position : (n, channels) ndarray of int64
        Millionths of the travel.

    Returns
    -------
    (n, channels) ndarray of int64
    """
    settings = profile.receiver
    table = np.array(pulse_table(settings.mapping, settings.low_us, settings.high_us), np.int64)
    return table[codes(profile, position)]


def expected_at(trace: Trace, at_us: Ints) -> Ints:
    """Return the widths for the stick positions at the given times, (n, channels)."""
    return expected_widths_us(trace.profile, positions_at(trace, at_us))


def settled(trace: Trace, at_us: Ints) -> Ints:
    """Return the widths in the last complete frame at each time, (n, output channels); -1 before the first."""
    if not len(trace.widths_us):
        return np.full((len(at_us), trace.profile.output.channels), -1, np.int64)
    index = np.searchsorted(trace.seen.done_us, at_us, side="right") - 1
    return np.where((index >= 0)[:, None], trace.widths_us[np.maximum(index, 0)], -1)


def value_error(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return the largest difference of a channel from the width for its stick position.

    Parameters
    ----------
    at_us : (n,) ndarray of int64
        Times at which the output has settled.
    """
    error = np.abs(settled(trace, at_us)[:, channel] - expected_at(trace, at_us)[:, channel])
    return largest(f"error of {trace.profile.channels[channel].name}", trace, error, at_us)


def offset_from(trace: Trace, channel: int, width_us: int, at_us: int) -> Measurement:
    """Return the difference of a channel from a width at a given time."""
    instants_us = np.array([at_us])
    error = np.abs(settled(trace, instants_us)[:, channel] - width_us)
    return largest(f"offset of {trace.profile.channels[channel].name}", trace, error, instants_us)


def step_errors(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return the number of non-monotonic steps of a channel while its stick moves one way.

    Parameters
    ----------
    at_us : (n,) ndarray of int64
        Times between which the stick's code increased each time.
    """
    wrong = np.diff(settled(trace, at_us)[:, channel]) <= 0
    return number_of(f"non-monotonic steps of {trace.profile.channels[channel].name}", trace, at_us[1:][wrong])


def resolution(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return the number of different widths of a channel at the given times."""
    widths = np.unique(settled(trace, at_us)[:, channel])
    name = f"distinct widths of {trace.profile.channels[channel].name}"
    return measured(trace, name, len(widths), int(at_us[-1]), unit="")


def crosstalk(trace: Trace, moved: int, since_us: int, until_us: int) -> Measurement:
    """Return the largest movement of any other channel while only the control of `moved` moves."""
    inside = (trace.seen.done_us >= since_us) & (trace.seen.done_us < until_us)
    others = np.delete(trace.widths_us[inside], moved, axis=1)
    spread = np.ptp(others, axis=0) if len(others) else np.zeros(1, np.int64)
    name = trace.profile.channels[moved].name
    return largest(f"movement of other channels with {name}", trace, spread, np.full(len(spread), until_us))


def _from_to(trace: Trace, channel: int, begin_us: int, end_us: int) -> int:
    before, after = settled(trace, np.array([begin_us, end_us]))[:, channel].tolist()
    return int(after) - int(before)


def travel(trace: Trace, channel: int, begin_us: int, end_us: int) -> Measurement:
    """Return the distance that a channel moved between two times, in either direction."""
    name = f"travel of {trace.profile.channels[channel].name}"
    return measured(trace, name, abs(_from_to(trace, channel, begin_us, end_us)), end_us)


def rise(trace: Trace, channel: int, begin_us: int, end_us: int, *, falls: bool = False) -> Measurement:
    """Return the increase of a channel between two times, or its decrease if it `falls`."""
    rise_us = _from_to(trace, channel, begin_us, end_us)
    name = f"{'fall' if falls else 'rise'} of {trace.profile.channels[channel].name}"
    return measured(trace, name, -rise_us if falls else rise_us, end_us)
