"""Limits that follow from several values of a profile, for the tests of a handset and for the explanations."""

from __future__ import annotations

from lostlink_sims import Profile
from lostlink_sims.codes import TOP_CODE

BUSY_PACKETS = 3
"""Packets for which the radio is busy in the test of HS-BUSY."""


def pause_us(profile: Profile) -> int:
    """Return the longest allowed time without a packet: a quarter of the receiver's timeout."""
    return profile.receiver.timeout_us // 4


def interval_error_us(profile: Profile) -> int:
    """Return the largest allowed deviation of an interval: the jitter and a tenth of the interval."""
    return profile.handset.jitter_us + profile.handset.packet_interval_us // 10


def fresh_us(profile: Profile) -> int:
    """Return the longest time from a stick's move to a packet with it: two intervals and a turn."""
    handset = profile.handset
    return 2 * (handset.packet_interval_us + handset.jitter_us) + handset.turn_us


def busy_us(profile: Profile) -> int:
    """Return the same where the radio is busy first."""
    return BUSY_PACKETS * profile.handset.packet_interval_us + fresh_us(profile)


def back_us(profile: Profile) -> int:
    """Return the longest allowed time without a packet at a reset: the receiver's timeout less two intervals."""
    return profile.receiver.timeout_us - 2 * profile.handset.packet_interval_us


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
