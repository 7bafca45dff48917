"""Limits that follow from several values of a profile: for tests and invariants of a handset, and explanations."""

from __future__ import annotations

import math

from lostlink.measure import packets
from lostlink_sims import Profile
from lostlink_sims.codes import TOP_CODE

BOUNCE_MARGIN_US = 70_000
"""Longest time that a program may wait for contacts to rest: 50 ms is usual (common practice, no source)."""
MOST_CODE_ERROR = 1
"""A program may have a hysteresis of a code."""
BEYOND_COUNTS = 8
"""A stick goes so far beyond a stop that was measured: wear, temperature; common practice, no source."""
LOW_US = 500_000
"""A program may wait until the throttle has been low for so long."""
ABOVE_IDLE_CODES = 5
"""A throttle so far above idle is not low."""
THROTTLE_RISE_US = 5
"""A code more than before, in a pulse."""
RADIO_BACK_US = 1_000_000
"""A program may look after its radio so seldom."""
BATTERY_FALLS_US = 300_000_000
"""From full to its lowest, in varied uses and hunts: a mean over sweeps, or a hang of a second, is behind."""
MEAN_SHARE = 50
"""The mean packet interval may be off by the interval divided by this, and by half of the jitter."""


def interval_us(profile: Profile) -> int:
    """Return the longest time between packets of a sound handset, by its own clock or a slow one."""
    handset = profile.handset
    return max(handset.packet_interval_us, math.ceil(packets.nominal_us(profile))) + handset.jitter_us


def steady_us(profile: Profile) -> int:
    """Return the longest time until a stick at rest is in the packets."""
    return 3 * (interval_us(profile) + profile.handset.turn_us)


def settle_us(profile: Profile) -> int:
    """Return the longest time until a move of any control is in the packets."""
    return steady_us(profile) + BOUNCE_MARGIN_US


def sends_us(profile: Profile) -> int:
    """Return when a handset that was switched on with a low throttle sends all its controls."""
    waits_us = LOW_US if profile.handset.at_power_on == "waits for low throttle" else 0
    return profile.handset.boot_us + interval_us(profile) + 2 * settle_us(profile) + waits_us


def pause_us(profile: Profile) -> int:
    """Return the longest pause of a handset in use: a quarter of the receiver's timeout, or its own interval."""
    return max(profile.receiver.timeout_us // 4, interval_us(profile) + profile.handset.packet_interval_us // 10)


def interval_error_us(profile: Profile) -> int:
    """Return the largest allowed deviation of an interval: the jitter and a tenth of the interval."""
    return profile.handset.jitter_us + profile.handset.packet_interval_us // 10


def mean_error_us(profile: Profile) -> float:
    """Return the largest allowed deviation of the mean interval."""
    return profile.handset.jitter_us / 2 + profile.handset.packet_interval_us / MEAN_SHARE


def fresh_us(profile: Profile) -> int:
    """Return the longest time from a stick's move to a packet with it: two intervals and a turn."""
    return 2 * interval_us(profile) + profile.handset.turn_us


def age_us(profile: Profile) -> int:
    """Return how old the sweep of a packet may be: a stick that moves after it has to wait for the next packet."""
    return fresh_us(profile) - interval_us(profile)


def reset_us(profile: Profile) -> int:
    """Return the shortest time without a packet at a sound handset's reset: an interval, its boot, its first turn."""
    handset = profile.handset
    first_us = interval_us(profile) if handset.sends_from == "timer" else handset.turn_us
    return interval_us(profile) + handset.boot_us + first_us


def back_us(profile: Profile) -> int:
    """Return the longest allowed time without a packet at a reset: less than the receiver's timeout.

    An interval less, unless a sound handset takes longer, and at least its tolerance and the jitter of the packets.
    """
    handset, timeout_us = profile.handset, profile.receiver.timeout_us
    most_us = timeout_us - timeout_us // 50 - handset.jitter_us - profile.radio.latency_jitter_us
    return min(max(timeout_us - handset.packet_interval_us, reset_us(profile)), most_us)


def stand_us(profile: Profile) -> int:
    """Return the longest time for which packets may look new after a hang: half of the receiver's timeout."""
    return profile.receiver.timeout_us // 2


def ends_codes(profile: Profile) -> int:
    """Return the largest allowed difference from the last code: the owner's limit at the ends, in codes."""
    return profile.requirements.ends_within_us * TOP_CODE // (profile.receiver.high_us - profile.receiver.low_us)


def code_us(profile: Profile) -> int:
    """Return the width of a code in pulses, by which a program with hysteresis may be off."""
    return -(-(profile.receiver.high_us - profile.receiver.low_us) // TOP_CODE)


def value_us(profile: Profile) -> int:
    """Return the largest allowed deviation of a pulse of handset and receiver together."""
    return profile.requirements.value_tolerance_us + code_us(profile)


def hang_stop_us(profile: Profile) -> int:
    """Return the longest time from a hang of the handset to motors at rest: packets may look new until `stand_us`."""
    return profile.requirements.motor_cut_within_us + stand_us(profile)
