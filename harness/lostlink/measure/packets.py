"""Packets of a handset compared with sticks and switches: codes, intervals, ages, counter, marks.

What a byte should be is calculated from the profile's declared mapping, never by the handset's program.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.results import Ints, largest, measured, number_of, positions_at, programme_of
from lostlink.verdicts import Measurement
from lostlink_sims import Profile, Trace
from lostlink_sims.codes import ADC_COUNTS, TOP_CODE, crc8_rows, pulse_table
from lostlink_sims.fates import ELSEWHERE
from lostlink_sims.handset_program import Alarm
from lostlink_sims.scenario import BatteryFalls
from lostlink_sims.sticks import Battery, codes, codes_of

CODES = "codes"
"""Unit of a difference of codes."""


def expected_codes(trace: Trace, at_us: Ints) -> Ints:
    """Return the codes for the stick positions at the given times, (n, channels)."""
    return codes(trace.profile, positions_at(trace, at_us))


def expected_code(trace: Trace, channel: int, at_us: Ints) -> Ints:
    """Return the codes of one channel, as `expected_codes`."""
    position = programme_of(trace).positions_of(channel, at_us)
    return codes_of(trace.profile, trace.profile.channels[channel], position)


def sent_codes(trace: Trace) -> Ints:
    """Return the codes in each packet, (n, channels); -1 where a packet is too short."""
    payload, where = trace.packets.payload, np.array(trace.profile.packet_bytes)
    table = payload[:, where].astype(np.int64)
    if trace.payload_lengths is not None:
        table[where[None, :] >= trace.payload_lengths[:, None]] = -1
    return table


def codes_at(trace: Trace, at_us: Ints) -> Ints:
    """Return the codes in the last packet that left until each time, (n, channels); -1 before the first."""
    table = sent_codes(trace)
    if not len(table):
        return np.full((len(at_us), len(trace.profile.channels)), -1, np.int64)
    index = np.searchsorted(trace.packets.left_us, at_us, side="right") - 1
    return np.where((index >= 0)[:, None], table[np.maximum(index, 0)], -1)


def code_error(trace: Trace, channel: int, at_us: Ints) -> Measurement:
    """Return the largest difference of a channel's code from the one for its stick position."""
    error = np.abs(codes_at(trace, at_us)[:, channel] - expected_code(trace, channel, at_us))
    return _largest(f"error of {_name(trace, channel)}", trace, error, at_us)


def bias(trace: Trace, channel: int, up_us: Ints, down_us: Ints) -> Measurement:
    """Return the largest difference of a channel's code from the one for its position, whichever way the stick came.

    A program with hysteresis is behind the stick on both ways, so that the code lies between what it sends on them; one
    with another mapping is off to the same side. The stops, which a stick reaches from one side only, are left out.

    Parameters
    ----------
    up_us, down_us : (n,) ndarray of int64
        Times at which the stick is at the same n positions, having come from below and from above.
    """
    wanted = expected_code(trace, channel, up_us)
    both = np.stack([codes_at(trace, up_us)[:, channel], codes_at(trace, down_us)[:, channel]])
    error = np.maximum(wanted - both.max(axis=0), both.min(axis=0) - wanted)
    error[(wanted == wanted.min()) | (wanted == wanted.max())] = 0
    return _largest(f"error of {_name(trace, channel)} on both ways", trace, np.maximum(error, 0), up_us)


def offset_from(trace: Trace, channel: int, code: int, at_us: int) -> Measurement:
    """Return the difference of a channel's code from a given one."""
    instants_us = np.array([at_us])
    error = np.abs(codes_at(trace, instants_us)[:, channel] - code)
    return _largest(f"offset of {_name(trace, channel)}", trace, error, instants_us)


