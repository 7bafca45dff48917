"""Measurements from the numbers of a trace, with its uncertainty and evidence type."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from lostlink.verdicts import Measurement
from lostlink_sims import Trace
from lostlink_sims.sticks import Programme

Ints = NDArray[np.int64]


def measured(
    trace: Trace, name: str, value: float, at_us: int | None = None, *, unit: str = "µs", edges: int = 1
) -> Measurement:
    """Return a measurement; a width or time has the uncertainty of `edges` edges, another quantity none."""
    uncertainty = edges * trace.span_uncertainty_us if unit == "µs" else 0
    return Measurement(name=name, value=value, unit=unit, uncertainty=uncertainty, how_seen=trace.how_seen, at_us=at_us)


def number_of(name: str, trace: Trace, at_us: Ints, *, shown: int = 0) -> Measurement:
    """Return the number of events at the times `at_us`; the measurement refers to the event with the index `shown`."""
    return measured(trace, name, len(at_us), int(at_us[shown]) if len(at_us) else None, unit="")


def largest(name: str, trace: Trace, values: Ints, at_us: Ints, *, edges: int = 1) -> Measurement:
    """Return the largest of some values in µs, with its time; 0 without values."""
    if not len(values):
        return measured(trace, name, 0, edges=edges)
    index = int(np.argmax(values))
    return measured(trace, name, int(values[index]), int(at_us[index]), edges=edges)


def positions_at(trace: Trace, at_us: Ints) -> Ints:
    """Return where sticks and switches are at the given times, (n, channels), in millionths of their travel."""
    return programme_of(trace).positions(at_us)


def programme_of(trace: Trace) -> Programme:
    """Return the movements of sticks and switches in a run."""
    return _programme(trace.profile.channels, trace.profile.flight_controller.throttle, tuple(trace.scenario.moves))


_programme = functools.lru_cache(maxsize=2)(Programme)  # a run is looked at many times
