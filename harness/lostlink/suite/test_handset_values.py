"""A handset under test: what it sends for each position of its sticks and switches."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from lostlink.measure import packets
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite import limits
from lostlink.suite.handset_flying import first_low, moved_alone, settle_us, sticks, trial
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile
from lostlink_sims.codes import ADC_COUNTS, ADC_RULES, TOP_CODE
from lostlink_sims.scenario import SwitchBounces

STAIR_STEPS = 256
"""Positions of a stick from stop to stop."""
MOST_CODE_ERROR = 1
"""A program may have a hysteresis of a code."""
MIDDLE_CODE = 127
CENTRE_CODES = 2
LEAST_TRAVEL_CODES = 100
SWEEP_US = 3_000_000
STILL_US = 2_000_000
BOUNCE_US = 10_000
"""Most contacts bounce for less than 6 ms, some for longer; common practice, no source."""
SWITCHINGS = 6


@requires("HS-VALUE")
def test_value(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Every stick goes from stop to stop in steps, every switch through its positions."""
    moves, begin_us = first_low(scenario)
    instants = begin_us + settle_us(profile) * np.arange(1, STAIR_STEPS + 2)
    for channel in profile.channels:
        places = {"stick": STAIR_STEPS, "two-position switch": 1, "three-position switch": 2}[channel.kind]
        for step, at_us in enumerate(instants.tolist()):
            position = step * places // STAIR_STEPS / places
            moves += (Move(at_us=at_us - settle_us(profile), channel=channel.name, position=position),)
    trace = trial(rig, scenario, moves, int(instants[-1]) + 1)
    for index in range(len(profile.channels)):
        judge(trace, packets.code_error(trace, index, instants - 1), at_most=MOST_CODE_ERROR)


@requires("HS-CENTRE")
def test_centre(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All sticks centred, the throttle too."""
    moves, begin_us = first_low(scenario)
    moves += tuple(Move(at_us=begin_us, channel=channel.name, position=0.5) for channel in sticks(profile))
    end_us = begin_us + settle_us(profile)
    trace = trial(rig, scenario, moves, end_us)
    for index, channel in enumerate(profile.channels):
        if channel.kind == "stick":
            offset = packets.offset_from(trace, index, MIDDLE_CODE, end_us - 1)
            judge(trace, offset, at_most=CENTRE_CODES)


@requires("HS-ENDS")
def test_ends(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All sticks at their low stops, then at their high stops."""
    most = limits.ends_codes(profile)
    for position, code in ((0.0, 0), (1.0, TOP_CODE)):
        moves, begin_us = first_low(scenario)
        moves += tuple(Move(at_us=begin_us, channel=channel.name, position=position) for channel in sticks(profile))
        end_us = begin_us + settle_us(profile)
        trace = trial(rig, scenario, moves, end_us)
        for index, channel in enumerate(profile.channels):
            if channel.kind == "stick":
                wanted = TOP_CODE - code if channel.reversed else code
                judge(trace, packets.offset_from(trace, index, wanted, end_us - 1), at_most=most)


@requires("HS-ORDER")
def test_order(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """One control at a time moves from stop to stop: its own byte follows, the others stay."""
    for index, channel in enumerate(profile.channels):
        moves, low_us, high_us, end_us = moved_alone(scenario, index)
        trace = trial(rig, scenario, moves, end_us)
        judge(trace, packets.crosstalk(trace, index, low_us, end_us), at_most=MOST_CODE_ERROR)
        rise = packets.travel(trace, index, high_us - 1, end_us - 1, falls=channel.reversed)
        judge(trace, dataclasses.replace(rise, value=abs(rise.value)), at_least=LEAST_TRAVEL_CODES)


@requires("HS-SENSE")
def test_sense(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """At its high stop a control gives a higher code, or a lower one if the profile has the channel reversed."""
    for index, channel in enumerate(profile.channels):
        moves, _, high_us, end_us = moved_alone(scenario, index)
        trace = trial(rig, scenario, moves, end_us)
        judge(trace, packets.travel(trace, index, high_us - 1, end_us - 1, falls=channel.reversed), at_least=1)


@requires("HS-STEPS")
def test_steps(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Each stick goes slowly from stop to stop, without noise."""
    for index, channel in enumerate(profile.channels):
        if channel.kind != "stick":
            continue
        moves, begin_us = first_low(scenario)
        at_us = begin_us + settle_us(profile)
        moves += (Move(at_us=begin_us, channel=channel.name, position=0.0),)
        moves += (Move(at_us=at_us, channel=channel.name, position=1.0, ramp_us=SWEEP_US),)
        end_us = at_us + SWEEP_US + settle_us(profile)
        trace = trial(rig, scenario, moves, end_us)
        judge(trace, packets.step_errors(trace, index, at_us, end_us, falls=channel.reversed), at_most=0)


@requires("HS-STILL")
def test_still(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Sticks stand in the middle, on the border of two codes, with the noise of the profile's ADC."""
    noise, rule = profile.handset.adc_noise_counts, ADC_RULES[profile.handset.mapping]
    border = ADC_COUNTS // 2
    span = rule(np.arange(border - noise - 1, border + noise + 1))
    moves, begin_us = first_low(scenario)
    moves += tuple(Move(at_us=begin_us, channel=channel.name, position=0.5) for channel in sticks(profile))
    still_us = begin_us + settle_us(profile)
    trace = trial(rig, scenario, moves, still_us + STILL_US, ambient=True)
    for index, channel in enumerate(profile.channels):
        if channel.kind == "stick":
            most = max(2, int(span[-1] - span[0]) + 1)
            judge(trace, packets.distinct(trace, index, still_us, still_us + STILL_US), at_most=most)


@requires("HS-SWITCH")
def test_switch(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Each switch is moved on and off, and its contacts bounce: one change each."""
    switches = [(index, one) for index, one in enumerate(profile.channels) if one.kind != "stick"]
    if not switches:
        pytest.skip("the link has no switch")
    wait_us = settle_us(profile) + 10 * BOUNCE_US
    for index, channel in switches:
        moves, begin_us = first_low(scenario)
        instants = [begin_us + number * wait_us + int(scenario.share() * 20_000) for number in range(SWITCHINGS)]
        moves += tuple(
            Move(at_us=at_us, channel=channel.name, position=float(number % 2 == 0))
            for number, at_us in enumerate(instants)
        )
        end_us = instants[-1] + wait_us - 20_000
        bounces = SwitchBounces(at_us=begin_us, channel=channel.name, bounce_us=BOUNCE_US)
        trace = trial(rig, scenario, moves, end_us, bounces)
        for at_us, until_us in zip(instants, [*instants[1:], end_us], strict=True):
            changes = packets.changes(trace, index, at_us - profile.handset.packet_interval_us, until_us)
            judge(trace, changes, at_most=1, at_least=1)
