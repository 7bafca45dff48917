"""A handset under test: power-on, reset, hang, a broken wire."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from lostlink.measure import packets
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite import limits
from lostlink.suite.handset_flying import in_flight, lasting, sent_true, settle_us, sticks, trial
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile
from lostlink_sims.codes import TOP_CODE
from lostlink_sims.handset_program import LEAST_MARGIN, tells_break
from lostlink_sims.scenario import HandsetLoopHung, HandsetReset, StickWireBroken

FIRST_CODES = (37, 211, 64, 170, 90, 230)
"""Codes of sticks at power-on: none is a usual default."""
UP = (1.0, 0.3, 0.65)
LOW_US = 500_000


@requires("HS-START")
def test_start(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Switched on with the throttle up and every switch on; later the stick goes down, and up again."""
    if profile.handset.at_power_on == "sends at once":
        pytest.skip("the profile declares that it sends its throttle at once (handset.at_power_on)")
    throttle = profile.channels[profile.throttle_index]
    on_us = profile.handset.boot_us + 4 * settle_us(profile)
    for up in UP:
        moves = [Move(at_us=0, channel=throttle.name, position=up)]
        moves += [Move(at_us=0, channel=one.name, position=1.0) for one in profile.channels if one.kind != "stick"]
        moves += [Move(at_us=on_us, channel=throttle.name, position=0.0)]
        again_us = on_us + LOW_US
        moves += [Move(at_us=again_us, channel=throttle.name, position=0.8)]
        end_us = again_us + settle_us(profile)
        trace = trial(rig, scenario, tuple(moves), end_us)
        judge(trace, packets.highest_throttle(trace, 0, on_us), at_most=profile.requirements.idle_below_us)
        judge(trace, packets.code_error(trace, profile.throttle_index, np.array([end_us - 1])), at_most=1, guard=True)


@requires("HS-FIRST")
def test_first(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Switched on, and reset, with every stick away from its centre and its stops."""
    for fault_us in (None, 1_000_000):
        moves = tuple(
            Move(at_us=0, channel=one.name, position=FIRST_CODES[number % len(FIRST_CODES)] / TOP_CODE)
            for number, one in enumerate(sticks(profile)) if one.name != profile.flight_controller.throttle
        )  # fmt: skip
        faults = () if fault_us is None else (HandsetReset(at_us=fault_us),)
        trace = trial(rig, scenario, moves, 1_500_000, *faults)
        left_us = trace.packets.left_us[trace.packets.left_us >= (fault_us or 0)]
        if not len(left_us):
            judge.doubt(trace, "no packet came")
            continue
        for index, channel in enumerate(profile.channels):
            if channel.kind == "stick":
                judge(trace, packets.code_error(trace, index, left_us[:3]), at_most=1)


@requires("HS-RESET")
def test_reset(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A reset in flight, with the throttle up."""
    waits = profile.handset.after_reset == "waits for low throttle"
    for flight in in_flight(scenario, 4):
        until_us = flight.at_us + profile.receiver.timeout_us + settle_us(profile)
        trace = rig.run(lasting(flight.scenario, HandsetReset(at_us=flight.at_us), until_us=until_us))
        if not sent_true(trace, flight.at_us, judge):
            continue
        gap = packets.longest_gap(trace, flight.at_us, until_us)
        judge(trace, gap, at_most=limits.back_us(profile))
        before = packets.highest_throttle(trace, flight.at_us - settle_us(profile), flight.at_us)
        most_us = profile.requirements.idle_below_us if waits else before.value + 5
        judge(trace, packets.highest_throttle(trace, flight.at_us, until_us), at_most=most_us)
        if not waits:
            for index in range(len(profile.channels)):
                judge(trace, packets.code_error(trace, index, np.array([until_us - 1])), at_most=1)


@requires("HS-HANG")
def test_hang(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The main loop hangs in flight, then a stick moves; a timer interrupt of the program goes on."""
    handset = profile.handset
    for flight in in_flight(scenario, 4):
        hang = HandsetLoopHung(at_us=flight.at_us)
        until_us = flight.at_us + (handset.watchdog_us or 2 * profile.receiver.timeout_us)
        moves = (Move(at_us=flight.at_us + 100_000, channel=sticks(profile)[0].name, position=0.5),)
        trace = rig.run(lasting(flight.scenario, hang, until_us=until_us, moves=moves))
        if sent_true(trace, flight.at_us, judge):
            stands = packets.time_to_stand(trace, flight.at_us, until_us)
            judge(trace, stands, at_most=limits.stand_us(profile))


@requires("HS-WIRE")
def test_wire(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The throttle's wire breaks in flight, to each rail at which a break can be told from a stop."""
    throttle = profile.channels[profile.throttle_index]
    rails = [rail for rail in ("low", "high") if tells_break(throttle, rail)]
    if not rails:
        pytest.skip(
            f"the throttle's travel leaves less than {LEAST_MARGIN:.0%} of the track at both ends (travel_low, "
            "travel_high), so a broken wire cannot be told from a stop"
        )
    for flight in in_flight(scenario, 2):
        for rail in rails:
            until_us = flight.at_us + 1_000_000
            broken = StickWireBroken(at_us=flight.at_us, channel=throttle.name, rail=rail)
            trace = rig.run(lasting(flight.scenario, broken, until_us=until_us))
            if sent_true(trace, flight.at_us, judge):
                before = packets.highest_throttle(trace, flight.at_us - settle_us(profile), flight.at_us)
                after = dataclasses.replace(
                    packets.highest_throttle(trace, flight.at_us, until_us), name="throttle asked for after the break"
                )
                judge(trace, after, at_most=max(before.value + 5, profile.requirements.idle_below_us))
