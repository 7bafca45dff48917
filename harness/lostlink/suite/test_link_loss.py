"""Link loss: the throttle is cut to idle in time, and stays cut."""

from __future__ import annotations

import dataclasses

import pytest

from lostlink.measure import channels, failsafe, frames
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.flying import LONG_US, VERY_LONG_US, cuts_in_time, flew, losses, switched_on_with_sticks_up
from lostlink.suite.judge import Judge
from lostlink.verdicts import Measurement
from lostlink_sims import Profile
from lostlink_sims.scenario import FadeRamp, HandsetOff, InterferenceBurst, LinkCut, OutputStops, WrongAddress

TWELVE_MINUTES_US = 720_000_000
"""Long enough for a 16-bit counter of 10 ms to wrap."""
PAST_16_BITS_OF_PACKETS = 66_000


@requires("FS-CUT")
def test_throttle_is_cut(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Link cut at many phases, stick positions and counter values."""
    cuts_in_time(rig, scenario, judge, 32, LinkCut(at_us=0))


@requires("FS-MOTOR")
def test_motors_stop(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is cut: the motors stop in time and do not restart."""
    for trace, lost_us in losses(rig, scenario, judge, 12):
        stop = failsafe.time_to_motor_stop(trace, lost_us)
        judge(trace, stop, at_most=profile.requirements.motor_cut_within_us)
        judge(trace, failsafe.highest_motor_command(trace, lost_us + round(stop.value)), at_most=0, guard=True)


@requires("FS-VALUE")
def test_failsafe_throttle_is_idle(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Long after the loss, no throttle pulse is above idle."""
    limits = profile.requirements
    for trace, lost_us in losses(rig, scenario, judge, 8, watch_us=limits.motor_cut_within_us + 1_000_000):
        over_us = lost_us + limits.motor_cut_within_us
        widest = failsafe.widest_throttle(trace, over_us, trace.scenario.duration_us)
        judge(trace, widest, at_most=limits.idle_below_us)


@requires("FS-RISE")
def test_throttle_never_rises(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """From the loss on, no throttle pulse is wider than those before it."""
    for trace, lost_us in losses(rig, scenario, judge, 12):
        before = failsafe.widest_throttle(trace, lost_us - 3 * scenario.frame_us, lost_us)
        after = failsafe.widest_throttle(trace, lost_us, trace.scenario.duration_us)
        judge(trace, after, at_most=before.value + profile.requirements.value_tolerance_us)


@requires("FS-PRESET")
def test_every_channel_at_its_failsafe_value(
    profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge
) -> None:
    """Soon and long after the loss, and before the first packet, each channel is at its failsafe value, or silent."""
    soon_us = profile.requirements.motor_cut_within_us + 2 * scenario.frame_us
    late_us = [soon_us, soon_us + LONG_US // 2, soon_us + LONG_US]
    flights = [(flight, [soon_us]) for flight in scenario.flights(6)]
    flights += [(flight, late_us) for flight in scenario.flights(1)]
    flights += [(switched_on_with_sticks_up(scenario, flight), [soon_us]) for flight in scenario.flights(2)]
    for flight, look_us in flights:
        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us), watch_us=look_us[-1] + scenario.frame_us))
        if flew(trace, flight, judge):
            if profile.receiver.pulses_cease:
                seen = frames.frames_seen(trace, flight.at_us + soon_us, trace.scenario.duration_us)
                judge(trace, seen, at_most=0)
                continue
            for after_us in look_us:
                for index, channel in enumerate(profile.channels):
                    offset = channels.offset_from(trace, index, channel.failsafe_us, flight.at_us + after_us)
                    judge(trace, offset, at_most=profile.requirements.value_tolerance_us)
    handset_on_us = profile.cut_delay_us + 1_000_000
    for clock_us, run in zip((0, None), scenario.phases(2), strict=True):  # a counter begins at 0 on most boards
        clock_us = run.receiver_clock_us if clock_us is None else clock_us
        late = dataclasses.replace(run, handset_on_us=handset_on_us, duration_us=handset_on_us)
        trace = rig.run(dataclasses.replace(late, receiver_clock_us=clock_us))
        for at_us in (profile.receiver.boot_us + 3 * scenario.frame_us, handset_on_us):
            if frames.frames_seen(trace, at_us - 3 * scenario.frame_us, at_us).value:
                for index, channel in enumerate(profile.channels):
                    offset = channels.offset_from(trace, index, channel.failsafe_us, at_us)
                    judge(trace, offset, at_most=profile.requirements.value_tolerance_us)


@requires("FS-STAY")
def test_throttle_stays_cut(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Losses of many seconds, one past the wrap of a 16-bit counter of milliseconds, in virtual time one of 10 ms."""
    longest_us = TWELVE_MINUTES_US if rig.varied_stride == 1 else LONG_US
    for runs, watch_us in ((3, LONG_US), (1, VERY_LONG_US), (1, longest_us)):
        cut_us = profile.requirements.motor_cut_within_us
        for trace, lost_us in losses(rig, scenario, judge, runs, watch_us=cut_us + watch_us):
            after = failsafe.longest_throttle_after_cut(trace, lost_us)
            judge(trace, after, at_most=profile.requirements.idle_below_us)


@requires("FS-LONG")
def test_loss_after_a_long_flight(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is lost after a flight longer than 16 bits of milliseconds, and, in virtual time, of packets."""
    packets_us = PAST_16_BITS_OF_PACKETS * profile.handset.packet_interval_us
    for number, flight in enumerate(scenario.flights(2)):
        age_us = max(VERY_LONG_US, packets_us) if number and rig.varied_stride == 1 else VERY_LONG_US
        late = dataclasses.replace(flight, at_us=flight.at_us + age_us)
        trace = rig.run(late.into(LinkCut(at_us=late.at_us)))
        if flew(trace, late, judge):
            cut = failsafe.time_to_cut(trace, late.at_us)
            judge(trace, cut, at_most=profile.requirements.cut_within_us)


@requires("FS-OFF")
def test_handset_off(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset is switched off in flight."""
    cuts_in_time(rig, scenario, judge, 8, HandsetOff(at_us=0))


@requires("FS-JAM")
def test_interference(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Interference blocks every packet."""
    cuts_in_time(rig, scenario, judge, 8, InterferenceBurst(at_us=0, loss=1.0))


@requires("FS-ADDRESS")
def test_wrong_address(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset's packets go to another address."""
    cuts_in_time(rig, scenario, judge, 8, WrongAddress(at_us=0))


@requires("FS-FADE")
def test_slow_fade(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The signal fades out over a second; the time is measured from the last good packet."""
    ramp_us = 1_000_000
    limits = profile.requirements
    for flight in scenario.flights(6):
        watch_us = ramp_us + limits.cut_within_us + 10 * scenario.frame_us
        trace = rig.run(flight.into(FadeRamp(at_us=flight.at_us, depth_db=150.0, ramp_us=ramp_us), watch_us=watch_us))
        if flew(trace, flight, judge):
            heard_us = failsafe.last_good_packet_us(trace, trace.scenario.duration_us)
            since_us = flight.at_us if heard_us is None else heard_us
            judge(trace, failsafe.time_to_cut(trace, since_us), at_most=limits.cut_within_us)


@requires("FS-SILENT")
def test_pulses_cease(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The receiver's output fails; the flight controller stops the motors."""
    for trace, lost_us in losses(rig, scenario, judge, 8, OutputStops):
        stop = failsafe.time_to_motor_stop(trace, lost_us)
        judge(trace, stop, at_most=profile.requirements.motor_cut_within_us)


@requires("FS-SAYS")
def test_flag_agrees_with_pulses(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The receiver's failsafe flag is clear in flight and set after the loss."""
    if not rig.sees_flag:
        pytest.skip("the rig does not see the receiver's failsafe flag")
    for trace, lost_us in losses(rig, scenario, judge, 4):
        for instant_us, wanted in ((lost_us - 1, 0), (trace.scenario.duration_us, 1)):
            wrong = Measurement(
                name="wrong failsafe flags", value=int(trace.failsafe.at(instant_us, before=1) != wanted), unit="",
                how_seen=trace.how_seen, at_us=instant_us,
            )  # fmt: skip
            judge(trace, wrong, at_most=0)
