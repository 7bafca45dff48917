"""Helpers shared by the tests of a handset. The handset must send its sticks before a fault occurs."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np

from lostlink.measure import limits, packets
from lostlink.measure.limits import MOST_CODE_ERROR, sends_us, settle_us
from lostlink.rigs import Rig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile, Scenario, Trace
from lostlink_sims.profile import Channel
from lostlink_sims.scenario import AnyFault, SwitchBounces
from lostlink_sims.sticks import SWITCH_CODES

BOUNCE_US = 10_000
"""Most contacts bounce for less than 6 ms, some for longer; common practice, no source."""
_HALF_CODES = 2
_FULL_CLOCK = 2**32


def sticks(profile: Profile) -> list[Channel]:
    """Return the channels that are sticks."""
    return [channel for channel in profile.channels if channel.kind == "stick"]


def switches(profile: Profile) -> list[tuple[int, Channel]]:
    """Return the channels that are switches, with their numbers."""
    return [(index, channel) for index, channel in enumerate(profile.channels) if channel.kind != "stick"]


def places(channel: Channel) -> tuple[float, ...]:
    """Return the positions that a switch has."""
    number = len(SWITCH_CODES[channel.kind])
    return tuple(place / (number - 1) for place in range(number))


def judge_rate(judge: Judge, trace: Trace, since_us: int, until_us: int) -> None:
    """Judge single packet intervals and their mean."""
    profile = trace.profile
    judge(trace, packets.interval_error(trace, since_us, until_us), at_most=limits.interval_error_us(profile))
    judge(trace, packets.mean_interval_error(trace, since_us, until_us), at_most=limits.mean_error_us(profile))


def judge_stray(
    judge: Judge, trace: Trace, since_us: int, until_us: int, *, without: tuple[int, ...] = (), guard: bool = True
) -> None:
    """Judge whether every packet holds the sticks of the newest sweeps, and switches as soon as they rest."""
    profile = trace.profile
    errors = packets.strays(trace, since_us, until_us, limits.age_us(profile), settle_us(profile))
    for index, channel in enumerate(profile.channels):
        if index not in without:
            is_stick = channel.kind == "stick"
            judge(trace, errors[index], at_most=MOST_CODE_ERROR if is_stick else 0, guard=guard or not is_stick)


# --- moves ------------------------------------------------------------------------------------------------------


def away(scenario: ScenarioBuilder) -> float:
    """Return a random position away from the centre and from both stops, where usual defaults are."""
    share = scenario.share()
    return 0.08 + 0.7 * share + 0.14 * (share > 0.5)  # 8 .. 43 and 57 .. 92 %


def anywhere(scenario: ScenarioBuilder) -> dict[str, float]:
    """Return a random position for each control."""
    profile = scenario.profile
    return {
        channel.name: away(scenario)
        if channel.kind == "stick"
        else places(channel)[int(scenario.share() * len(places(channel)))]
        for channel in profile.channels
    }


def moved_to(positions: Mapping[str, float], at_us: int) -> tuple[Move, ...]:
    """Return the moves of controls to positions."""
    return tuple(Move(at_us=at_us, channel=name, position=position) for name, position in positions.items())


def sticks_moved(
    scenario: ScenarioBuilder, at_us: int, positions: Mapping[str, float] = MappingProxyType({})
) -> tuple[Move, ...]:
    """Return moves of all sticks at an instant: away from centre and stops, but for those with a position."""
    return moved_to({**{one.name: away(scenario) for one in sticks(scenario.profile)}, **positions}, at_us)


def moved_alone(scenario: ScenarioBuilder, index: int) -> tuple[tuple[Move, ...], tuple[int, int, int]]:
    """Return moves of one control from stop to stop and back, the others anywhere, and the end of each of its stays."""
    profile = scenario.profile
    name, step_us, begin_us = profile.channels[index].name, settle_us(profile), sends_us(profile)
    ends_us = begin_us + step_us, begin_us + 2 * step_us, begin_us + 3 * step_us
    moves = moved_to({**anywhere(scenario), name: 0.0}, begin_us)
    moves += tuple(
        Move(at_us=at_us, channel=name, position=position)
        for at_us, position in zip(ends_us[:2], (1.0, 0.0), strict=True)
    )
    return moves, ends_us


def stirred(scenario: ScenarioBuilder, until_us: int, every_us: int) -> tuple[tuple[Move, ...], int]:
    """Return moves of all sticks and switches again and again, and when the first packets have held them."""
    profile, begin_us = scenario.profile, sends_us(scenario.profile)
    moves = []
    for number, at_us in enumerate(range(begin_us, until_us, every_us)):
        round_, index = divmod(number, len(profile.channels))
        channel = profile.channels[index]
        is_stick = channel.kind == "stick"
        position = scenario.share() if is_stick else places(channel)[round_ % len(places(channel))]
        ramp_us = every_us // 3 if is_stick else 0
        moves.append(Move(at_us=at_us, channel=channel.name, position=position, ramp_us=ramp_us))
    return tuple(moves), begin_us


def bouncing(profile: Profile, bounce_us: int = BOUNCE_US) -> tuple[SwitchBounces, ...]:
    """Return the bounces of all switches."""
    return tuple(SwitchBounces(at_us=0, channel=one.name, bounce_us=bounce_us) for _, one in switches(profile))


# --- runs -------------------------------------------------------------------------------------------------------


def runs(scenario: ScenarioBuilder, number: int) -> Iterator[Scenario]:
    """Yield scenarios at distributed phases, with random clocks of handset and receiver."""
    for run in scenario.phases(number, exactly=True):
        yield dataclasses.replace(run, handset_clock_us=int(scenario.share() * _FULL_CLOCK))


def trial(
    rig: Rig, scenario: ScenarioBuilder, moves: tuple[Move, ...], end_us: int, *faults: AnyFault, ambient: bool = False
) -> Trace:
    """Run the handset with some moves and faults."""
    run = next(runs(scenario, 1))
    return rig.run(dataclasses.replace(run, moves=moves, duration_us=end_us, faults=faults, ambient=ambient))


def in_flight(scenario: ScenarioBuilder, number: int) -> list[Flight]:
    """Return flights at distributed phases, with random clocks, and sticks and switches anywhere."""
    return [
        dataclasses.replace(
            flight,
            scenario=dataclasses.replace(flight.scenario, handset_clock_us=int(scenario.share() * _FULL_CLOCK)),
        )
        for flight in scenario.flights(number, anywhere=True)
    ]


def with_throttle(scenario: ScenarioBuilder, flight: Flight, position: float) -> Flight:
    """Return a flight with another position of the throttle."""
    name = scenario.profile.flight_controller.throttle
    moves = tuple(
        dataclasses.replace(move, position=position) if move.channel == name else move for move in flight.scenario.moves
    )
    return dataclasses.replace(flight, scenario=dataclasses.replace(flight.scenario, moves=moves))


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
