"""Receiver hardware: hung main loop, counter wrap, reset, brown-out, power-on."""

from __future__ import annotations

import dataclasses

from lostlink.measure import failsafe
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import WRAPS, ScenarioBuilder
from lostlink.suite.flying import VERY_LONG_US, flew, judge_cut, losses, needs_clock
from lostlink.suite.judge import Judge
from lostlink_sims import Profile
from lostlink_sims.scenario import BrownOut, LinkCut, MainLoopHung, ReceiverReset


@requires("FS-HANG")
def test_main_loop_hangs(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The main loop hangs in flight while the pulse interrupt keeps running; the link stays good."""
    for trace, hung_us in losses(rig, scenario, judge, 8, MainLoopHung):
        stop = failsafe.time_to_motor_stop(trace, hung_us)
        judge(trace, stop, at_most=profile.requirements.motor_cut_within_us)


@requires("FS-WRAP")
def test_loss_at_counter_wrap(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is lost shortly before, at and after a wrap of the receiver's counter."""
    needs_clock(rig)
    for wrap, _ in WRAPS:
        for run, flight in enumerate(scenario.flights(12)):
            # The wrap is between one cut delay before the loss and shortly after it.
            ahead_us = flight.at_us + (run - 1) * profile.cut_delay_us // 10
            clock_us = (wrap - ahead_us + profile.receiver.boot_us) % 2**32
            lost = dataclasses.replace(flight.into(LinkCut(at_us=flight.at_us)), receiver_clock_us=clock_us)
            trace = rig.run(lost)
            if flew(trace, flight, judge):
                judge_cut(trace, flight.at_us, judge)


@requires("LK-WRAP")
def test_wrap_in_flight(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The counter wraps in flight, in a gap much shorter than the timeout; the throttle must not drop.

    The gap ensures that the receiver checks its timer between the wrap and the next packet. The flight is
    measured from more than a timeout before the wrap, because sums of absolute times fail that early.
    """
    needs_clock(rig)
    profile = rig.profile
    gap_us = min(scenario.safe_gap_us, 3 * scenario.frame_us + scenario.packet_us)
    before_us = profile.cut_delay_us + 2 * scenario.frame_us
    for wrap, _ in WRAPS:
        for flight in scenario.flights(8):
            gap_at_us = flight.at_us + before_us
            clock_us = (wrap - gap_at_us - gap_us // 3 + profile.receiver.boot_us) % 2**32
            gaps = [LinkCut(at_us=gap_at_us, for_us=gap_us)] if gap_us else []
            gap = flight.into(*gaps, watch_us=before_us + profile.cut_delay_us + 400_000)
            trace = rig.run(dataclasses.replace(gap, receiver_clock_us=clock_us))
            if flew(trace, flight, judge):
                judge(trace, failsafe.throttle_drops(trace, flight.at_us), at_most=0)


@requires("PW-IDLE")
def test_idle_before_first_packet(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The receiver is powered long before the handset."""
    runs = list(scenario.phases(10))
    for number, run in enumerate(runs):
        long = number == len(runs) - 1 and rig.varied_stride == 1
        handset_on_us = profile.cut_delay_us + (VERY_LONG_US if long else 1_000_000)
        trace = rig.run(dataclasses.replace(run, handset_on_us=handset_on_us, duration_us=handset_on_us))
        widest = failsafe.widest_throttle(trace, 0, handset_on_us)
        judge(trace, widest, at_most=profile.requirements.idle_below_us)


@requires("PW-STICK")
def test_stick_up_at_power_on(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Handset and receiver are switched on with the throttle up and the arming switch on, in either order."""
    moves, _ = scenario.take_off(1.0, from_us=0)
    moves = tuple(dataclasses.replace(move, at_us=0) for move in moves)
    for run in scenario.phases(8):
        for handset_us, receiver_us in ((0, 300_000), (300_000, 0)):
            until_us = 300_000 + scenario.ready_us + 20 * scenario.frame_us
            start = dataclasses.replace(
                run, moves=moves, handset_on_us=handset_us, receiver_on_us=receiver_us, duration_us=until_us
            )
            trace = rig.run(start)
            judge(trace, failsafe.highest_motor_command(trace, 0), at_most=0)


@requires("PW-RESET")
def test_reset_with_link_gone(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is lost and the receiver resets: the output after the boot is idle."""
    for flight in scenario.flights(8):
        watch_us = profile.receiver.boot_us + profile.cut_delay_us + 10 * scenario.frame_us
        faults = (LinkCut(at_us=flight.at_us), ReceiverReset(at_us=flight.at_us + 1_000))
        trace = rig.run(flight.into(*faults, watch_us=watch_us))
        if flew(trace, flight, judge):
            booted_us = flight.at_us + 1_000 + profile.receiver.boot_us
            widest = failsafe.widest_throttle(trace, booted_us, trace.scenario.duration_us)
            judge(trace, widest, at_most=profile.requirements.idle_below_us)


@requires("PW-BROWNOUT")
def test_brown_out(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The supply fails for a moment in flight, during an acknowledgement if the link has them."""
    down_us = 50_000
    for flight in scenario.flights(8):
        brown_out = BrownOut(at_us=flight.at_us, for_us=down_us, on_acknowledgement=profile.radio.acknowledge)
        signal_us = profile.flight_controller.signal_timeout_us
        back_us = max(down_us + profile.receiver.boot_us, signal_us) + 4 * scenario.frame_us
        watch_us = back_us + scenario.ready_us + 20 * scenario.frame_us
        trace = rig.run(flight.into(brown_out, watch_us=watch_us))
        if flew(trace, flight, judge):
            judge(trace, failsafe.highest_motor_command(trace, flight.at_us + back_us), at_most=0)
