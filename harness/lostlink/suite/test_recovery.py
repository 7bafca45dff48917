"""Link return: control in time, no motor start without the pilot, no chatter."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np
import pytest

from lostlink.measure import channels, failsafe
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.flying import (
    DOWN_US,
    LONG_US,
    failsafe_for_certain_us,
    flew,
    run_where_able,
    shifted,
    throttle_down,
)
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile
from lostlink_sims.scenario import AnyFault, BrownOut, FlappingLink, HandsetOff, LinkCut, ReceiverReset


def _flights_away(profile: Profile, scenario: ScenarioBuilder, runs: int) -> Iterator[tuple[Flight, int]]:
    """Yield flights and the duration of their link loss, and one more with a much longer loss."""
    away_us = failsafe_for_certain_us(profile, scenario)
    yield from ((flight, away_us) for flight in scenario.flights(runs))
    yield from ((flight, max(away_us, LONG_US)) for flight in scenario.flights(1))


@requires("RC-LIVE")
def test_motors_rest_when_link_returns(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link returns while the pilot still holds the throttle up."""
    for flight, away_us in _flights_away(profile, scenario, 12):
        watch_us = away_us + profile.requirements.recovery_within_us + 20 * scenario.frame_us
        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us, for_us=away_us), watch_us=watch_us))
        if flew(trace, flight, judge):
            judge(trace, failsafe.highest_motor_command(trace, flight.at_us + away_us), at_most=0)


