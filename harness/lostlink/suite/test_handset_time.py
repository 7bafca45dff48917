"""A handset under test: packet rate, pauses, age of what is sent, counter and marks, over time."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from lostlink.measure import limits, packets
from lostlink.measure.limits import sends_us, settle_us
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import HANDSET_WRAPS, Flight, ScenarioBuilder
from lostlink.suite.handset_flying import (
    BOUNCE_US,
    anywhere,
    away,
    bouncing,
    in_flight,
    judge_rate,
    judge_stray,
    lasting,
    moved_to,
    places,
    runs,
    sent_true,
    sticks,
    sticks_moved,
    stirred,
    switches,
    trial,
)
from lostlink.suite.judge import Judge
from lostlink.varied import TRIPLES
from lostlink_sims import Move, Profile
from lostlink_sims.scenario import HandsetOff, HandsetRadioBusy, HandsetReset

MINUTE_US = 60_000_000
MANY_PACKETS_US = 340_000_000
"""More than 2^16 packets at 200 a second."""
OVER_AN_HOUR_US = 4_500_000_000
"""75 minutes, with --thorough: past 2^32 us."""
STIR_US = 700_000
MOST_STICKS = 4
STAY_US = 3_000_000
"""Sticks that stay in their corners so long are a command to some programs."""
MARKED_US = 10_000_000
PHASES = 16
BUSY_INTERVALS = (1, 3, 10)
BUSY_LONG_US = 1_000_000
OFF_US = 200_000
WRAP_RUNS = 3
WRAP_INTERVALS = 20
"""Each interval counts that is so near to the wrap."""
WRAP_MOVED_US = 30_000
"""Controls are moved so long, at most, before the counter passes a value: a program may be waiting for contacts."""


@requires("HS-RATE")
def test_rate(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A minute in which sticks and switches are moved."""
    moves, begin_us = stirred(scenario, MINUTE_US, STIR_US)
    trace = trial(rig, scenario, moves, MINUTE_US)
    judge_rate(judge, trace, begin_us, MINUTE_US)


