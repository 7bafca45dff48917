"""Measurements on runs whose instants are known by construction."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from lostlink.measure import channels, failsafe, frames, latency
from lostlink_sims import Move, Profile, Scenario, Trace, simulate
from lostlink_sims.scenario import LinkCut, OutputStops

UP = (Move(at_us=250_000, channel="switch 1", position=1.0), Move(at_us=350_000, channel="throttle", position=0.8))
LOST_US = 1_000_000


def lost(**receiver: Any) -> Trace:
    """Return a flight that loses its link at one second, packets and frames at phase 0."""
    plain = Profile()
    profile = dataclasses.replace(plain, receiver=dataclasses.replace(plain.receiver, **receiver))
    cut = LinkCut(at_us=LOST_US, for_us=1_500_000)
    phases: dict[str, Any] = {"packet_phase_us": 0, "frame_phase_us": 0}
    return simulate(profile, Scenario(duration_us=3_000_000, moves=UP, faults=(cut,), **phases))


def test_cut_hold_and_motor() -> None:
    """The cut follows the last good packet by the timeout and the frame that shows it; the motor by its gap."""
    trace = lost()
    heard_us = failsafe.last_good_packet_us(trace, 2_000_000)
    cut = failsafe.time_to_cut(trace, LOST_US)
    assert heard_us is not None
    assert LOST_US - 5_000 <= heard_us < LOST_US + 1_000
    # The throttle's slot ends after two centred channels and itself: 1500 + 1500 + 1000 us into its frame.
    start_us = LOST_US + round(cut.value) - 4_000
    assert start_us in trace.seen.start_us
    assert heard_us + 500_000 <= start_us < heard_us + 522_500
    assert (cut.since_us, cut.at_us) == (LOST_US, LOST_US + cut.value)
    stop = failsafe.time_to_motor_stop(trace, LOST_US)
    assert stop.value > cut.value
    assert trace.motor.at(LOST_US + round(stop.value)) == 0
    assert failsafe.highest_motor_command(trace, LOST_US).value == 80


def test_hold_time_is_in_the_hold() -> None:
    """A hold time delays the cut by itself, up to the frame that shows it."""
    longer = failsafe.time_to_cut(lost(hold_us=90_000), LOST_US).value - failsafe.time_to_cut(lost(), LOST_US).value
    assert longer == pytest.approx(90_000, abs=22_500)


def test_what_did_not_happen_is_a_lower_bound() -> None:
    """Watched for too short a time, a cut is only known to take longer."""
    cut = failsafe.time_to_cut(lost(), LOST_US, until_us=LOST_US + 300_000)
    assert cut.only_at_least
    assert cut.value == 300_000
    assert str(cut).startswith("more than 300 ms")


def test_without_a_cut_the_widest_pulse_is_told() -> None:
    """What follows a cut that never came is the held throttle, not nothing."""
    widest = failsafe.longest_throttle_after_cut(lost(timeout_us=60_000_000), LOST_US, until_us=2_000_000)
    assert widest.value == 1800


def test_pulses_that_cease_are_a_cut() -> None:
    """At the end of the last pulse; the motors follow at the signal timeout."""
    scenario = Scenario(duration_us=2_000_000, moves=UP, faults=(OutputStops(at_us=LOST_US),))
    trace = simulate(Profile(), scenario)
    assert failsafe.time_to_cut(trace, LOST_US).value <= 0
    assert failsafe.motor_stops(trace, LOST_US - 100_000).value == 1
    assert failsafe.motor_stops(trace, 1_990_000).value == 0
    assert 50_000 < failsafe.time_to_motor_stop(trace, LOST_US).value < 130_000


def test_recovery_and_drops() -> None:
    """Control is back after packets in a row and the next frame; one drop of the throttle was seen."""
    trace = lost()
    back_us = 2_500_000
    expected_us = channels.expected_at(trace, np.array([back_us]))[0]
    recovery = failsafe.recovery_time(trace, back_us, expected_us)
    assert 2 * 5_000 < recovery.value < 5 * 5_000 + 2 * 22_500
    assert failsafe.throttle_drops(trace, LOST_US).value == 1
    assert failsafe.failsafe_changes(trace, LOST_US, 3_000_000).value == 2


def test_frame_measurements() -> None:
    """An ideal train has no error; its shortest gap is what the widest channels leave."""
    trace = lost()
    assert frames.period_error(trace).value == 0
    assert frames.period_jitter(trace).value == 0
    assert frames.separator_error(trace).value == 0
    assert frames.channel_count_error(trace).value == 0
    total_us = trace.widths_us.sum(1).max()
    assert frames.shortest_sync_gap(trace).value == 22_500 - total_us


def test_quantiles_are_observations() -> None:
    """The smallest observation with the share at or below it; unseen ones make a lower bound."""
    trace, values = lost(), np.arange(1, 101)
    seen = np.ones(100, np.bool_)
    for share, value in ((0.5, 50), (0.99, 99), (1.0, 100), (0.0, 1)):
        assert latency.quantile(values, seen, share, trace).value == value
    seen[98:] = False
    assert latency.quantile(values, seen, 0.99, trace).only_at_least
    assert not latency.quantile(values, seen, 0.5, trace).only_at_least
