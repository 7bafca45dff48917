"""Link loss and return: cut, hold, recovery, false failsafes.

A throttle pulse is idle up to the profile's `idle_below`. The time of a pulse is the end of its slot in the output
signal. The receiver's own failsafe flag is separate and is compared with the pulses.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.results import Ints, largest, measured, number_of
from lostlink.verdicts import Measurement
from lostlink_sims import Trace
from lostlink_sims.trace import NOT_YET


def throttle_pulses(trace: Trace) -> tuple[Ints, Ints]:
    """Return the end times and widths of the throttle pulses."""
    index = trace.profile.throttle_index
    width_us = trace.seen.table(index + 1)[:, -1]
    there = width_us >= 0
    return trace.seen.last_edge_us(index)[there], width_us[there]


def _idle(trace: Trace, since_us: int, until_us: int | None) -> tuple[Ints, NDArray[np.bool_]]:
    at_us, width_us = throttle_pulses(trace)
    inside = (at_us >= since_us) & (at_us < (trace.scenario.duration_us if until_us is None else until_us))
    return at_us[inside], width_us[inside] <= trace.profile.requirements.idle_below_us


def _states(trace: Trace, since_us: int, until_us: int | None) -> tuple[Ints, NDArray[np.bool_]]:
    """Return times and idleness of the throttle as the flight controller has it.

    Without pulses for longer than its signal timeout it is idle.
    """
    at_us, idle = _idle(trace, since_us, until_us)
    end_us = trace.scenario.duration_us if until_us is None else until_us
    timeout_us = trace.profile.flight_controller.signal_timeout_us
    gaps = np.flatnonzero(np.diff(np.concatenate([[since_us], at_us, [end_us]])) > timeout_us)
    times_us = np.concatenate([[since_us], at_us])[gaps] + timeout_us
    return np.insert(at_us, gaps, times_us), np.insert(idle, gaps, True)


def _after(trace: Trace, name: str, since_us: int, at_us: int | None, until_us: int) -> Measurement:
    """Return a delay, or a lower bound if the event was not seen."""
    return Measurement(
        name=name,
        value=(until_us if at_us is None else at_us) - since_us,
        uncertainty=trace.uncertainty_us,
        how_seen=trace.how_seen,
        only_at_least=at_us is None,
        at_us=until_us if at_us is None else at_us,
        since_us=since_us,
    )


def time_to_cut(trace: Trace, since_us: int, until_us: int | None = None) -> Measurement:
    """Return the time from `since_us` to the end of the first idle throttle pulse.

    If the pulses stop for longer than the flight controller's signal timeout, or three frames before the end of the
    run, the end of the last one counts as the cut: without pulses no flight controller holds a throttle for longer.
    `time_to_motor_stop` measures the motors.
    """
    end_us = trace.scenario.duration_us if until_us is None else until_us
    at_us, idle = _idle(trace, since_us, until_us)
    name = "time from link loss to throttle cut"
    gap_us = np.diff(np.concatenate([[since_us], at_us, [end_us]]))
    ceases = gap_us > trace.profile.flight_controller.signal_timeout_us
    ceases[-1] |= gap_us[-1] > 3 * trace.profile.output.frame_period_us
    cuts_us = [int(at_us[np.argmax(idle)])] if idle.any() else []
    if ceases.any():
        cuts_us.append(int(np.concatenate([[since_us], at_us])[np.argmax(ceases)]))
    return _after(trace, name, since_us, min(cuts_us, default=None), end_us)


def longest_throttle_after_cut(trace: Trace, since_us: int, until_us: int | None = None) -> Measurement:
    """Return the widest throttle pulse after the first idle one, or of all if none is idle; 0 if none follows."""
    cut = time_to_cut(trace, since_us, until_us)
    end_us = trace.scenario.duration_us if until_us is None else until_us
    if cut.only_at_least:
        return widest_throttle(trace, since_us, end_us, name="widest throttle pulse after the link loss")
    cut_us = since_us + round(cut.value)
    at_us, idle = _idle(trace, since_us, until_us)
    if not idle[at_us == cut_us].any():  # the pulses ceased: the last one is the cut
        cut_us += 1
    return widest_throttle(trace, cut_us, end_us, name="widest throttle pulse after the cut")


def widest_throttle(trace: Trace, since_us: int, until_us: int, name: str = "widest throttle pulse") -> Measurement:
    """Return the widest throttle pulse that ended between two times; 0 if there was none."""
    at_us, width_us = throttle_pulses(trace)
    inside = (at_us >= since_us) & (at_us < until_us)
    return largest(name, trace, width_us[inside], at_us[inside])


def time_to_motor_stop(trace: Trace, since_us: int, until_us: int | None = None) -> Measurement:
    """Return the time from `since_us` to the first motor command of 0."""
    end_us = trace.scenario.duration_us if until_us is None else until_us
    name = "time from link loss to motor stop"
    if trace.motor.at(since_us) == 0:
        return _after(trace, name, since_us, since_us, end_us)
    later = (trace.motor.at_us > since_us) & (trace.motor.at_us < end_us) & (trace.motor.value == 0)
    return _after(trace, name, since_us, int(trace.motor.at_us[np.argmax(later)]) if later.any() else None, end_us)


def motor_stops(trace: Trace, since_us: int) -> Measurement:
    """Return the number of times that running motors stopped."""
    at_us, value = _motor(trace, since_us, np.iinfo(np.int64).max)
    return number_of("number of motor stops", trace, at_us[1:][(value[1:] == 0) & (value[:-1] > 0)])


def _motor(trace: Trace, since_us: int, until_us: int) -> tuple[Ints, Ints]:
    """Return the times and values of the motor commands between two times, with the one at the start."""
    inside = (trace.motor.at_us > since_us) & (trace.motor.at_us < until_us)
    at_us = np.concatenate([[since_us], trace.motor.at_us[inside]])
    return at_us, np.concatenate([[trace.motor.at(since_us)], trace.motor.value[inside]])


def highest_motor_command(trace: Trace, since_us: int, until_us: int | None = None) -> Measurement:
    """Return the highest motor command, in % of full, between two times."""
    at_us, value = _motor(trace, since_us, trace.scenario.duration_us if until_us is None else until_us)
    index = int(np.argmax(value))
    return measured(trace, "motor command", int(value[index]) / 10, int(at_us[index]), unit="%")


def last_good_packet_us(trace: Trace, before_us: int) -> int | None:
    """Return the arrival time of the last packet that the receiver got before a given time."""
    arrived = trace.packets.arrived_us
    good = arrived[(arrived != NOT_YET) & (arrived <= before_us)]
    return int(good.max()) if len(good) else None


def recovery_time(trace: Trace, back_us: int, expected_us: Ints) -> Measurement:
    """Return the time from the link return to the end of the first frame that follows the sticks.

    Parameters
    ----------
    back_us : int
        Time of the link return.
    expected_us : (channels,) ndarray of int64
        Widths for the stick positions; at least one must differ from its failsafe value.
    """
    widths = trace.seen.table(len(expected_us))
    close = (
        np.abs(widths - expected_us) <= trace.profile.requirements.value_tolerance_us + trace.span_uncertainty_us
    ).all(1)
    ends_us = trace.seen.last_edge_us(len(expected_us) - 1)
    hit = close & (ends_us >= back_us)
    at_us = int(ends_us[np.argmax(hit)]) if hit.any() else None
    return _after(trace, "time from link return to control", back_us, at_us, trace.scenario.duration_us)


def throttle_drops(trace: Trace, since_us: int, until_us: int | None = None) -> Measurement:
    """Return the number of times that the throttle pulses fell to idle."""
    at_us, idle = _states(trace, since_us, until_us)
    return number_of("false failsafes", trace, at_us[1:][idle[1:] & ~idle[:-1]])


def failsafe_changes(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the number of changes of the throttle pulses between idle and above idle."""
    at_us, idle = _states(trace, since_us, until_us)
    return number_of("changes between failsafe and sticks", trace, at_us[1:][idle[1:] != idle[:-1]], shown=-1)
