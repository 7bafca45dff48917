"""A handset under test: the set-up of its radio, and what it does when the radio stops."""

from __future__ import annotations

import dataclasses
import itertools

import pytest

from lostlink.measure import limits, packets
from lostlink.measure.limits import RADIO_BACK_US, sends_us, settle_us
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.handset_flying import (
    anywhere,
    bouncing,
    in_flight,
    judge_rate,
    judge_stray,
    lasting,
    moved_to,
    runs,
    sent_true,
    sticks,
    sticks_moved,
    stirred,
    trial,
)
from lostlink.suite.judge import Judge
from lostlink_sims import Profile, Trace
from lostlink_sims.scenario import (
    HandsetOff,
    HandsetRadioDead,
    HandsetRadioForgets,
    HandsetReset,
    InterferenceBurst,
    LinkCut,
)

OFF_FOR_US = 200_000
DEAD_US = (5_000, 300_000, 5_000_000)
DEAF_US = 5_000_000
HALF_LOST = 0.5
DEAF_STIR_US = 140_000
HELD_STICKS = 3
"""Sticks that are held at a stop at power-on, in all combinations: that is how a handset is told to bind."""


def _has_address(profile: Profile) -> None:
    if profile.handset.address is None:
        pytest.skip("the profile declares no address of the receiver (handset.address)")


@requires("HS-ADDRESS")
def test_address(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """From the first packet on: switched on with sticks held at stops, reset, off and on, and with a new set-up."""
    _has_address(profile)
    again_us = profile.handset.boot_us + RADIO_BACK_US + 2 * settle_us(profile)
    for flight in in_flight(scenario, 3):
        reset = HandsetReset(at_us=flight.at_us)
        off = HandsetOff(at_us=reset.at_us + again_us, for_us=OFF_FOR_US)
        forgets = HandsetRadioForgets(at_us=off.at_us + OFF_FOR_US + again_us)
        until_us = forgets.at_us + again_us
        trace = rig.run(lasting(flight.scenario, reset, off, forgets, until_us=until_us))
        if sent_true(trace, flight.at_us, judge):
            _judge_address(judge, trace, until_us)
    names = [one.name for one in sticks(profile) if one.name != profile.flight_controller.throttle]
    for stops in itertools.product((0.0, 1.0), repeat=min(len(names), HELD_STICKS)):
        held = {**anywhere(scenario), **dict(zip(names, itertools.cycle(stops), strict=False))}
        held[profile.flight_controller.throttle] = 0.0
        until_us = sends_us(profile) + again_us
        trace = trial(rig, scenario, moved_to(held, 0), until_us)
        if sent_true(trace, until_us - 1, judge):
            _judge_address(judge, trace, until_us)


def _judge_address(judge: Judge, trace: Trace, until_us: int) -> None:
    judge(trace, packets.packets_elsewhere(trace), at_most=0)
    sent = packets.time_to_send(trace, until_us - 2 * settle_us(trace.profile), until_us)
    judge(trace, sent, at_most=settle_us(trace.profile), guard=True)


@requires("HS-RADIO")
def test_radio(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The radio forgets its set-up, and again; it is dead for some time; sticks move meanwhile and afterwards."""
    _has_address(profile)
    back_us = RADIO_BACK_US + 2 * settle_us(profile)
    for number, flight in enumerate(in_flight(scenario, 1 + len(DEAD_US))):
        dead_us = (0, *DEAD_US)[number]
        first = HandsetRadioDead(at_us=flight.at_us, for_us=dead_us) if dead_us else None
        again = HandsetRadioForgets(at_us=flight.at_us + dead_us + back_us)
        until_us = again.at_us + back_us
        moves = sticks_moved(scenario, flight.at_us + dead_us // 2 + 1)
        moves += sticks_moved(scenario, flight.at_us + dead_us + RADIO_BACK_US // 2)
        moves += sticks_moved(scenario, again.at_us + 1)
        faults = first or HandsetRadioForgets(at_us=flight.at_us), again
        trace = rig.run(lasting(flight.scenario, *faults, until_us=until_us, moves=moves))
        if sent_true(trace, flight.at_us, judge):
            for ends_us, last_us in ((flight.at_us + dead_us, again.at_us), (again.at_us, until_us)):
                back = packets.time_to_send(trace, ends_us, last_us)
                judge(trace, back, at_most=RADIO_BACK_US)
                since_us = ends_us + RADIO_BACK_US
                gap = packets.longest_gap(trace, since_us, last_us)
                judge(trace, gap, at_most=limits.pause_us(profile))
            judge_stray(judge, trace, flight.at_us, until_us)


@requires("HS-DEAF")
def test_deaf(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """In flight no packet is answered for some seconds, then about every second one; then a receiver that is off."""
    if not profile.radio.acknowledge:
        pytest.skip("the receiver acknowledges no packets (radio.acknowledge)")
    for flight in in_flight(scenario, 2):
        cut = LinkCut(at_us=flight.at_us, for_us=DEAF_US)
        half = InterferenceBurst(at_us=flight.at_us + DEAF_US, for_us=DEAF_US, loss=HALF_LOST)
        until_us = half.at_us + 2 * DEAF_US
        moves, _ = stirred(scenario, until_us, DEAF_STIR_US)
        moves = tuple(move for move in moves if move.at_us > flight.at_us)
        trace = rig.run(lasting(flight.scenario, cut, half, *bouncing(profile), until_us=until_us, moves=moves))
        if sent_true(trace, flight.at_us, judge):
            _judge_undisturbed(judge, trace, flight.at_us, until_us)
    until_us = sends_us(profile) + DEAF_US
    moves, begin_us = stirred(scenario, until_us, DEAF_STIR_US)
    run = dataclasses.replace(next(runs(scenario, 1)), moves=moves, duration_us=until_us, receiver_on_us=until_us)
    _judge_undisturbed(judge, rig.run(run), begin_us, until_us)


def _judge_undisturbed(judge: Judge, trace: Trace, since_us: int, until_us: int) -> None:
    judge(trace, packets.longest_gap(trace, since_us, until_us), at_most=limits.pause_us(trace.profile))
    judge_rate(judge, trace, since_us, until_us)
    judge_stray(judge, trace, since_us, until_us)
    if trace.profile.counter_byte is not None:
        judge(trace, packets.counter_errors(trace, since_us, until_us), at_most=0, guard=True)
