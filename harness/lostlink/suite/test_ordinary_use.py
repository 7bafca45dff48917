"""Normal operation: control, ordinary packet loss, short gaps, latency."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np
import pytest

from lostlink.measure import channels, failsafe, latency
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.flying import (
    DOWN_US,
    VERY_LONG_US,
    failsafe_for_certain_us,
    flew,
    ordinary_loss,
    run_where_able,
    shifted,
    throttle_down,
    throttle_jumps,
)
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile
from lostlink_sims.scenario import (
    AnyFault,
    BrownOut,
    HandsetOff,
    InterferenceBurst,
    LinkCut,
    MainLoopHung,
    ReceiverReset,
)

HUNG_US = 200_000
MINUTE_US = 60_000_000


@requires("LK-CONTROL")
def test_sticks_reach_motors(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Arm and raise the throttle: the motors run."""
    for flight in scenario.flights(8):
        trace = rig.run(flight.into(watch_us=2 * scenario.settle_us))
        judge(trace, failsafe.highest_motor_command(trace, flight.at_us), at_least=0.1)
        widest = failsafe.widest_throttle(trace, flight.at_us, trace.scenario.duration_us)
        judge(trace, widest, at_least=1200, guard=True)


@requires("LK-FALSE")
def test_no_false_failsafe(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A minute with the packet loss of the profile, and shorter flights with a large share of packets lost."""
    for runs, watch_us, faults in ((1, MINUTE_US, False), (4, 5_000_000, True)):
        for flight in scenario.flights(runs, ambient=not faults):
            loss = InterferenceBurst(at_us=flight.at_us, loss=ordinary_loss(rig.profile))
            trace = rig.run(flight.into(*([loss] if faults else []), watch_us=watch_us))
            if faults and not flew(trace, flight, judge):
                continue
            # The throttle must be up, or it cannot drop.
            up = failsafe.widest_throttle(trace, flight.at_us, trace.scenario.duration_us)
            judge(trace, up, at_least=rig.profile.requirements.idle_below_us + 1, guard=True)
            judge(trace, failsafe.throttle_drops(trace, flight.at_us), at_most=0)
            judge(trace, failsafe.motor_stops(trace, flight.at_us), at_most=0)


@requires("LK-GAP")
def test_gap_shorter_than_timeout(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is lost for slightly less than the timeout, at many phases."""
    gap_us = scenario.safe_gap_us
    if not gap_us:
        pytest.skip("the timeout is hardly longer than two packet intervals, so it need not tolerate any gap")
    for flight in scenario.flights(12):
        cut = LinkCut(at_us=flight.at_us, for_us=gap_us)
        trace = rig.run(flight.into(cut, watch_us=gap_us + 10 * scenario.frame_us))
        if flew(trace, flight, judge):
            judge(trace, failsafe.throttle_drops(trace, flight.at_us), at_most=0)
            judge(trace, failsafe.motor_stops(trace, flight.at_us), at_most=0)
            at_us = np.arange(flight.at_us, trace.scenario.duration_us, profile.output.frame_period_us // 2)
            for index in range(len(profile.channels)):
                moved = channels.value_error(trace, index, at_us)
                judge(trace, moved, at_most=profile.requirements.value_tolerance_us)


ALONE_US = 15_000_000
"""Long after a start, with the throttle stick low; in virtual time `VERY_LONG_US` after power-on and after a return."""


@requires("LK-START")
def test_nothing_starts_by_itself(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The throttle stick stays low for long after power-on, a return, a reset, a brown-out or a hang; others move."""
    away_us = failsafe_for_certain_us(profile, scenario)
    disturbances: tuple[AnyFault | None, ...] = (
        None, LinkCut(at_us=0, for_us=away_us), HandsetOff(at_us=0, for_us=away_us), ReceiverReset(at_us=0),
        BrownOut(at_us=0, for_us=DOWN_US, on_acknowledgement=False), MainLoopHung(at_us=0, for_us=HUNG_US),
    )  # fmt: skip
    for disturbance in disturbances:
        very_long = rig.varied_stride == 1 and (disturbance is None or isinstance(disturbance, LinkCut))
        for number, flight in enumerate(scenario.flights(2)):
            alone_us = VERY_LONG_US if very_long and not number else ALONE_US
            moves: tuple[Move, ...] = ()
            faults: tuple[AnyFault, ...] = ()
            low_us = flight.at_us + away_us + profile.receiver.boot_us + profile.handset.boot_us + HUNG_US
            low_us += profile.requirements.recovery_within_us + scenario.settle_us
            if disturbance is None:  # the motors never ran, and the model stays disarmed
                low_us = scenario.ready_us + scenario.settle_us
                flight = dataclasses.replace(flight, scenario=dataclasses.replace(flight.scenario, moves=()))
            else:
                moves, faults = (throttle_down(profile, flight.at_us),), (shifted(disturbance, flight.at_us),)
            moves += tuple(_other_sticks(profile, low_us, alone_us))
            run = flight.into(*faults, moves=moves, watch_us=low_us + alone_us - flight.at_us)
            trace = run_where_able(rig, run)
            if trace is None or (disturbance is not None and not flew(trace, flight, judge)):
                continue
            widest = failsafe.widest_throttle(trace, low_us, run.duration_us)
            judge(trace, widest, at_most=profile.requirements.idle_below_us)
            judge(trace, failsafe.highest_motor_command(trace, low_us), at_most=0)


def _other_sticks(profile: Profile, from_us: int, for_us: int) -> Iterator[Move]:
    """Yield moves of every stick but the throttle, from stop to stop, every other second."""
    for index, channel in enumerate(profile.channels):
        if channel.kind == "stick" and index != profile.throttle_index:
            for number, at_us in enumerate(range(from_us, from_us + for_us, 2_000_000)):
                yield Move(at_us=at_us, channel=channel.name, position=float(number % 2))


@requires("LT-STICK")
def test_latency(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The throttle jumps at random times, at many phases."""
    if traces := throttle_jumps(rig, scenario, judge, 12):
        delays, shown = zip(*(latency.latencies_us(trace, profile.throttle_index) for trace in traces), strict=True)
        p99 = latency.quantile(np.concatenate(delays), np.concatenate(shown), 0.99, *traces)
        judge(traces[-1], p99, at_most=profile.requirements.latency_p99_us)
