"""Pulse widths compared with stick positions: value, centre, ends, order, direction, steps, crosstalk."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lostlink.verdicts import Measurement
from lostlink_sims import Profile, Trace
from lostlink_sims.codes import pulse_table
from lostlink_sims.handset import Programme, codes

Ints = NDArray[np.int64]


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
    profile = trace.profile
    programme = Programme(profile.channels, profile.flight_controller.throttle, trace.scenario.moves)
    return expected_widths_us(profile, programme.positions(at_us))


def settled(trace: Trace, at_us: Ints) -> Ints:
    """Return the widths in the last frame that was complete at each instant.

    Returns
    -------
    (n, output channels) ndarray of int64
        -1 where no frame was complete yet.
    """
    place = np.searchsorted(trace.seen.done_us, at_us, side="right") - 1
    widths = trace.widths_us
    return (
        np.where((place >= 0)[:, None], widths[np.maximum(place, 0)], -1)
        if len(widths)
        else np.full((len(at_us), trace.profile.output.channels), -1, np.int64)
    )


def _largest(name: str, trace: Trace, error_us: Ints, at_us: Ints) -> Measurement:
    """Return the largest entry of an (instants,) column of errors."""
    place = int(np.argmax(error_us)) if len(error_us) else 0
    return Measurement(
        name=name,
        value=int(error_us[place]) if len(error_us) else 0,
        uncertainty=trace.span_uncertainty_us,
        how_seen=trace.how_seen,
        at_us=int(at_us[place]) if len(at_us) else None,
    )


def value_error(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return the largest difference of a channel from the width for its stick position.

    Parameters
    ----------
    at_us : (n,) ndarray of int64
        Times at which the output has settled.
    """
    error = np.abs(settled(trace, at_us)[:, channel] - expected_at(trace, at_us)[:, channel])
    return _largest(f"error of {trace.profile.channels[channel].name}", trace, error, at_us)


def offset_from(trace: Trace, channel: int, width_us: int, at_us: int) -> Measurement:
    """Return the difference of a channel from a width at a given time."""
    here = np.array([at_us])
    error = np.abs(settled(trace, here)[:, channel] - width_us)
    return _largest(f"offset of {trace.profile.channels[channel].name}", trace, error, here)


def step_errors(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return how many steps of a channel are not monotonic while its stick moves one way.

    Parameters
    ----------
    at_us : (n,) ndarray of int64
        Times between which the stick's code increased each time.
    """
    width = settled(trace, at_us)[:, channel]
    wrong = np.flatnonzero(np.diff(width) <= 0)
    return Measurement(
        name=f"non-monotonic steps of {trace.profile.channels[channel].name}",
        value=len(wrong), unit="", how_seen=trace.how_seen,
        at_us=int(at_us[wrong[0] + 1]) if len(wrong) else None,
    )  # fmt: skip


def resolution(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return the number of different widths of a channel at the given instants."""
    width = settled(trace, at_us)[:, channel]
    return Measurement(
        name=f"distinct widths of {trace.profile.channels[channel].name}",
        value=len(np.unique(width)), unit="", how_seen=trace.how_seen, at_us=int(at_us[-1]),
    )  # fmt: skip


def crosstalk(trace: Trace, moved: int, since_us: int, until_us: int) -> Measurement:
    """Return the largest movement of any other channel while only the control of `moved` moves."""
    inside = (trace.seen.done_us >= since_us) & (trace.seen.done_us < until_us)
    others = np.delete(trace.widths_us[inside], moved, axis=1)
    spread = np.ptp(others, axis=0) if len(others) else np.zeros(1, np.int64)
    name = trace.profile.channels[moved].name
    return _largest(f"movement of other channels with {name}", trace, spread, np.full(len(spread), until_us))


def _from_to(trace: Trace, channel: int, begin_us: int, end_us: int) -> int:
    before, after = settled(trace, np.array([begin_us, end_us]))[:, channel].tolist()
    return int(after) - int(before)


def travel(trace: Trace, channel: int, begin_us: int, end_us: int) -> Measurement:
    """Return how far a channel moved between two instants, in either direction."""
    moved = abs(_from_to(trace, channel, begin_us, end_us))
    name = f"travel of {trace.profile.channels[channel].name}"
    return _largest(name, trace, np.array([moved]), np.array([end_us]))


def rise(trace: Trace, channel: int, begin_us: int, end_us: int, *, falls: bool = False) -> Measurement:
    """Return the increase of a channel between two times, or its decrease if it `falls`."""
    grown = _from_to(trace, channel, begin_us, end_us)
    name = f"{'fall' if falls else 'rise'} of {trace.profile.channels[channel].name}"
    return _largest(name, trace, np.array([-grown if falls else grown]), np.array([end_us]))
