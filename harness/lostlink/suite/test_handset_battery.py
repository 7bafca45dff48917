"""A handset under test: its battery falls."""

from __future__ import annotations

import pytest

from lostlink.measure import limits, packets
from lostlink.measure.limits import sends_us, settle_us
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.handset_flying import (
    anywhere,
    judge_rate,
    judge_stray,
    moved_to,
    sent_true,
    sticks,
    stirred,
    trial,
)
from lostlink.suite.judge import Judge
from lostlink_sims import Profile
from lostlink_sims.scenario import BatteryFalls

FALLS_US = 60_000_000
WARNS_US = 10_000_000
BATTERY_STIR_US = 140_000


def _has_battery(profile: Profile) -> None:
    if profile.battery.input_range_mv is None:
        pytest.skip("the profile declares no input for the handset's battery (battery.input_range)")


@requires("HS-BATTERY")
def test_battery(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """It falls from full to its lowest; it is full; it is at its lowest at power-on. All controls move."""
    _has_battery(profile)
    lowest_mv, begin_us = profile.battery.lowest_mv, sends_us(profile)
    falls = BatteryFalls(at_us=begin_us, to_mv=lowest_mv, ramp_us=FALLS_US)
    low = BatteryFalls(at_us=0, to_mv=lowest_mv, ramp_us=0)
    until_us = begin_us + FALLS_US + 2 * WARNS_US
    for faults in ((falls,), (), (low,)):
        moves, _ = stirred(scenario, until_us - 2 * settle_us(profile), BATTERY_STIR_US)
        trace = trial(rig, scenario, moves, until_us, *faults, ambient=True)
        if sent_true(trace, until_us - 1, judge):
            may_us, must_us = packets.battery_passes_us(trace)
            judge(trace, packets.false_warnings(trace, may_us), at_most=0)
            if faults:
                since_us = max(must_us, profile.handset.boot_us)
                judge(trace, packets.time_to_warning(trace, since_us), at_most=WARNS_US)
            judge_rate(judge, trace, begin_us, until_us)
            judge(trace, packets.longest_gap(trace, begin_us, until_us), at_most=limits.pause_us(profile))


@requires("HS-REF")
def test_reference(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The battery falls from full to its lowest while the sticks rest, at stops and between; then it begins so."""
    _has_battery(profile)
    lowest_mv, begin_us = profile.battery.lowest_mv, sends_us(profile)
    at_us = begin_us + settle_us(profile)
    for number in range(4):
        places = anywhere(scenario)
        if number < 2:
            places.update({one.name: float((number + index) % 2) for index, one in enumerate(sticks(profile))})
        is_new = number == 3
        falls = BatteryFalls(at_us=0 if is_new else at_us, to_mv=lowest_mv, ramp_us=0 if is_new else FALLS_US)
        until_us = at_us + (0 if is_new else FALLS_US) + 2 * settle_us(profile)
        trace = trial(rig, scenario, moved_to(places, begin_us), until_us, falls)
        if is_new or sent_true(trace, at_us, judge):
            judge_stray(judge, trace, at_us, until_us)