def strays(trace: Trace, since_us: int, until_us: int, stick_us: int, switch_us: int) -> list[Measurement]:
    """Return for each channel how far its code in any packet is from all codes for the positions shortly before.

    Parameters
    ----------
    stick_us, switch_us : int
        How long before a packet the position of a stick, and of a switch, may have been read.

    Returns
    -------
    list of Measurement
        Infinite without packets.
    """
    names = [f"error of {channel.name} in any packet" for channel in trace.profile.channels]
    inside = _between(trace, since_us, until_us)
    left_us, sent = trace.packets.left_us[inside], sent_codes(trace)[inside]
    if not len(left_us):
        return [measured(trace, name, float("inf"), until_us, unit=CODES) for name in names]
    least, most = codes_shown(trace, left_us, stick_us, switch_us)
    error = np.maximum(np.maximum(least - sent, sent - most), 0)
    return [_largest(name, trace, error[:, index], left_us) for index, name in enumerate(names)]


def codes_shown(trace: Trace, left_us: Ints, stick_us: int, switch_us: int) -> tuple[Ints, Ints]:
    """Return the least and the greatest codes that the controls showed in a time before each packet, (n, channels).

    The ADC's noise is added.

    Parameters
    ----------
    stick_us, switch_us : int
        That time, for sticks and for switches.
    """
    profile = trace.profile
    is_stick = np.array([channel.kind == "stick" for channel in profile.channels])
    windows = (is_stick, stick_us), (~is_stick, switch_us)
    positions = [positions_at(trace, np.maximum(left_us - window_us, 0)) for _, window_us in windows]
    ends = np.stack([codes(profile, np.where(is_stick, *positions)), expected_codes(trace, left_us)])
    least, most = ends.min(axis=0), ends.max(axis=0)
    bends_us = {at_us for move in trace.scenario.moves for at_us in (move.at_us, move.at_us + move.ramp_us)}
    around_us = np.array(sorted({max(at_us - back, 0) for at_us in bends_us for back in (0, 1)}), np.int64)
    rows = expected_codes(trace, around_us)
    padded = np.concatenate([rows, rows[-1:]])  # the last end is behind the last row
    behind = np.searchsorted(around_us, left_us, side="right")
    for columns, window_us in windows:
        first = np.searchsorted(around_us, left_us - window_us)
        some = np.flatnonzero(first < behind)
        if len(some) and columns.any():
            bounds, cells = np.stack([first[some], behind[some]], axis=1).ravel(), np.ix_(some, columns)
            least[cells] = np.minimum(least[cells], np.minimum.reduceat(padded[:, columns], bounds)[::2])
            most[cells] = np.maximum(most[cells], np.maximum.reduceat(padded[:, columns], bounds)[::2])
    noise = profile.handset.adc_noise_counts if trace.scenario.ambient else 0
    counts = -(-noise * (TOP_CODE + 1) // ADC_COUNTS) + _battery_codes(trace)
    return least - counts * is_stick, most + counts * is_stick


def _battery_codes(trace: Trace) -> int:
    """Return by how many codes a program may be off that compensates its sticks for a falling battery."""
    falls = any(isinstance(fault, BatteryFalls) for fault in trace.scenario.faults)
    return int(falls and trace.profile.battery.moves_sticks)


def step_errors(trace: Trace, channel: int, since_us: int, until_us: int, *, falls: bool) -> Measurement:
    """Return how often a channel's code goes back while its stick moves one way."""
    inside = _between(trace, since_us, until_us)
    steps = np.diff(sent_codes(trace)[inside, channel])
    return number_of(
        f"steps back of {_name(trace, channel)}", trace,
        trace.packets.left_us[inside][1:][steps > 0 if falls else steps < 0],
    )  # fmt: skip


def distinct(trace: Trace, channel: int, since_us: int, until_us: int) -> Measurement:
    """Return the number of different codes of a channel in a time span."""
    seen = np.unique(sent_codes(trace)[_between(trace, since_us, until_us), channel])
    return measured(trace, f"distinct codes of {_name(trace, channel)}", len(seen), until_us, unit="")


def changes(trace: Trace, channel: int, since_us: int, until_us: int) -> Measurement:
    """Return how often a channel's code changes in a time span."""
    inside = _between(trace, since_us, until_us)
    changed = np.diff(sent_codes(trace)[inside, channel]) != 0
    return number_of(f"changes of {_name(trace, channel)}", trace, trace.packets.left_us[inside][1:][changed])


def crosstalk(trace: Trace, moved: int, since_us: int, until_us: int) -> Measurement:
    """Return the largest movement of any other channel's code while only the control of `moved` moves."""
    others = np.delete(sent_codes(trace)[_between(trace, since_us, until_us)], moved, axis=1)
    spread = np.ptp(others, axis=0) if others.size else np.zeros(1, np.int64)
    return _largest(
        f"movement of other channels with {_name(trace, moved)}", trace, spread, np.full(len(spread), until_us)
    )


def travel(trace: Trace, channel: int, begin_us: int, end_us: int, *, falls: bool = False) -> Measurement:
    """Return how far a channel's code goes up between two times, or down if it `falls`."""
    before, after = codes_at(trace, np.array([begin_us, end_us]))[:, channel].tolist()
    name = f"{'fall' if falls else 'rise'} of {_name(trace, channel)}"
    return measured(trace, name, before - after if falls else after - before, end_us, unit=CODES)


def highest_throttle(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the widest throttle pulse that the packets in a time span ask for; 0 without packets."""
    profile, inside = trace.profile, _between(trace, since_us, until_us)
    table = np.array(pulse_table(profile.receiver.mapping, profile.receiver.low_us, profile.receiver.high_us))
    asked = sent_codes(trace)[inside, profile.throttle_index]
    return largest("throttle asked for", trace, table[np.maximum(asked, 0)], trace.packets.left_us[inside])


# --- time -------------------------------------------------------------------------------------------------------


def longest_gap(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the longest time without a packet in a time span."""
    inside = trace.packets.left_us[_between(trace, since_us, until_us)]
    ends = np.concatenate([[since_us], inside, [until_us]])
    gaps = np.diff(ends)
    return largest("longest time without a packet", trace, gaps, ends[1:])


def interval_error(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the deviation of packet intervals from the one on the handset's clock that 99 % of them keep."""
    left_us = trace.packets.left_us[_between(trace, since_us, until_us)]
    intervals = np.diff(left_us)
    if not len(intervals):
        return measured(trace, "deviation of the packet interval", float("inf"), until_us)
    error = np.abs(intervals - round(nominal_us(trace.profile)))
    value = int(np.sort(error)[-1 - len(error) // 100])
    return measured(trace, "deviation of the packet interval (99 %)", value, int(left_us[1:][int(np.argmax(error))]))


def mean_interval_error(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the deviation of the mean packet interval from the one on the handset's clock."""
    left_us = trace.packets.left_us[_between(trace, since_us, until_us)]
    name = "deviation of the mean packet interval"
    if len(left_us) < 2:
        return measured(trace, name, float("inf"), until_us)
    mean_us = int(left_us[-1] - left_us[0]) / (len(left_us) - 1)
    return measured(trace, name, round(abs(mean_us - nominal_us(trace.profile)), 1), int(left_us[-1]))


def nominal_us(profile: Profile) -> float:
    """Return the time between packets by the profile, with the error of the handset's clock."""
    return profile.handset.packet_interval_us / (1 + profile.handset.clock_error_ppm / 1e6)


def _at_least(name: str, trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return a time that had not ended at `until_us`."""
    return Measurement(
        name=name, value=until_us - since_us, how_seen=trace.how_seen, only_at_least=True, at_us=until_us
    )


def delay(trace: Trace, channel: int, moved_us: int, until_us: int) -> Measurement:
    """Return the time from a step of a stick to the packet from which on all hold its new code."""
    wanted = int(expected_codes(trace, np.array([until_us - 1]))[0, channel])
    inside = _between(trace, moved_us, until_us)
    left_us, old = trace.packets.left_us[inside], np.abs(sent_codes(trace)[inside, channel] - wanted) > 1
    first = int(np.flatnonzero(old)[-1]) + 1 if old.any() else 0
    name = f"time until {_name(trace, channel)} is in the packets"
    if first == len(left_us):
        return _at_least(name, trace, moved_us, until_us)
    return measured(trace, name, int(left_us[first]) - moved_us, int(left_us[first]))


def is_elsewhere(trace: Trace) -> NDArray[np.bool_]:
    """Return which packets go to another address than the receiver's."""
    if ELSEWHERE not in trace.fates:
        return np.zeros(len(trace.packets.left_us), np.bool_)
    elsewhere: NDArray[np.bool_] = trace.packets.fate == trace.fates.index(ELSEWHERE)
    return elsewhere


def packets_elsewhere(trace: Trace) -> Measurement:
    """Return the number of packets that go to another address than the receiver's."""
    return number_of("packets to another address", trace, trace.packets.left_us[is_elsewhere(trace)])


def time_to_send(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return the time until the first packet to the receiver's address."""
    left_us = trace.packets.left_us[_between(trace, since_us, until_us) & ~is_elsewhere(trace)]
    name = "time until packets leave again"
    if not len(left_us):
        return _at_least(name, trace, since_us, until_us)
    return measured(trace, name, int(left_us[0]) - since_us, int(left_us[0]))


def time_to_warning(trace: Trace, since_us: int) -> Measurement:
    """Return the time from an instant until the pilot is warned of the battery from then on."""
    name, end_us, alarm = "time until the battery's warning", trace.scenario.duration_us, trace.alarm
    assert alarm is not None
    is_on = alarm.value & Alarm.BATTERY_LOW != 0
    if not len(is_on) or not is_on[-1]:
        return _at_least(name, trace, since_us, end_us)
    off = np.flatnonzero(~is_on)
    at_us = int(alarm.at_us[off[-1] + 1] if len(off) else alarm.at_us[0])
    return measured(trace, name, max(at_us - since_us, 0), at_us)


def false_warnings(trace: Trace, until_us: int) -> Measurement:
    """Return how often the pilot is warned of the battery before an instant."""
    assert trace.alarm is not None
    is_on = trace.alarm.value & Alarm.BATTERY_LOW != 0
    begins = is_on & ~np.concatenate([[False], is_on[:-1]]) & (trace.alarm.at_us < until_us)
    return number_of("warnings of a battery that is not low", trace, trace.alarm.at_us[begins])


def battery_passes_us(trace: Trace) -> tuple[int, int]:
    """Return from when on the battery may be, and from when it must be, taken for one that is low."""
    settings, end_us = trace.profile.battery, trace.scenario.duration_us
    battery = Battery(settings.full_mv, trace.scenario.faults)
    off_mv = trace.profile.battery_tolerance_mv
    return battery.below_us(settings.warn_mv + off_mv, end_us), battery.below_us(settings.warn_mv - off_mv, end_us)


def time_to_stand(trace: Trace, hung_us: int, until_us: int) -> Measurement:
    """Return the time from a hang until no packet comes any more that a receiver takes for a new one."""
    fresh = _between(trace, hung_us, until_us)
    at = trace.profile.counter_byte
    if at is not None:
        fresh = fresh & np.concatenate([[True], np.diff(trace.packets.payload[:, at].astype(np.int64)) != 0])
    left_us = trace.packets.left_us[fresh]
    last_us = int(left_us[-1]) if len(left_us) else hung_us
    return measured(trace, "time until packets cease or repeat their counter", last_us - hung_us, last_us)


# --- marks ------------------------------------------------------------------------------------------------------


def wrong_packets(trace: Trace) -> Measurement:
    """Return the number of packets without the declared length, link id or check byte."""
    wrong = is_wrong(trace)
    return number_of("packets with a wrong length, link id or check byte", trace, trace.packets.left_us[wrong])


def is_wrong(trace: Trace) -> NDArray[np.bool_]:
    """Return which packets lack the declared length, link id or check byte: no receiver should accept one."""
    return _wrong_marks(trace.profile, trace.packets.payload, trace.payload_lengths)


def what_is_wrong(trace: Trace) -> str:
    """Return what is wrong with the first wrong packet, in words; empty if none is."""
    profile, payload = trace.profile, trace.packets.payload
    wrong = np.flatnonzero(is_wrong(trace))
    if not len(wrong):
        return ""
    first = int(wrong[0])
    length = profile.payload_bytes if trace.payload_lengths is None else int(trace.payload_lengths[first])
    if length != profile.payload_bytes:
        return f"it has {length} bytes; the profile declares {profile.payload_bytes}"
    link_id = profile.handset.link_id
    if link_id is not None and payload[first, profile.packet_channels] != link_id:
        sent = int(payload[first, profile.packet_channels])
        return f"byte {profile.packet_channels} is {sent}; the link id is {link_id}"
    return f"byte {profile.payload_bytes - 1} is not the CRC-8 of the bytes before it"


def what_differs(trace: Trace) -> str:
    """Return in words what in a run's packets is not as the profile declares: marks, counter, interval, or a code.

    Codes are those of the last packet, when the controls rest; they may be one off.
    """
    packets, profile = trace.packets, trace.profile
    if not len(packets.left_us):
        return "none came"
    if wrong := what_is_wrong(trace):
        return wrong
    at = profile.counter_byte
    if at is not None:
        counts = packets.payload[:, at].astype(np.int64)
        repeated = int((np.diff(counts) == 0).sum())
        if 2 * repeated > len(counts):
            return f"byte {at}, the counter, is the same in {repeated} of {len(counts)} packets as in the one before"
    mean_us = (packets.left_us[-1] - packets.left_us[0]) / max(len(packets.left_us) - 1, 1)
    if abs(mean_us - nominal_us(profile)) > profile.handset.jitter_us + profile.handset.packet_interval_us / 2:
        nominal_ms = profile.handset.packet_interval_us / 1000
        return f"they leave every {round(mean_us / 1000, 1):g} ms; the packet interval is {nominal_ms:g} ms"
    wanted = expected_codes(trace, packets.left_us[-1:])[0]
    last = sent_codes(trace)[-1].tolist()
    for channel, byte, code, sent in zip(profile.channels, profile.packet_bytes, wanted.tolist(), last, strict=True):
        if abs(code - sent) > 1:
            return f"byte {byte} is {sent}; the position of {channel.name} gives {code}"
    return ""


def _wrong_marks(profile: Profile, payload: NDArray[np.uint8], lengths: Ints | None) -> NDArray[np.bool_]:
    wrong = np.zeros(len(payload), np.bool_) if lengths is None else lengths != profile.payload_bytes
    rows = payload[:, : profile.payload_bytes]
    if profile.handset.link_id is not None:
        wrong = wrong | (rows[:, profile.packet_channels] != profile.handset.link_id)
    if profile.handset.check_byte:
        wrong = wrong | (crc8_rows(rows) != 0)
    return wrong


def counter_errors(trace: Trace, since_us: int, until_us: int) -> Measurement:
    """Return how often the packet counter does not go on by one, modulo 256."""
    at = trace.profile.counter_byte
    assert at is not None
    inside = _between(trace, since_us, until_us)
    steps = np.diff(trace.packets.payload[inside, at].astype(np.int64)) & 0xFF
    return number_of("wrong steps of the packet counter", trace, trace.packets.left_us[inside][1:][steps != 1])


# ----------------------------------------------------------------------------------------------------------------


def _between(trace: Trace, since_us: int, until_us: int) -> NDArray[np.bool_]:
    left_us = trace.packets.left_us
    return (left_us >= since_us) & (left_us < until_us)


def _name(trace: Trace, channel: int) -> str:
    return trace.profile.channels[channel].name


def _largest(name: str, trace: Trace, values: Ints, at_us: Ints) -> Measurement:
    index = int(np.argmax(values))
    return measured(trace, name, int(values[index]), int(at_us[index]), unit=CODES)
