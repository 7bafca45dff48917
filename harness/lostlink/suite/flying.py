"""Helpers shared by the tests of the suite. The model must fly before a fault occurs."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator

import pytest

from lostlink.errors import CannotError
from lostlink.measure import failsafe
from lostlink.rigs import Rig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile, Scenario, Trace
from lostlink_sims.scenario import AnyFault, LinkCut

LONG_US = 8_000_000
"""A loss far longer than any timeout."""
DOWN_US = 50_000
"""Duration of a supply failure."""
VERY_LONG_US = 70_000_000
"""Long enough for a 16-bit counter of milliseconds to wrap."""


def flew(trace: Trace, flight: Flight, judge: Judge) -> bool:
    """Return whether throttle and motors were up when the fault occurred; if not, the run is inconclusive."""
    if trace.doubt:
        judge.doubt(trace, trace.doubt)
        return False
    up = failsafe.widest_throttle(trace, flight.at_us - trace.profile.output.frame_period_us * 3, flight.at_us)
    if up.value > trace.profile.requirements.idle_below_us and trace.motor.at(flight.at_us) > 0:
        return True
    judge.doubt(trace, "the model did not fly before the fault, so the run is inconclusive (see LK-CONTROL)")
    return False


def switched_on_with_sticks_up(scenario: ScenarioBuilder, flight: Flight) -> Flight:
    """Return a flight before which the handset was switched on with every stick up, the throttle too.

    They go down as soon as the receiver has received a few packets, so that the rest of the flight is unchanged.
    """
    profile = scenario.profile
    heard_us = max(profile.handset.boot_us, profile.receiver.boot_us) + 3 * scenario.packet_us
    moves = []
    for channel in profile.channels:
        if channel.kind == "stick":
            down = 0.0 if channel.name == profile.flight_controller.throttle else 0.5
            moves += [Move(at_us=0, channel=channel.name, position=0.9)]
            moves += [Move(at_us=heard_us, channel=channel.name, position=down)]
    moves += flight.scenario.moves
    return dataclasses.replace(flight, scenario=dataclasses.replace(flight.scenario, moves=tuple(moves)))


def failsafe_for_certain_us(profile: Profile, scenario: ScenarioBuilder) -> int:
    """Return how long a link loss must last for failsafe to be active in every part of the link."""
    return profile.requirements.motor_cut_within_us + 4 * scenario.frame_us + profile.receiver.recovery_us


def losses(
    rig: Rig, scenario: ScenarioBuilder, judge: Judge, runs: int, *faults: type[AnyFault], watch_us: int | None = None
) -> Iterator[tuple[Trace, int]]:
    """Yield flights with the given faults (default: a link cut), and the instant of the faults."""
    for flight in scenario.flights(runs):
        strikes = tuple(fault(at_us=flight.at_us) for fault in faults or (LinkCut,))
        trace = rig.run(flight.into(*strikes, watch_us=watch_us))
        if flew(trace, flight, judge):
            yield trace, flight.at_us


def cuts_in_time(
    rig: Rig, scenario: ScenarioBuilder, judge: Judge, runs: int, *faults: AnyFault, watch_us: int | None = None
) -> None:
    """Run flights with faults, whose instants are relative to the first one; the throttle must be cut in time.

    Sticks and switches are anywhere. The last of several flights is watched for more than a minute in virtual time.
    """
    flights = list(scenario.flights(runs, anywhere=True))
    for flight in flights:
        is_last = flight is flights[-1] and runs > 1 and rig.varied_stride == 1
        strikes = (shifted(fault, flight.at_us) for fault in faults)
        trace = rig.run(flight.into(*strikes, watch_us=VERY_LONG_US if is_last else watch_us))
        if flew(trace, flight, judge):
            judge_cut(trace, flight.at_us, judge)


def judge_cut(trace: Trace, lost_us: int, judge: Judge) -> None:
    """Judge the time from the link loss to the cut, and the throttle after the cut."""
    limits = trace.profile.requirements
    judge(trace, failsafe.time_to_cut(trace, lost_us), at_most=limits.cut_within_us)
    judge(trace, failsafe.longest_throttle_after_cut(trace, lost_us), at_most=limits.idle_below_us, guard=True)


def run_where_able(rig: Rig, scenario: Scenario) -> Trace | None:
    """Run a scenario; return None if the board cannot, so that the rest of the test still runs."""
    try:
        return rig.run(scenario)
    except CannotError:
        return None


def needs_clock(rig: Rig) -> None:
    """Skip a test of the counter wrap if the board cannot set its counter."""
    if not rig.sets_clock:
        pytest.skip("the board cannot set its clock, and its counter wraps only once in more than an hour")


def throttle_down(profile: Profile, at_us: int) -> Move:
    """Return the move of the throttle stick to its low stop."""
    return Move(at_us=at_us, channel=profile.flight_controller.throttle, position=0.0)


def shifted(fault: AnyFault, by_us: int) -> AnyFault:
    """Return the fault, delayed by `by_us`."""
    return dataclasses.replace(fault, at_us=fault.at_us + by_us)


def ordinary_loss(profile: Profile) -> float:
    """Return a high loss share that cuts the throttle of a sound receiver less than once in 1e9 packets.

    A run of r lost packets, each lost with probability q, ends one in 1/q^r packets (Feller, vol. 1, XIII.7).
    """
    packets = max(1, profile.receiver.timeout_us // profile.handset.packet_interval_us - 1)
    return min(0.3, math.exp(math.log(1e-12) / packets))


def staircase(scenario: ScenarioBuilder, positions: list[float], name: str) -> tuple[Scenario, list[int]]:
    """Return a run in which all sticks step through `positions`, and the times at which each step has settled.

    Channels are one step apart, so that no two are equal.
    """
    profile, step_us = scenario.profile, scenario.settle_us + scenario.frame_us
    moves = []
    for index, channel in enumerate(profile.channels):
        for step in range(len(positions)):
            position = positions[(step + index * (len(positions) // len(profile.channels))) % len(positions)]
            moves.append(Move(at_us=scenario.ready_us + step * step_us, channel=channel.name, position=position))
    ends = [scenario.ready_us + (step + 1) * step_us - 1 for step in range(len(positions))]
    return scenario.blank(name, moves=tuple(moves), duration_us=ends[-1] + 1), ends


def throttle_jumps(rig: Rig, scenario: ScenarioBuilder, judge: Judge, number: int) -> list[Trace]:
    """Return runs without doubt, at so many phases, in which the throttle jumps at random times."""
    traces, name = [], scenario.profile.flight_controller.throttle
    pause_us = scenario.settle_us + 3 * scenario.frame_us
    for run in scenario.phases(number):
        at_us, moves = scenario.ready_us, []
        for step in range(12):
            at_us += pause_us + int(scenario.share() * scenario.frame_us)
            moves.append(Move(at_us=at_us, channel=name, position=0.8 if step % 2 == 0 else 0.2))
        trace = rig.run(dataclasses.replace(run, moves=tuple(moves), duration_us=at_us + pause_us))
        if trace.doubt:
            judge.doubt(trace, trace.doubt)
        else:
            traces.append(trace)
    return traces
