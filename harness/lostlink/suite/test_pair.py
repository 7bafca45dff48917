"""Handset and receiver under test together: from stick to motors, with the simulated radio between them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from lostlink.measure import channels, failsafe, latency, limits, packets
from lostlink.measure.limits import settle_us
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import STICKS_IN_FLIGHT, Flight, ScenarioBuilder
from lostlink.suite.flying import flew, throttle_jumps
from lostlink.suite.handset_flying import sticks_moved
from lostlink.suite.judge import Judge
from lostlink.varied import TRIPLES
from lostlink.verdicts import Measurement
from lostlink_sims import Move, Profile, Trace
from lostlink_sims.flight import Arming
from lostlink_sims.handset_program import LEAST_MARGIN, tells_break
from lostlink_sims.scenario import HandsetLoopHung, HandsetOff, HandsetReset, StickWireBroken, SwitchBounces

POSITIONS = (0.0, 0.13, 0.37, 0.5, 0.71, 1.0)
TAKEN_WITHIN_US = 1_000_000
FEW_MINUTES_US = 180_000_000
MANY_MINUTES_US = 600_000_000
BOUNCE_US = 10_000
UP = 0.8
COMMAND_TOLERANCE = 5
"""Per mille of a motor command: a code of the stick."""


def _highest(trace: Trace, since_us: int, until_us: int, name: str) -> Measurement:
    return dataclasses.replace(failsafe.highest_motor_command(trace, since_us, until_us), name=name)


@requires("PR-MATCH")
def test_match(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Both are switched on, with sticks away from their centres: the pulses follow them."""
    for run in scenario.phases(4):
        on_us = max(profile.handset.boot_us + 2 * scenario.packet_us, profile.receiver.boot_us)
        end_us = on_us + TAKEN_WITHIN_US + scenario.linked_us + scenario.settle_us
        moves = tuple(
            Move(at_us=0, channel=channel.name, position=STICKS_IN_FLIGHT[index % len(STICKS_IN_FLIGHT)])
            for index, channel in enumerate(profile.channels)
            if channel.kind == "stick" and index != profile.throttle_index
        )
        trace = rig.run(dataclasses.replace(run, moves=moves, duration_us=end_us))
        followed = failsafe.recovery_time(trace, on_us, channels.expected_at(trace, np.array([end_us - 1]))[0])
        why = packets.what_differs(trace) or "they are as the profile declares"
        text = f"time until the pulses follow the sticks (the packets: {why})"
        judge(trace, dataclasses.replace(followed, name=text), at_most=end_us - on_us - 1)


