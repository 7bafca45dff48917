"""Invalid packets: foreign, damaged, stale. They must neither keep the throttle up nor move it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from lostlink.measure import channels, failsafe
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.flying import cuts_in_time, flew, ordinary_loss, run_where_able
from lostlink.suite.judge import Judge
from lostlink_sims import Profile
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES
from lostlink_sims.scenario import DamagedPayload, ForeignHandset, HandsetHung, LinkCut

PRESENT_US = 400_000
"""Duration of foreign or damaged packets on a good link."""


def _lengths(profile: Profile) -> list[int | None]:
    """Return the payload lengths of detectable foreign packets; None is our own length with another link id."""
    own = profile.payload_bytes
    others: list[int | None] = [n for n in (own - 1, own + 1) if 1 <= n <= PAYLOAD_LIMIT_BYTES]
    return others if profile.handset.link_id is None else [None, *others]


def _needs_link_id(profile: Profile) -> None:
    if profile.handset.link_id is None:
        pytest.skip(
            "packets carry no link id, so no receiver can identify a foreign handset with the same payload layout; "
            "packets of other lengths were tested (set link_id, or waive the requirement)"
        )


def _throttle_unmoved(
    profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge, runs: int, fault: type, **fields: object
) -> None:
    # A receiver that hangs on such a packet is detected when the motors stop, or when its watchdog resets it.
    receiver, signal_us = profile.receiver, profile.flight_controller.signal_timeout_us
    watch_us = PRESENT_US + receiver.boot_us + min(receiver.watchdog_us or signal_us, signal_us)
    for flight in scenario.flights(runs):
        trace = rig.run(flight.into(fault(at_us=flight.at_us, **fields), watch_us=watch_us))
        if flew(trace, flight, judge):
            at_us = np.arange(flight.at_us, flight.at_us + watch_us, profile.output.frame_period_us // 2)
            moved = channels.value_error(trace, profile.throttle_index, at_us)
            judge(trace, moved, at_most=profile.requirements.value_tolerance_us)
            judge(trace, failsafe.motor_stops(trace, flight.at_us), at_most=0, guard=True)


@requires("FS-FOREIGN")
def test_foreign_handset_after_loss(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The link is lost while a foreign handset sends on the same address."""
    for length in _lengths(profile):
        cuts_in_time(rig, scenario, judge, 5, LinkCut(at_us=0), ForeignHandset(at_us=0, payload_bytes=length))
    for foreign in _neighbours(profile)[:: rig.varied_stride]:
        cuts_in_time(rig, scenario, judge, 1, LinkCut(at_us=0), foreign)
    _needs_link_id(profile)


def _neighbours(profile: Profile) -> list[ForeignHandset]:
    """Return a foreign handset with every second other length, and with each bit of the link id changed."""
    own = profile.payload_bytes
    lengths = [n for n in range(1, PAYLOAD_LIMIT_BYTES + 1) if n != own and (n - own) % 2 == 0]
    bits = range(8) if profile.handset.link_id is not None else ()
    return [
        *(ForeignHandset(at_us=0, payload_bytes=length) for length in lengths),
        *(ForeignHandset(at_us=0, id_difference=1 << bit) for bit in bits),
    ]


@requires("FS-INTRUDER")
def test_foreign_handset_in_flight(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A foreign handset sends on the same address, on a good link and before the own handset is switched on."""
    alone_us = profile.cut_delay_us + scenario.ready_us
    for length in _lengths(profile):
        _throttle_unmoved(
            profile, rig, scenario, judge, 4, ForeignHandset, payload_bytes=length, position=0.0, interval_us=7_300
        )
        for start in scenario.phases(2):
            foreign = ForeignHandset(at_us=0, payload_bytes=length)
            alone = dataclasses.replace(start, handset_on_us=alone_us, duration_us=alone_us, faults=(foreign,))
            trace = run_where_able(rig, alone)
            if trace is not None:
                widest = failsafe.widest_throttle(trace, 0, alone_us)
                judge(trace, widest, at_most=profile.requirements.idle_below_us, guard=True)
    _needs_link_id(profile)


@requires("FS-DAMAGED")
def test_damaged_packets(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All packets are damaged from an instant on; then only part of them, while the sticks do not move."""
    if not profile.radio.crc_bytes and not profile.handset.check_byte:
        pytest.skip(
            "the radio's CRC is off and packets carry no check byte, so no receiver can detect damage "
            "(set crc_bytes or check_byte, or waive the requirement)"
        )
    cuts_in_time(rig, scenario, judge, 8, DamagedPayload(at_us=0))
    _throttle_unmoved(profile, rig, scenario, judge, 4, DamagedPayload, share=ordinary_loss(profile))


@requires("FS-STALE")
def test_hung_handset(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The handset's program hangs; its radio repeats the last payload indefinitely."""
    if not profile.handset.packet_counter:
        pytest.skip(
            "packets carry no counter, so no receiver can distinguish a hung handset from sticks that do not move "
            "(set packet_counter = true, or waive the requirement)"
        )
    cuts_in_time(rig, scenario, judge, 8, HandsetHung(at_us=0))
