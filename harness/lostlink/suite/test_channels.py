"""Stick positions and pulse widths: value, centre, ends, order, direction, steps."""

from __future__ import annotations

import dataclasses

import numpy as np

from lostlink.measure import channels
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.flying import staircase
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims.scenario import StickWireBroken
from lostlink_sims.sticks import falls

EVERY_CODE = [(code + 0.5) / 256 for code in range(256)]
"""A position inside each of 256 equal parts of the travel."""


@requires("CH-VALUE")
def test_every_position(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All channels step through 256 positions; each must give the width of the profile's mapping."""
    run, settled_us = staircase(scenario, EVERY_CODE, "all positions")
    trace = rig.run(run)
    for index in range(len(profile.channels)):
        error = channels.value_error(trace, index, np.array(settled_us))
        judge(trace, error, at_most=profile.requirements.value_tolerance_us)


@requires("CH-STEPS")
def test_steps_rise(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """At every position with a new code each stick's width rises; none is skipped."""
    step_us = scenario.settle_us + scenario.frame_us
    for index, channel in enumerate(profile.channels):
        if channel.kind != "stick" or (index != profile.throttle_index and index > 1):
            continue
        moves = tuple(
            Move(at_us=scenario.ready_us + step * step_us, channel=channel.name, position=position)
            for step, position in enumerate(EVERY_CODE)
        )
        settled_us = np.array([move.at_us + step_us - 1 for move in moves])
        trace = rig.run(scenario.blank(channel.name, moves=moves, duration_us=int(settled_us[-1]) + 1))
        wanted = channels.expected_at(trace, settled_us)[:, index]
        new = np.concatenate([[True], np.diff(wanted) != 0])
        order = settled_us[new][:: -1 if falls(profile, channel) else 1]
        judge(trace, channels.step_errors(trace, index, order), at_most=0)
        judge(trace, channels.resolution(trace, index, settled_us), at_least=len(np.unique(wanted)))


@requires("CH-CENTRE")
def test_centre(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Every centred stick gives the middle of the range."""
    middle_us = (profile.receiver.low_us + profile.receiver.high_us) // 2
    run, settled_us = staircase(scenario, [0.5], "centre")
    trace = rig.run(run)
    for index, channel in enumerate(profile.channels):
        if channel.kind == "stick":
            offset = channels.offset_from(trace, index, middle_us, settled_us[0])
            judge(trace, offset, at_most=profile.requirements.centre_within_us)


@requires("CH-ENDS")
def test_ends(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Every stick at its stops reaches the ends of the range."""
    for position in (0.0, 1.0):
        run, settled_us = staircase(scenario, [position], f"stop {position:g}")
        trace = rig.run(run)
        for index, channel in enumerate(profile.channels):
            is_high = (position == 1.0) is not falls(profile, channel)
            end_us = profile.receiver.high_us if is_high else profile.receiver.low_us
            offset = channels.offset_from(trace, index, end_us, settled_us[0])
            judge(trace, offset, at_most=profile.requirements.ends_within_us)


def _alone(scenario: ScenarioBuilder, index: int) -> tuple[Scenario, int, int]:
    """Return a run in which one channel alone moves from low to high stop, and the start and end of the move."""
    channel, step_us = scenario.profile.channels[index], scenario.settle_us + scenario.frame_us
    low_us = scenario.ready_us
    high_us = low_us + step_us
    moves = (
        Move(at_us=low_us, channel=channel.name, position=0.0),
        Move(at_us=high_us, channel=channel.name, position=1.0),
    )
    return scenario.blank(channel.name, moves=moves, duration_us=high_us + step_us), high_us, high_us + step_us - 1


@requires("CH-ORDER")
def test_order(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """One control at a time moves from stop to stop: its own channel follows, the others do not move."""
    half_us = (profile.receiver.high_us - profile.receiver.low_us) // 2
    for index in range(len(profile.channels)):
        run, begin_us, end_us = _alone(scenario, index)
        trace = rig.run(run)
        still = channels.crosstalk(trace, index, begin_us, end_us)
        judge(trace, still, at_most=profile.requirements.value_tolerance_us)
        judge(trace, channels.travel(trace, index, begin_us, end_us), at_least=half_us)


@requires("CH-SENSE")
def test_sense(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """At its high stop a control gives a wider pulse, or a narrower one if the profile has the channel reversed."""
    for index, channel in enumerate(profile.channels):
        run, begin_us, end_us = _alone(scenario, index)
        trace = rig.run(run)
        judge(trace, channels.rise(trace, index, begin_us, end_us, falls=falls(profile, channel)), at_least=1)


@requires("CH-WIRE")
def test_broken_wire(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The wire of each stick breaks, to either rail: the other channels do not move."""
    for index, channel in enumerate(profile.channels):
        if channel.kind != "stick":
            continue
        for rail in ("low", "high"):
            moves, up_us = scenario.take_off(0.6)
            at_us = up_us + scenario.settle_us
            fault = StickWireBroken(at_us=at_us, channel=channel.name, rail=rail)
            end_us = at_us + 2 * scenario.settle_us
            run = scenario.blank(f"{channel.name} {rail}", moves=moves, duration_us=end_us)
            trace = rig.run(dataclasses.replace(run, faults=(fault,)))
            judge(
                trace, channels.crosstalk(trace, index, at_us, end_us), at_most=profile.requirements.value_tolerance_us
            )
