"""Helpers shared by the tests of a handset. The handset must send its sticks before a fault occurs."""

from __future__ import annotations

import dataclasses

import numpy as np

from lostlink.measure import packets
from lostlink.rigs import Rig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile, Scenario, Trace
from lostlink_sims.profile import Channel
from lostlink_sims.scenario import AnyFault

BOUNCE_MARGIN_US = 30_000
"""Longest time that a program may wait for contacts to rest."""
_HALF_CODES = 2


def sticks(profile: Profile) -> list[Channel]:
    """Return the channels that are sticks."""
    return [channel for channel in profile.channels if channel.kind == "stick"]


def settle_us(profile: Profile) -> int:
    """Return the longest time until a move is in the packets."""
    handset = profile.handset
    return 3 * (handset.packet_interval_us + handset.jitter_us + handset.turn_us) + BOUNCE_MARGIN_US


def first_low(scenario: ScenarioBuilder) -> tuple[tuple[Move, ...], int]:
    """Return no moves, and when a handset that was switched on with a low throttle sends its sticks."""
    profile = scenario.profile
    return (), profile.handset.boot_us + profile.handset.packet_interval_us + 2 * settle_us(profile)


def moved_alone(scenario: ScenarioBuilder, index: int) -> tuple[tuple[Move, ...], int, int, int]:
    """Return moves of one control from stop to stop; when it is at the low stop, when it leaves it, and the end."""
    channel = scenario.profile.channels[index]
    moves, begin_us = first_low(scenario)
    low_us = begin_us + settle_us(scenario.profile)
    high_us = low_us + settle_us(scenario.profile)
    moves += (Move(at_us=begin_us, channel=channel.name, position=0.0),)
    moves += (Move(at_us=high_us, channel=channel.name, position=1.0),)
    return moves, low_us, high_us, high_us + settle_us(scenario.profile)


def trial(
    rig: Rig, scenario: ScenarioBuilder, moves: tuple[Move, ...], end_us: int, *faults: AnyFault, ambient: bool = False
) -> Trace:
    """Run the handset with some moves and faults."""
    run = next(scenario.phases(1, exactly=True))
    return rig.run(dataclasses.replace(run, moves=moves, duration_us=end_us, faults=faults, ambient=ambient))


def in_flight(scenario: ScenarioBuilder, runs: int) -> list[Flight]:
    """Return flights at distributed phases, with sticks and switches anywhere."""
    return list(scenario.flights(runs, anywhere=True))


def sent_true(trace: Trace, at_us: int, judge: Judge) -> bool:
    """Return whether the last packet before an instant held the sticks; if not, the run is inconclusive."""
    if trace.doubt:
        judge.doubt(trace, trace.doubt)
        return False
    instants_us = np.array([at_us])
    error = np.abs(packets.codes_at(trace, instants_us) - packets.expected_codes(trace, instants_us))
    if int(error.max()) <= _HALF_CODES:
        return True
    judge.doubt(trace, "the packets did not hold the sticks before, so the run is inconclusive (see HS-VALUE)")
    return False


def lasting(scenario: Scenario, *faults: AnyFault, until_us: int, moves: tuple[Move, ...] = ()) -> Scenario:
    """Return a scenario with faults and more moves."""
    return dataclasses.replace(scenario, faults=faults, duration_us=until_us, moves=(*scenario.moves, *moves))
