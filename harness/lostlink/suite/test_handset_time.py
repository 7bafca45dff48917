"""A handset under test: packet rate, pauses, age of what is sent, counter and marks, over time."""

from __future__ import annotations

import dataclasses

import pytest

from lostlink.measure import packets
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import WRAPS, ScenarioBuilder
from lostlink.suite import limits
from lostlink.suite.handset_flying import first_low, in_flight, lasting, sent_true, settle_us, sticks, trial
from lostlink.suite.judge import Judge
from lostlink.varied import TRIPLES
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims.scenario import HandsetOff, HandsetRadioBusy, HandsetReset

MINUTE_US = 60_000_000
MANY_PACKETS_US = 340_000_000
"""More than 2^16 packets at 200 a second."""
OVER_AN_HOUR_US = 4_500_000_000
"""75 minutes, with --thorough: past 2^32 us."""
STIR_US = 700_000
PHASES = 16
OFF_US = 200_000


def _busy_sticks(scenario: ScenarioBuilder, until_us: int) -> tuple[tuple[Move, ...], int]:
    """Return moves of all sticks and switches again and again, and when the first packets have held them."""
    profile = scenario.profile
    moves, begin_us = first_low(scenario)
    rows = []
    for number, at_us in enumerate(range(begin_us, until_us, STIR_US)):
        channel = profile.channels[number % len(profile.channels)]
        position = scenario.share() if channel.kind == "stick" else float(number // len(profile.channels) % 2)
        rows.append(Move(at_us=at_us, channel=channel.name, position=position, ramp_us=STIR_US // 3))
    return (*moves, *rows), begin_us


def _judge_rate(scenario: ScenarioBuilder, rig: Rig, judge: Judge, run: Scenario, since_us: int) -> None:
    trace, profile = rig.run(run), scenario.profile
    judge(trace, packets.longest_gap(trace, since_us, run.duration_us), at_most=limits.pause_us(profile))
    judge(trace, packets.interval_error(trace, since_us, run.duration_us), at_most=limits.interval_error_us(profile))


@requires("HS-RATE")
def test_rate(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A minute in which sticks and switches are moved."""
    moves, begin_us = _busy_sticks(scenario, MINUTE_US)
    trace = trial(rig, scenario, moves, MINUTE_US)
    judge(trace, packets.interval_error(trace, begin_us, MINUTE_US), at_most=limits.interval_error_us(profile))


@requires("HS-GAP")
def test_gap(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A minute in which sticks and switches are moved, with the noise of the ADC."""
    moves, begin_us = _busy_sticks(scenario, MINUTE_US)
    trace = trial(rig, scenario, moves, MINUTE_US, ambient=True)
    judge(trace, packets.longest_gap(trace, begin_us, MINUTE_US), at_most=limits.pause_us(profile))


@requires("HS-FRESH")
def test_fresh(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Each stick makes a step at many phases of the packet clock."""
    for index, channel in enumerate(profile.channels):
        if channel.kind != "stick":
            continue
        moves, begin_us = first_low(scenario)
        wait_us = 2 * settle_us(profile)
        instants = [begin_us + number * wait_us + int(scenario.share() * 20_000) for number in range(PHASES)]
        moves += tuple(
            Move(at_us=at_us, channel=channel.name, position=0.9 if number % 2 else 0.1)
            for number, at_us in enumerate(instants)
        )
        trace = trial(rig, scenario, moves, instants[-1] + wait_us)
        for at_us in instants[1:]:
            delay = packets.delay(trace, index, at_us, at_us + settle_us(profile))
            judge(trace, delay, at_most=limits.fresh_us(profile))


@requires("HS-BUSY")
def test_busy(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The radio takes nothing for three packets, in which a stick moves: the next packet holds it."""
    for flight in in_flight(scenario, 4):
        index, channel = next((n, one) for n, one in enumerate(profile.channels) if one.kind == "stick")
        busy_us = limits.BUSY_PACKETS * profile.handset.packet_interval_us
        moved_us = flight.at_us + busy_us // 4
        before = next(move.position for move in reversed(flight.scenario.moves) if move.channel == channel.name)
        move = Move(at_us=moved_us, channel=channel.name, position=0.0 if before > 0.5 else 1.0)
        until_us = flight.at_us + busy_us + settle_us(profile)
        fault = HandsetRadioBusy(at_us=flight.at_us, for_us=busy_us)
        trace = rig.run(lasting(flight.scenario, fault, until_us=until_us, moves=(move,)))
        if sent_true(trace, flight.at_us, judge):
            delay = packets.delay(trace, index, moved_us, until_us)
            judge(trace, delay, at_most=limits.busy_us(profile))


@requires("HS-COUNT")
def test_count(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """More packets than the counter has values, with sticks that move."""
    if profile.counter_byte is None:
        pytest.skip("the packets carry no counter")
    until_us = max(3_000_000, 600 * profile.handset.packet_interval_us)
    moves, begin_us = _busy_sticks(scenario, until_us)
    trace = trial(rig, scenario, moves, until_us)
    judge(trace, packets.longest_gap(trace, begin_us, until_us), at_most=limits.pause_us(profile), guard=True)
    judge(trace, packets.counter_errors(trace, begin_us, until_us), at_most=0)


@requires("HS-MARK")
def test_mark(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """From the first packet on: in flight, after a reset, and switched off and on."""
    for flight in in_flight(scenario, 3):
        reset = HandsetReset(at_us=flight.at_us)
        off = HandsetOff(at_us=flight.at_us + 2 * settle_us(profile) + profile.handset.boot_us, for_us=OFF_US)
        until_us = off.at_us + OFF_US + profile.handset.boot_us + 2 * settle_us(profile)
        trace = rig.run(lasting(flight.scenario, reset, off, until_us=until_us))
        if sent_true(trace, flight.at_us, judge):
            wrong = packets.wrong_packets(trace)
            if wrong.value:
                wrong = dataclasses.replace(wrong, name=f"{wrong.name} (the first: {packets.what_is_wrong(trace)})")
            judge(trace, wrong, at_most=0)


@requires("HS-WRAP")
def test_wrap(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset's counter wraps, or passes another critical value, in flight."""
    for value, _ in WRAPS:
        flight = in_flight(scenario, 1)[0]
        clock = (value - (flight.at_us - profile.handset.boot_us)) % 2**32
        until_us = flight.at_us + profile.receiver.timeout_us + 1_000_000
        run = lasting(dataclasses.replace(flight.scenario, handset_clock_us=clock), until_us=until_us)
        _judge_rate(scenario, rig, judge, run, flight.at_us - 500_000)


@requires("HS-LONG")
def test_long(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Minutes of sticks that move; with --thorough more than an hour."""
    until_us = OVER_AN_HOUR_US if rig.varied_strength == TRIPLES else MANY_PACKETS_US
    stick = sticks(profile)[0]
    moves, begin_us = first_low(scenario)
    moves += tuple(
        Move(at_us=at_us, channel=stick.name, position=0.9 if number % 2 else 0.1)
        for number, at_us in enumerate(range(begin_us, until_us, MINUTE_US))
    )
    run = dataclasses.replace(next(scenario.phases(1, exactly=True)), moves=moves, duration_us=until_us)
    _judge_rate(scenario, rig, judge, run, begin_us)