@requires("RC-TIME")
def test_control_returns(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link returns after the pilot has lowered the throttle; control is restored."""
    limit_us = profile.requirements.recovery_within_us
    for flight, away_us in _flights_away(profile, scenario, 8):
        back_us = flight.at_us + away_us
        trace = rig.run(
            flight.into(
                LinkCut(at_us=flight.at_us, for_us=away_us),
                moves=[throttle_down(profile, flight.at_us + away_us // 2)],
                watch_us=away_us + limit_us + 10 * scenario.frame_us,
            )
        )
        if flew(trace, flight, judge):
            expected_us = channels.expected_at(trace, np.array([back_us]))[0]
            judge(trace, failsafe.recovery_time(trace, back_us, expected_us), at_most=limit_us)


@requires("RC-GLITCH")
def test_no_throttle_glitch_at_return(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link returns after the pilot has lowered the throttle: nothing is above idle after the cut."""
    limits = profile.requirements
    away_us = failsafe_for_certain_us(profile, scenario)
    for flight in scenario.flights(8):
        watch_us = away_us + limits.recovery_within_us + 10 * scenario.frame_us
        down = throttle_down(profile, flight.at_us + away_us // 2)
        cut = LinkCut(at_us=flight.at_us, for_us=away_us)
        trace = rig.run(flight.into(cut, moves=[down], watch_us=watch_us))
        if flew(trace, flight, judge):
            since_us = flight.at_us + limits.motor_cut_within_us
            widest = failsafe.widest_throttle(trace, since_us, trace.scenario.duration_us)
            judge(trace, widest, at_most=limits.idle_below_us)
            judge(trace, failsafe.highest_motor_command(trace, since_us), at_most=0, guard=True)


def _flying_again(profile: Profile, scenario: ScenarioBuilder, flight: Flight, back_us: int) -> tuple[list[Move], int]:
    """Return the pilot's moves after a return, and when the throttle is up again in every part of the link."""
    ready_us = back_us + profile.requirements.recovery_within_us + scenario.settle_us
    again, up_us = scenario.take_off(0.7, from_us=ready_us + 2 * scenario.settle_us)
    safe = [throttle_down(profile, back_us)]
    if profile.arm_index is not None:
        off = 1.0 - scenario.switched_on(profile.arm_index)
        safe.append(Move(at_us=ready_us, channel=profile.channels[profile.arm_index].name, position=off))
    return [*safe, *again], up_us + scenario.settle_us


@requires("RC-REARM")
def test_motors_can_be_started_again(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """After the return the pilot lowers the throttle, switches the arming switch off and on, and flies on."""
    away_us = failsafe_for_certain_us(profile, scenario)
    for flight in scenario.flights(4):
        moves, up_us = _flying_again(profile, scenario, flight, flight.at_us + away_us)
        cut = LinkCut(at_us=flight.at_us, for_us=away_us)
        trace = rig.run(flight.into(cut, moves=moves, watch_us=up_us + scenario.frame_us - flight.at_us))
        if flew(trace, flight, judge):
            judge(trace, failsafe.highest_motor_command(trace, up_us), at_least=0.1)


@requires("FS-AGAIN")
def test_second_loss(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is lost in one of several ways and returns, the pilot flies on, and it is lost again."""
    away_us, limits, boot_us = (
        failsafe_for_certain_us(profile, scenario),
        profile.requirements,
        profile.receiver.boot_us,
    )
    firsts: tuple[tuple[int, AnyFault, int], ...] = (
        (4, LinkCut(at_us=0, for_us=away_us), away_us),
        (2, HandsetOff(at_us=0, for_us=away_us), away_us + profile.handset.boot_us),
        (1, ReceiverReset(at_us=0), away_us + boot_us),
        (1, BrownOut(at_us=0, for_us=DOWN_US, on_acknowledgement=False), away_us + DOWN_US + boot_us),
    )
    for runs, first, over_us in firsts:
        for flight in scenario.flights(runs):
            moves, up_us = _flying_again(profile, scenario, flight, flight.at_us + over_us)
            faults = shifted(first, flight.at_us), LinkCut(at_us=up_us)
            twice = flight.into(*faults, moves=moves, watch_us=up_us + flight.watch_us - flight.at_us)
            trace = run_where_able(rig, twice)
            if trace is None:
                continue
            if flew(trace, flight, judge) and flew(trace, dataclasses.replace(flight, at_us=up_us), judge):
                judge(trace, failsafe.time_to_cut(trace, up_us), at_most=limits.cut_within_us)
                stop = failsafe.time_to_motor_stop(trace, up_us)
                judge(trace, stop, at_most=limits.motor_cut_within_us)


def _flapping(flight: Flight, down_us: int, up_us: int, cycles: int) -> tuple[FlappingLink, int]:
    span_us = cycles * (down_us + up_us)
    return FlappingLink(at_us=flight.at_us, down_us=down_us, up_us=up_us, for_us=span_us), span_us


@requires("RC-STRAY")
def test_stray_packets(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """During a link loss, occasional groups of fewer packets than a return needs get through."""
    if profile.receiver.recovery_packets < 2:
        pytest.skip("the profile ends failsafe at the first packet (recovery_packets = 1)")
    down_us = profile.requirements.cut_within_us + scenario.packet_us + 2 * scenario.frame_us
    stray = 1 if profile.receiver.recovery_packets < 4 else 2
    # Shorter than that many intervals, so that never more packets fit in; over the cycles the phase moves on.
    up_us = stray * profile.handset.packet_interval_us * 9 // 10 - profile.handset.jitter_us
    # Strays soon after failsafe began, and after a long time in it.
    for runs, away_us, cycles in ((4, down_us, 5), (1, down_us + 4_000_000, 3)):
        for flight in scenario.flights(runs):
            flapping, span_us = _flapping(flight, away_us, up_us, cycles)
            trace = rig.run(flight.into(flapping, watch_us=span_us))
            if flew(trace, flight, judge):
                since_us = flight.at_us + profile.requirements.cut_within_us
                judge(trace, failsafe.failsafe_changes(trace, since_us, flight.at_us + span_us), at_most=0)


@requires("RC-CHATTER")
def test_chatter(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is intermittent in several rhythms, faster and slower than the receiver's own times."""
    per_second = profile.requirements.recoveries_per_second
    packet_us = profile.handset.packet_interval_us
    away_us = profile.cut_delay_us
    rhythms = ((away_us + packet_us, 4 * packet_us), (away_us // 3, packet_us * 2), (away_us // 8, away_us // 8))
    for down_us, up_us in rhythms:
        cycles = max(4, 3_000_000 // (down_us + up_us))
        for flight in scenario.flights(3):
            flapping, span_us = _flapping(flight, down_us, up_us, cycles)
            trace = rig.run(flight.into(flapping, watch_us=span_us))
            if flew(trace, flight, judge):
                most = 2 * per_second * span_us / 1_000_000 + 1
                judge(trace, failsafe.failsafe_changes(trace, flight.at_us, flight.at_us + span_us), at_most=most)