@requires("PR-VALUE")
def test_value(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Every stick and switch at several positions."""
    wait_us, begin_us = scenario.settle_us + settle_us(profile), scenario.ready_us + settle_us(profile)
    moves, instants = [], []
    for step, position in enumerate(POSITIONS):
        at_us = begin_us + step * wait_us
        instants.append(at_us + wait_us - 1)
        for number, channel in enumerate(profile.channels):
            place = POSITIONS[(step + number) % len(POSITIONS)] if channel.kind == "stick" else float(position > 0.5)
            moves.append(Move(at_us=at_us, channel=channel.name, position=place))
    run = next(scenario.phases(1, exactly=True))
    trace = rig.run(dataclasses.replace(run, moves=tuple(moves), duration_us=instants[-1] + 1))
    most_us = limits.value_us(profile)
    for index in range(len(profile.channels)):
        judge(trace, channels.value_error(trace, index, np.array(instants)), at_most=most_us)


@requires("PR-STICK")
def test_stick(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The throttle jumps at random times, at many phases."""
    if traces := throttle_jumps(rig, scenario, judge, 8):
        delays, shown = zip(*(latency.latencies_us(trace, profile.throttle_index) for trace in traces), strict=True)
        p99 = latency.quantile(np.concatenate(delays), np.concatenate(shown), 0.99, *traces)
        judge(traces[-1], p99, at_most=profile.requirements.latency_p99_us)


@requires("PR-OFF")
def test_off(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset is switched off in flight."""
    for flight in scenario.flights(8, anywhere=True):
        trace = rig.run(flight.into(HandsetOff(at_us=flight.at_us)))
        if flew(trace, flight, judge):
            stop = failsafe.time_to_motor_stop(trace, flight.at_us)
            judge(trace, stop, at_most=profile.requirements.motor_cut_within_us)


@requires("PR-HANG")
def test_hang(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset's main loop hangs in flight, then the sticks move: the motors stop, or a watchdog resets it."""
    handset, limit_us = profile.handset, limits.hang_stop_us(profile)
    for flight in scenario.flights(8, anywhere=True):
        watch_us = limit_us + handset.watchdog_us + handset.boot_us + scenario.linked_us + scenario.settle_us
        moves = _flown_on(scenario, flight)
        trace = rig.run(flight.into(HandsetLoopHung(at_us=flight.at_us), watch_us=watch_us, moves=moves))
        if not flew(trace, flight, judge):
            continue
        before, end_us = trace.motor.at(flight.at_us), flight.at_us + watch_us
        higher = _highest(trace, flight.at_us, end_us, "motor command after the hang")
        judge(trace, higher, at_most=(before + COMMAND_TOLERANCE) / 10)
        if not handset.watchdog_us:
            stop = failsafe.time_to_motor_stop(trace, flight.at_us)
            judge(trace, dataclasses.replace(stop, name="time from the hang to motor stop"), at_most=limit_us)
        else:
            _judge_control(trace, end_us, judge)


def _flown_on(scenario: ScenarioBuilder, flight: Flight) -> tuple[Move, ...]:
    """Return moves at the instant of a fault: the throttle to half of where it was, the other sticks anywhere."""
    throttle = scenario.profile.flight_controller.throttle
    was = next(move.position for move in reversed(flight.scenario.moves) if move.channel == throttle)
    return sticks_moved(scenario, flight.at_us, {throttle: was / 2})


def _judge_control(trace: Trace, end_us: int, judge: Judge) -> None:
    """Judge that at the end the motors rest, or every channel follows its control."""
    profile = trace.profile
    if trace.motor.at(end_us - 1) > 0:
        for index in range(len(profile.channels)):
            error = channels.value_error(trace, index, np.array([end_us - 1]))
            judge(trace, error, at_most=limits.value_us(profile))


@requires("PR-RESET")
def test_reset(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset resets in flight, and the sticks move: the motors never run higher than before."""
    for flight in scenario.flights(8, anywhere=True):
        away_us = profile.requirements.motor_cut_within_us + profile.handset.boot_us
        watch_us = away_us + scenario.linked_us + scenario.settle_us
        moves = _flown_on(scenario, flight)
        trace = rig.run(flight.into(HandsetReset(at_us=flight.at_us), watch_us=watch_us, moves=moves))
        if not flew(trace, flight, judge):
            continue
        end_us = flight.at_us + watch_us
        before = trace.motor.at(flight.at_us)
        higher = _highest(trace, flight.at_us, end_us, "motor command after the reset")
        judge(trace, higher, at_most=(before + COMMAND_TOLERANCE) / 10)
        _judge_control(trace, end_us, judge)


@requires("PR-START")
def test_start(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Both are switched on with the throttle up and every switch on, in either order; then the stick goes down."""
    throttle = profile.flight_controller.throttle
    later_us = 700_000
    for handset_us, receiver_us in ((0, later_us), (later_us, 0), (0, 0)):
        for run in scenario.phases(2):
            low_us = later_us + scenario.ready_us + 1_000_000
            moves = [Move(at_us=0, channel=throttle, position=UP), Move(at_us=low_us, channel=throttle, position=0.0)]
            for index, one in enumerate(profile.channels):
                if one.kind != "stick":
                    moves.append(Move(at_us=0, channel=one.name, position=scenario.switched_on(index)))
            trace = rig.run(
                dataclasses.replace(
                    run, moves=tuple(moves), duration_us=low_us + 1_000_000, handset_on_us=handset_us,
                    receiver_on_us=receiver_us,
                )
            )  # fmt: skip
            judge(trace, failsafe.highest_motor_command(trace, 0, low_us), at_most=0)


@requires("PR-SWITCH")
def test_switch(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The arming switch is switched on and its contacts bounce."""
    if profile.arm_index is None:
        pytest.skip("the link has no arming switch")
    arming = profile.channels[profile.arm_index]
    for flight in scenario.flights(6):
        armed_us = next(move.at_us for move in flight.scenario.moves if move.channel == arming.name)
        bounces = SwitchBounces(at_us=max(0, armed_us - 1), channel=arming.name, bounce_us=BOUNCE_US)
        trace = rig.run(flight.into(bounces))
        if flew(trace, flight, judge):
            starts = (trace.arming.value == int(Arming.ARMED)) & (np.diff(trace.arming.value, prepend=0) != 0)
            at_us = trace.arming.at_us[starts]
            count = Measurement(
                name="times armed", value=len(at_us), unit="", how_seen=trace.how_seen,
                at_us=int(at_us[-1]) if len(at_us) else None,
            )  # fmt: skip
            judge(trace, count, at_most=1, at_least=1)


@requires("PR-WIRE")
def test_wire(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The throttle's wire breaks in flight, to each rail at which a break can be told from a stop."""
    throttle = profile.channels[profile.throttle_index]
    rails = [rail for rail in ("low", "high") if tells_break(throttle, rail)]
    if not rails:
        pytest.skip(
            f"the throttle's travel leaves less than {LEAST_MARGIN:.0%} of the track at both ends (travel_low, "
            "travel_high), so a broken wire cannot be told from a stop"
        )
    for flight in scenario.flights(4):
        for rail in rails:
            fault = StickWireBroken(at_us=flight.at_us, channel=throttle.name, rail=rail)
            trace = rig.run(flight.into(fault))
            if flew(trace, flight, judge):
                before = trace.motor.at(flight.at_us)
                higher = _highest(trace, flight.at_us, trace.scenario.duration_us, "motor command after the break")
                judge(trace, higher, at_most=(before + COMMAND_TOLERANCE) / 10)


@requires("PR-FALSE")
def test_no_false_failsafe(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Minutes of flight with the packet loss of the profile and sticks that move; with --thorough ten."""
    watch_us = MANY_MINUTES_US if rig.varied_strength == TRIPLES else FEW_MINUTES_US
    profile = rig.profile
    others = [one for i, one in enumerate(profile.channels) if one.kind == "stick" and i != profile.throttle_index]
    for flight in scenario.flights(1, ambient=True):
        moves = tuple(
            Move(at_us=at_us, channel=one.name, position=scenario.share(), ramp_us=300_000)
            for one in others for at_us in range(flight.at_us, flight.at_us + watch_us, 7_000_000)
        )  # fmt: skip
        trace = rig.run(flight.into(watch_us=watch_us, moves=moves))
        if flew(trace, flight, judge):
            judge(trace, failsafe.throttle_drops(trace, flight.at_us), at_most=0)
            judge(trace, failsafe.motor_stops(trace, flight.at_us), at_most=0)
