"""Latency from a stick movement to the end of the first pulse that shows it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.channels import expected_at
from lostlink.measure.results import Ints
from lostlink.verdicts import Measurement
from lostlink_sims import Trace


def latencies_us(trace: Trace, channel: int) -> tuple[Ints, NDArray[np.bool_]]:
    """Return the latency of each sudden movement of a channel, to the end of the first pulse that shows it.

    Returns
    -------
    latency_us : (n,) ndarray of int64
        Time to the next move, or to the end, if no pulse showed it before.
    shown : (n,) ndarray of bool
    """
    profile = trace.profile
    moves = [m for m in trace.scenario.moves if m.channel == profile.channels[channel].name and not m.ramp_us]
    at_us = np.array(sorted(move.at_us for move in moves), np.int64)
    if not len(at_us):
        return at_us, np.zeros(0, np.bool_)
    wanted = expected_at(trace, at_us)[:, channel]
    width = trace.seen.table(channel + 1)[:, -1]
    ends_us = trace.seen.last_edge_us(channel)
    until_us = np.append(at_us[1:], trace.scenario.duration_us)
    latency, shown = until_us - at_us, np.zeros(len(at_us), np.bool_)
    tolerance_us = profile.requirements.value_tolerance_us + trace.span_uncertainty_us
    for move in range(len(at_us)):
        low, high = np.searchsorted(ends_us, (at_us[move], until_us[move]))
        hit = np.flatnonzero(np.abs(width[low:high] - wanted[move]) <= tolerance_us)
        if len(hit):
            latency[move], shown[move] = ends_us[low + hit[0]] - at_us[move], True
    return latency, shown


def quantile(latency_us: Ints, shown: NDArray[np.bool_], share: float, *traces: Trace) -> Measurement:
    """Return the quantile `share` of the latency, without interpolation; the uncertainty is the largest of all runs."""
    order = np.sort(latency_us)
    index = min(len(order) - 1, max(0, int(np.ceil(share * len(order))) - 1))
    return Measurement(
        name=f"latency from stick to pulse ({share:.1%} of moves)",
        value=int(order[index]),
        uncertainty=max(trace.uncertainty_us for trace in traces),
        how_seen=traces[0].how_seen,
        only_at_least=bool((~shown[latency_us >= order[index]]).all()),
    )
