"""Invalid combinations of settings: each rule yields the keys, what is wrong and what is allowed."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from lostlink.profiles.models import Keys, nearest
from lostlink.profiles.quantities import text_of
from lostlink.requirements import wrong_id
from lostlink.verdicts import counted
from lostlink_sims import Profile
from lostlink_sims.codes import pulse_table
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES, Channel, air_time_us
from lostlink_sims.scenario import BatteryFalls, HandsetRadioForgets, StickWireBroken, SwitchBounces
from lostlink_sims.sticks import codes

Problem = tuple[Keys, str]

_EXAMPLE_ADDRESS: Final = ("d2", "4a", "91", "07", "3e", "b8", "65", "1c")
_LEAST_HALF_TRAVEL: Final = 0.1
"""Share of its track that a wiper must travel on each side of the centre."""

_FRAME: Final = (("output", "frame_period"), ("output", "frame_gap"), ("output", "style"), ("output", "channels"))
_CUT: Final = (("receiver", "timeout"), ("receiver", "hold"), *_FRAME)
_OFF: Final = (("receiver", "clock_error"),)
_AIR: Final = (("radio", "bit_rate"), ("radio", "latency"), ("radio", "latency_jitter"), ("radio", "settle"))
#: For keys left to their default: the keys that make the default invalid, which the message points at. Without indices.
CAUSES: Final[Mapping[Keys, tuple[Keys, ...]]] = {
    ("requirements", "cut_within"): _CUT,
    ("requirements", "motor_cut_within"): _CUT,
    ("requirements", "recoveries_per_second"): (
        ("receiver", "recovery"),
        ("receiver", "timeout"),
        ("receiver", "hold"),
    ),
    ("requirements", "value_tolerance"): _OFF,
    ("requirements", "centre_within"): _OFF,
    ("requirements", "ends_within"): _OFF,
    ("requirements", "frame_period_tolerance"): _OFF,
    ("receiver", "timeout"): (("handset", "packet_interval"),),
    ("handset", "packet_interval"): _AIR,
    ("radio", "retries"): (("radio", "retry_delay"), ("radio", "acknowledge"), ("handset", "packet_interval")),
    ("radio", "retry_delay"): (("radio", "acknowledge"), *_AIR),
    ("output", "channels"): (("output", "frame_period"), ("requirements", "sync_at_least"), ("channels",)),
    ("output", "frame_gap"): (("requirements", "sync_at_least"), ("output", "style")),
    ("flight_controller", "signal_timeout"): _FRAME,
    ("channels", "kind"): (("flight_controller", "throttle"),),
    ("flight_controller", "throttle"): (("channels",),),
    ("flight_controller", "arm_channel"): (("channels",),),
}


def _time(value_us: int) -> str:
    return text_of(value_us, "duration")


def _width(value_us: int) -> str:
    return text_of(value_us, "width")


def impossible(profile: Profile, unsound: Collection[str] = ()) -> Iterator[Problem]:
    """Yield all invalid combinations in a profile.

    Parameters
    ----------
    unsound : collection of str
        Tables that could not be read and have their defaults in `profile`. Rules that depend on them are skipped.
    """
    if not profile.channels:
        yield ("channels",), "the link has no channel; add at least one [[channels]]"
        return
    for rule, tables in _RULES.items():
        if tables.isdisjoint(unsound):
            yield from rule(profile)


def _waivers(profile: Profile) -> Iterator[Problem]:
    for name in profile.requirements.waived:
        if problem := wrong_id(name):
            yield ("requirements", "waived"), problem


def _names(profile: Profile) -> Iterator[Problem]:
    names = [channel.name for channel in profile.channels]
    for number, name in enumerate(names):
        if name in names[:number]:
            yield ("channels", number, "name"), f"{name!r} is used twice; give each channel its own name"


def _travels(profile: Profile) -> Iterator[Problem]:
    """Require that each wiper moves one way, and that a throttle at its low stop is sent as idle."""
    sticks = [(number, one) for number, one in enumerate(profile.channels) if one.kind == "stick"]
    for number, channel in sticks:
        low, centre, high = channel.travel_low, 0.5 + channel.centre_error, channel.travel_high
        way = 1 if low < high else -1
        if min((centre - low) * way, (high - centre) * way) < _LEAST_HALF_TRAVEL:
            yield (
                ("channels", number, _set(channel, "travel_low", "centre_error", "travel_high")),
                f"the wiper is at {low:.0%} of its track at the low stop, at {centre:.0%} in the centre and at "
                f"{high:.0%} at the high stop; allowed: one way, {_LEAST_HALF_TRAVEL:.0%} or more on each side",
            )
    throttles = [number for number, channel in sticks if channel.name == profile.flight_controller.throttle]
    if not throttles:
        return
    index = throttles[0]
    settings = profile.receiver
    code = int(codes(profile, np.zeros((1, len(profile.channels)), np.int64))[0, index])
    width_us = pulse_table(settings.mapping, settings.low_us, settings.high_us)[code]
    if width_us > profile.requirements.idle_below_us:
        yield (
            ("channels", index, _set(profile.channels[index], "travel_low", "reversed")),
            f"the throttle's low stop is sent as code {code}, {_width(width_us)}, which is not idle; allowed: up to "
            f"{_width(profile.requirements.idle_below_us)} (see travel_low, travel_high, reversed and handset.mapping)",
        )


def _set(channel: Channel, *names: str) -> str:
    """Return the first of some settings that is not at its default, or the last."""
    plain = Channel(name="")
    return next((name for name in names if getattr(channel, name) != getattr(plain, name)), names[-1])


def _roles(profile: Profile) -> Iterator[Problem]:
    names = [channel.name for channel in profile.channels]
    fc = profile.flight_controller
    for key, wanted in (("throttle", fc.throttle), ("arm_channel", fc.arm_channel)):
        if wanted is not None and wanted not in names:
            yield ("flight_controller", key), f"no channel {wanted!r}{nearest(wanted, names)}"
    if fc.throttle in names and profile.channels[names.index(fc.throttle)].kind != "stick":
        yield (
            ("channels", names.index(fc.throttle), "kind"),
            f"the throttle channel {fc.throttle!r} is a switch; allowed: a stick",
        )


def _packets(profile: Profile) -> Iterator[Problem]:
    interval_us, jitter_us, timeout_us = (
        profile.handset.packet_interval_us, profile.handset.jitter_us, profile.receiver.timeout_us
    )  # fmt: skip
    length = profile.payload_bytes
    yield from _packet_bytes(profile)
    if length > PAYLOAD_LIMIT_BYTES:
        yield (
            ("channels",),
            f"a payload of {length} bytes (one per channel, and link id, counter, check byte where set) is too long; "
            f"allowed: {PAYLOAD_LIMIT_BYTES} bytes",
        )
        return
    if 2 * jitter_us > interval_us:
        yield (
            ("handset", "jitter"),
            f"{_time(jitter_us)} is more than half of a packet interval; allowed: up to {_time(interval_us // 2)}",
        )
        return
    yield from _air_time(profile, interval_us - jitter_us)
    if timeout_us < 2 * interval_us:
        yield (
            ("receiver", "timeout"),
            f"{_time(timeout_us)} is shorter than two packet intervals of {_time(interval_us)}, "
            f"so that one lost packet is a lost link; allowed: {_time(2 * interval_us)} or more",
        )


def _packet_bytes(profile: Profile) -> Iterator[Problem]:
    """Compare the bytes of the channels with the channels of a packet."""
    count, seen = profile.packet_channels, set[int]()
    for number, byte in enumerate(profile.packet_bytes):
        key = "packet_byte"
        if byte >= count:
            yield ("channels", number, key), f"byte {byte} is not among the {counted(count, 'channel')} of a packet"
        elif byte in seen:
            yield ("channels", number, key), f"byte {byte} is another channel's too; give each channel its own"
        seen.add(byte)


def _air_time(profile: Profile, room_us: int) -> Iterator[Problem]:
    """Compare the duration of a packet and its retries with the shortest time to the next packet."""
    handset, radio, flight_us = profile.handset, profile.radio, _flight_us(profile)
    if flight_us >= room_us:
        air_us = air_time_us(radio, profile.payload_bytes)
        yield (
            ("handset", "packet_interval"),
            f"a packet takes {_time(flight_us)} from settling to the receiver ({_time(air_us)} on the air), "
            f"longer than the packet interval of {_time(handset.packet_interval_us)} leaves; "
            f"allowed: more than {_time(flight_us + handset.jitter_us)}",
        )
        return
    if not radio.acknowledge:
        return
    if radio.retry_delay_us <= flight_us:
        yield (
            ("radio", "retry_delay"),
            f"{_time(radio.retry_delay_us)} is over before the packet has arrived; "
            f"allowed: more than {_time(flight_us)}",
        )
    last_us = radio.retries * radio.retry_delay_us + flight_us
    if last_us >= room_us:
        yield (
            ("radio", "retries"),
            f"{radio.retries} retries {_time(radio.retry_delay_us)} apart end {_time(last_us)} after the packet "
            f"left, after the next one leaves; allowed: less than {_time(room_us)}",
        )


def _flight_us(profile: Profile) -> int:
    radio = profile.radio
    return radio.settle_us + air_time_us(radio, profile.payload_bytes) + radio.latency_us + radio.latency_jitter_us


def _handset_loop(profile: Profile) -> Iterator[Problem]:
    """Compare a turn of the handset's main loop with the packet interval and its watchdog."""
    handset = profile.handset
    if handset.turn_us >= handset.packet_interval_us:
        yield (
            ("handset", "turn"),
            f"{_time(handset.turn_us)} is not shorter than the packet interval, so that not every packet can have new "
            f"readings; allowed: less than {_time(handset.packet_interval_us)}",
        )
    if 0 < handset.watchdog_us <= handset.turn_us:
        yield (
            ("handset", "watchdog"),
            f"{_time(handset.watchdog_us)} is over within a turn of the main loop, so that it resets a sound handset; "
            f"allowed: more than {_time(handset.turn_us)}, or 0 ms for none",
        )