@requires("HS-GAP")
def test_gap(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A minute in which sticks and switches are moved; then all sticks stay at stops. Contacts bounce."""
    moves, begin_us = stirred(scenario, MINUTE_US, STIR_US)
    trace = trial(rig, scenario, moves, MINUTE_US, *bouncing(profile), ambient=True)
    judge(trace, packets.longest_gap(trace, begin_us, MINUTE_US), at_most=limits.pause_us(profile))
    moves, until_us = _corners(scenario, begin_us)
    trace = trial(rig, scenario, moves, until_us, *bouncing(profile))
    judge(trace, packets.longest_gap(trace, begin_us, until_us), at_most=limits.pause_us(profile))
    judge_stray(judge, trace, begin_us, until_us)


def _corners(scenario: ScenarioBuilder, begin_us: int) -> tuple[tuple[Move, ...], int]:
    """Return moves of the sticks to their stops, each time others, and when the last have stayed there.

    Four sticks go through all 16 combinations; of more sticks, the fifth does as the first, and so on. The order is
    random, and so are the switches.
    """
    profile = scenario.profile
    names = [channel.name for channel in sticks(profile)]
    combinations = list(itertools.product((0.0, 1.0), repeat=min(len(names), MOST_STICKS)))
    moves: tuple[Move, ...] = ()
    for number, stops in enumerate(sorted(combinations, key=lambda _: scenario.share())):
        positions = {**anywhere(scenario), **dict(zip(names, itertools.cycle(stops), strict=False))}
        moves += moved_to(positions, begin_us + number * STAY_US)
    return moves, begin_us + len(combinations) * STAY_US


@requires("HS-FRESH")
def test_fresh(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Each stick makes a step at many phases of the packet clock; then all are moved for a while."""
    wait_us, begin_us = 2 * settle_us(profile), sends_us(profile)
    for index, channel in enumerate(profile.channels):
        if channel.kind != "stick":
            continue
        first = scenario.share() < 0.5
        instants = [
            begin_us + number * wait_us + int(scenario.share() * profile.handset.packet_interval_us)
            for number in range(PHASES)
        ]
        moves = moved_to(anywhere(scenario), begin_us - 1)
        moves += tuple(
            Move(
                at_us=at_us,
                channel=channel.name,
                position=0.5 + (0.1 + scenario.share() / 3) * (-1) ** (number + first),
            )
            for number, at_us in enumerate(instants)
        )
        trace = trial(rig, scenario, moves, instants[-1] + wait_us)
        for at_us in instants:
            judge(trace, packets.delay(trace, index, at_us, at_us + wait_us // 2), at_most=limits.fresh_us(profile))
    until_us = begin_us + MARKED_US
    moves, begin_us = stirred(scenario, until_us, STIR_US // 5)
    judge_stray(judge, trial(rig, scenario, moves, until_us), begin_us, until_us)


@requires("HS-BUSY")
def test_busy(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The radio takes nothing for a time, in which the sticks move, as they do soon after."""
    every_us = profile.handset.packet_interval_us
    for flight, busy_us in zip(
        in_flight(scenario, len(BUSY_INTERVALS) + 1),
        (*(every_us * n for n in BUSY_INTERVALS), BUSY_LONG_US),
        strict=False,
    ):
        free_us = flight.at_us + busy_us
        moves: tuple[Move, ...] = ()
        last_us = max(flight.at_us + busy_us // 2, free_us - limits.age_us(profile) - 1)
        for at_us in (flight.at_us + busy_us // 4, last_us, free_us + 2 * every_us, free_us + 6 * every_us):
            moves += sticks_moved(scenario, at_us)
        until_us = free_us + 6 * every_us + settle_us(profile)
        fault = HandsetRadioBusy(at_us=flight.at_us, for_us=busy_us)
        trace = rig.run(lasting(flight.scenario, fault, until_us=until_us, moves=moves))
        if sent_true(trace, flight.at_us, judge):
            gap = packets.longest_gap(trace, flight.at_us, until_us)
            judge(trace, gap, at_most=busy_us + limits.fresh_us(profile))
            judge_stray(judge, trace, flight.at_us, until_us)


@requires("HS-COUNT")
def test_count(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """More packets than the counter has values, with sticks that move."""
    if profile.counter_byte is None:
        pytest.skip("the packets carry no counter")
    until_us = max(3_000_000, 600 * profile.handset.packet_interval_us) + sends_us(profile)
    moves, begin_us = stirred(scenario, until_us, STIR_US // 5)
    trace = trial(rig, scenario, moves, until_us)
    judge(trace, packets.longest_gap(trace, begin_us, until_us), at_most=limits.pause_us(profile), guard=True)
    judge(trace, packets.counter_errors(trace, begin_us, until_us), at_most=0)


@requires("HS-MARK")
def test_mark(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """From the first packet on: in flight, after a reset, switched off and on, and with controls that move."""
    traces = []
    for flight in in_flight(scenario, 3):
        reset = HandsetReset(at_us=flight.at_us)
        off = HandsetOff(at_us=flight.at_us + 2 * settle_us(profile) + profile.handset.boot_us, for_us=OFF_US)
        until_us = off.at_us + OFF_US + profile.handset.boot_us + 2 * settle_us(profile)
        trace = rig.run(lasting(flight.scenario, reset, off, until_us=until_us))
        if sent_true(trace, flight.at_us, judge):
            traces.append(trace)
    until_us = sends_us(profile) + MARKED_US
    moves, _ = stirred(scenario, until_us, STIR_US // 5)
    for trace in (*traces, trial(rig, scenario, moves, until_us)):
        wrong = packets.wrong_packets(trace)
        if wrong.value:
            wrong = dataclasses.replace(wrong, name=f"{wrong.name} (the first: {packets.what_is_wrong(trace)})")
        judge(trace, wrong, at_most=0)


@requires("HS-WRAP")
def test_wrap(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset's counter wraps, or passes another critical value, in flight, while controls are moved."""
    for value in (value for value, _ in HANDSET_WRAPS):
        for flight in in_flight(scenario, WRAP_RUNS):
            clock = (value - _own_time_us(profile, flight)) % 2**32
            moves = _moves_at(profile, scenario, flight)
            until_us = flight.at_us + profile.receiver.timeout_us + 1_000_000
            flown = dataclasses.replace(flight.scenario, handset_clock_us=clock)
            trace = rig.run(lasting(flown, *bouncing(profile), until_us=until_us, moves=moves))
            since_us = max(flight.at_us - 500_000, sends_us(profile))
            judge(trace, packets.longest_gap(trace, since_us, until_us), at_most=limits.pause_us(profile))
            judge_rate(judge, trace, since_us, until_us)
            around_us = WRAP_INTERVALS * limits.interval_us(profile)
            near = packets.interval_error(trace, flight.at_us - around_us, flight.at_us + around_us)
            judge(trace, near, at_most=limits.interval_error_us(profile))
            judge_stray(judge, trace, since_us, until_us)
            for index, channel in switches(profile):
                for moved_us in (move.at_us for move in moves if move.channel == channel.name):
                    seen = packets.changes(
                        trace, index, moved_us - profile.handset.packet_interval_us, moved_us + 2 * settle_us(profile)
                    )
                    judge(trace, seen, at_most=1, at_least=1, guard=True)


def _own_time_us(profile: Profile, flight: Flight) -> int:
    """Return how far the handset's counter goes from its boot until a flight's instant."""
    phase_us = flight.scenario.packet_phase_us or 0
    since_us = flight.at_us - profile.handset.boot_us - phase_us
    return since_us + since_us * profile.handset.clock_error_ppm // 1_000_000


def _moves_at(profile: Profile, scenario: ScenarioBuilder, flight: Flight) -> tuple[Move, ...]:
    """Return a move of every control shortly before a flight's instant, and another later."""
    moves: tuple[Move, ...] = ()
    for channel in profile.channels:
        if channel.kind == "stick":
            positions = [away(scenario), away(scenario)]
        else:
            is_at = next(move.position for move in flight.scenario.moves if move.channel == channel.name)
            positions = [next(place for place in places(channel) if place != is_at), is_at]
        first_us = flight.at_us - int(scenario.share() * WRAP_MOVED_US)
        for position, at_us in zip(positions, (first_us, first_us + 2 * settle_us(profile) + BOUNCE_US), strict=True):
            moves += (Move(at_us=at_us, channel=channel.name, position=position),)
    return moves


@requires("HS-LONG")
def test_long(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Minutes of controls at rest, but for a move now and then; with --thorough more than an hour."""
    until_us = OVER_AN_HOUR_US if rig.varied_strength == TRIPLES else MANY_PACKETS_US
    begin_us = sends_us(profile)
    moves: tuple[Move, ...] = ()
    instants_us = [*range(begin_us, until_us - MINUTE_US // 2, MINUTE_US), until_us - 3 * settle_us(profile)]
    stops: dict[str, float] = {}
    for number, at_us in enumerate(instants_us):
        positions = anywhere(scenario)
        if number % 2 and at_us != instants_us[-1]:  # each stick at either stop for a minute
            stops = {one.name: 1 - stops.get(one.name, round(scenario.share())) for one in sticks(profile)}
            positions.update(stops)
        moves += moved_to(positions, at_us)
    run = dataclasses.replace(next(runs(scenario, 1)), moves=moves, duration_us=until_us)
    trace = rig.run(run)
    judge(trace, packets.longest_gap(trace, begin_us, until_us), at_most=limits.pause_us(profile))
    judge_rate(judge, trace, begin_us, until_us)
    judge_stray(judge, trace, begin_us, until_us)
    if profile.counter_byte is not None:
        judge(trace, packets.counter_errors(trace, begin_us, until_us), at_most=0, guard=True)
    for index, channel in enumerate(profile.channels):
        at_most = 1 if channel.kind == "stick" else 0
        error = packets.code_error(trace, index, np.array([until_us - 1]))
        judge(trace, error, at_most=at_most, guard=True)