def _battery(profile: Profile) -> Iterator[Problem]:
    """Compare the voltages of the handset's battery with each other and with the range of its ADC input."""
    battery, apart_mv = profile.battery, 2 * profile.battery_tolerance_mv
    if battery.input_range_mv is None:
        return
    for key, value_mv, least_mv, most_mv in (
        ("full", battery.full_mv, battery.input_range_mv // 4, battery.input_range_mv),
        ("warn", battery.warn_mv, battery.full_mv // 2, battery.full_mv - apart_mv),
        ("lowest", battery.lowest_mv, battery.full_mv // 2, battery.warn_mv - apart_mv),
    ):
        if not least_mv <= value_mv <= most_mv:
            yield (
                ("battery", key),
                f"{text_of(value_mv, 'voltage')} cannot be distinguished, with an input of "
                f"{text_of(battery.input_range_mv, 'voltage')}, from the voltages above it; allowed: "
                f"{text_of(least_mv, 'voltage')} to {text_of(most_mv, 'voltage')}",
            )


def _address(profile: Profile) -> Iterator[Problem]:
    """Compare the address of the handset's radio with the length of an address on the air."""
    address, count = profile.handset.address, profile.radio.address_bytes
    if address is not None and not re.fullmatch(f"[0-9a-fA-F]{{2}}(:[0-9a-fA-F]{{2}}){{{count - 1}}}", address):
        yield (
            ("handset", "address"),
            f"{address!r} is not an address of {counted(count, 'byte')} (radio.address_bytes); allowed: two "
            f"hexadecimal digits for each, separated by colons: {':'.join(_EXAMPLE_ADDRESS[:count])}",
        )


def _frames(profile: Profile) -> Iterator[Problem]:
    output, channels, sync_us = profile.output, len(profile.channels), profile.requirements.sync_at_least_us
    if channels > output.channels:
        yield (
            ("output", "channels"),
            f"{counted(channels, 'channel')} do not fit in a frame of {output.channels}; allowed: {channels} or more",
        )
    widest_us = _widest_us(profile)
    left_us = output.frame_period_us - output.channels * widest_us
    if output.style == "fixed gap" and output.frame_gap_us < sync_us:
        yield (
            ("output", "frame_gap"),
            f"{_time(output.frame_gap_us)} is shorter than the sync gap wanted; allowed: {_time(sync_us)} or more",
        )
    elif output.style == "fixed period" and left_us < sync_us:
        fit = max(0, (output.frame_period_us - sync_us) // widest_us)
        yield (
            ("output", "channels"),
            f"{counted(output.channels, 'channel')} do not fit in a frame of {_time(output.frame_period_us)}: "
            f"with sticks up {_time(max(0, left_us))} is left for the sync gap, {_time(sync_us)} is wanted; allowed: "
            f"{counted(fit, 'channel')}, or a frame period of {_time(output.channels * widest_us + sync_us)} or more",
        )


def _widths(profile: Profile) -> Iterator[Problem]:
    output, fc = profile.output, profile.flight_controller
    failsafes_us = [channel.failsafe_us for channel in profile.channels]
    shortest_us = min(profile.receiver.low_us, output.unused_us, *failsafes_us)
    if output.separator_us >= shortest_us:
        yield (
            ("output", "separator"),
            f"{_width(output.separator_us)} is as long as the shortest pulse; allowed: less than {_width(shortest_us)}",
        )
    for number, channel in enumerate(profile.channels):
        signals_failsafe = channel.name == fc.throttle and channel.failsafe_us < fc.failsafe_below_us
        if not signals_failsafe and not fc.least_pulse_us <= channel.failsafe_us <= fc.most_pulse_us:
            yield (
                ("channels", number, "failsafe"),
                f"the flight controller takes {_width(channel.failsafe_us)} for an invalid frame; "
                f"allowed: {_width(fc.least_pulse_us)} to {_width(fc.most_pulse_us)}",
            )
    frame_us = longest_frame_us(profile)
    if fc.signal_timeout_us <= 2 * frame_us:
        yield (
            ("flight_controller", "signal_timeout"),
            f"{_time(fc.signal_timeout_us)} is over after two frames; allowed: more than {_time(2 * frame_us)}",
        )


def longest_frame_us(profile: Profile) -> int:
    """Return the longest frame period."""
    output = profile.output
    if output.style == "fixed period":
        return output.frame_period_us
    return output.channels * _widest_us(profile) + output.frame_gap_us


def _widest_us(profile: Profile) -> int:
    """Return the widest pulse of regular frames, with all sticks up."""
    widest_us = max(2000, profile.receiver.high_us)
    has_unused = profile.output.channels > len(profile.channels)
    return max(widest_us, profile.output.unused_us) if has_unused else widest_us


def longest_cut_us(profile: Profile) -> tuple[int, int]:
    """Return the longest times of a correct receiver from link loss to its first idle pulse and to motor stop.

    They add up: the last packet in flight, timeout and hold by the receiver's clock, a frame that has just begun, the
    channels before the throttle in the next one, and for the motors the rest of that frame. Where the pulses cease in
    failsafe, that frame is the last one, and the flight controller's signal timeout follows for the motors.
    """
    output, fc = profile.output, profile.flight_controller
    padding_us = output.unused_us * (output.channels - len(profile.channels))
    until_us = sum(channel.failsafe_us for channel in profile.channels[: profile.throttle_index + 1])
    whole_us = sum(channel.failsafe_us for channel in profile.channels) + padding_us
    own_us = profile.cut_delay_us + longest_frame_us(profile)

    def real_us(us: int) -> int:
        return -(-us * 1_000_000 // (1_000_000 + profile.receiver.clock_error_ppm))

    flight_us = _flight_us(profile)
    if profile.receiver.pulses_cease:
        last_us = flight_us + real_us(own_us)
        return last_us, last_us + fc.least_sync_us + fc.signal_timeout_us
    return flight_us + real_us(own_us + until_us), flight_us + real_us(own_us + whole_us) + fc.least_sync_us


def most_recoveries_per_second(profile: Profile) -> float:
    """Return the highest recovery rate of a correct receiver on a flapping link."""
    receiver = profile.receiver
    back_us = max(receiver.recovery_us, (receiver.recovery_packets - 1) * profile.handset.packet_interval_us)
    return 1_000_000 / (profile.cut_delay_us + back_us)


def _limits(profile: Profile) -> Iterator[Problem]:
    limits = profile.requirements
    if profile.flight_controller.throttle in [channel.name for channel in profile.channels]:
        cut_us, motor_us = longest_cut_us(profile)
        whats = (
            ", a frame just begun, and the frame until its throttle pulse",
            ", a frame just begun, and the frame until the flight controller has it",
        )
        if profile.receiver.pulses_cease:
            whats = " and the last frame", ", the last frame, and the flight controller's signal timeout"
        for key, value_us, least_us, what in (
            ("cut_within", limits.cut_within_us, cut_us, whats[0]),
            ("motor_cut_within", limits.motor_cut_within_us, motor_us, whats[1]),
        ):
            if value_us < least_us:
                yield (
                    ("requirements", key),
                    f"{_time(value_us)} cannot be met: a packet on its way, timeout, hold{what} take "
                    f"{_time(least_us)}; allowed: {_time(least_us)} or more",
                )
    most = most_recoveries_per_second(profile)
    if limits.recoveries_per_second < most:
        yield (
            ("requirements", "recoveries_per_second"),
            f"{limits.recoveries_per_second:g} cannot be met: with its timeout, hold and recovery a receiver recovers "
            f"{most:.3g} times per second on a flapping link; allowed: {math.ceil(most * 10) / 10:g} or more, "
            "or a longer recovery",
        )
    silent_us = profile.flight_controller.signal_timeout_us + longest_frame_us(profile)
    if limits.motor_cut_within_us < silent_us:
        yield (
            ("requirements", "motor_cut_within"),
            f"{_time(limits.motor_cut_within_us)} cannot be met when the pulses stop: the flight controller's signal "
            f"timeout and one frame take {_time(silent_us)}; allowed: {_time(silent_us)} or more",
        )


def _clock(profile: Profile) -> Iterator[Problem]:
    """Compare the tolerances with the errors that the receiver's clock alone causes."""
    output, limits, ppm = profile.output, profile.requirements, abs(profile.receiver.clock_error_ppm)
    frame_us = output.frame_period_us if output.style == "fixed period" else output.frame_gap_us
    low_us, high_us = profile.receiver.low_us, profile.receiver.high_us
    for key, value_us, what, length_us, more_us in (
        ("value_tolerance", limits.value_tolerance_us, "pulses", _widest_us(profile), 0),
        ("centre_within", limits.centre_within_us, "pulses", (low_us + high_us) // 2, 2),
        ("ends_within", limits.ends_within_us, "pulses", high_us, 2),
        ("frame_period_tolerance", limits.frame_period_tolerance_us, "frames", frame_us, 2),
    ):
        off_us = (length_us * ppm + 500_000) // 1_000_000
        if off_us and value_us < off_us + more_us:
            yield (
                ("requirements", key),
                f"{_width(value_us)} cannot be met: with the receiver's clock {ppm} ppm off, {what} are "
                f"{_width(off_us)} off; allowed: {_width(off_us + more_us)} or more",
            )


#: Every rule, and the tables that it depends on.
_RULES: Final[Mapping[Callable[[Profile], Iterator[Problem]], frozenset[str]]] = {
    _waivers: frozenset({"requirements"}),
    _names: frozenset({"channels"}),
    _roles: frozenset({"channels", "flight_controller"}),
    _travels: frozenset({"channels", "handset", "receiver", "flight_controller", "requirements"}),
    _packets: frozenset({"channels", "handset", "radio", "receiver"}),
    _handset_loop: frozenset({"handset"}),
    _address: frozenset({"handset", "radio"}),
    _battery: frozenset({"battery", "handset"}),
    _frames: frozenset({"channels", "receiver", "output", "requirements"}),
    _widths: frozenset({"channels", "receiver", "output", "flight_controller"}),
    _limits: frozenset({"channels", "handset", "radio", "receiver", "output", "flight_controller", "requirements"}),
    _clock: frozenset({"channels", "receiver", "output", "requirements"}),
}


_OF_STICKS: Final = {StickWireBroken: True, SwitchBounces: False}
"""Faults of one kind of control only: whether of sticks; of another control they would do nothing."""


def wrong_channels(moves: Sequence[Any], faults: Sequence[Any], profile: Profile) -> Iterator[Problem]:
    """Yield moves and faults that do nothing: whose channel the link has not, or not as this kind of control.

    A radio that nobody can set up forgets nothing.

    None is a move or fault that could not be read.
    """
    sticks = {channel.name: channel.kind == "stick" for channel in profile.channels}
    for part, items in (("moves", moves), ("faults", faults)):
        for number, item in enumerate(items):
            if isinstance(item, BatteryFalls) and profile.battery.input_range_mv is None:
                yield (
                    (part, number, "fault"),
                    "the profile declares no input for the battery (battery.input_range), so that no program sees it",
                )
            if isinstance(item, HandsetRadioForgets) and profile.handset.address is None:
                yield (
                    (part, number, "fault"),
                    "the profile declares no address (handset.address), so that no program sets the radio up",
                )
            wanted, keys = getattr(item, "channel", None), (part, number, "channel")
            if wanted is None:
                continue
            if wanted not in sticks:
                yield keys, f"no channel {wanted!r}{nearest(wanted, sticks)}"
            elif sticks[wanted] is not _OF_STICKS.get(type(item), sticks[wanted]):
                is_, needed = ("stick", "switch") if sticks[wanted] else ("switch", "stick")
                others = [name for name, is_stick in sticks.items() if is_stick is not sticks[wanted]]
                allowed = f"allowed: {', '.join(others)}" if others else f"this link has no {needed}"
                yield keys, f"{wanted!r} is a {is_}, but {item.name!r} needs a {needed}; {allowed}"
