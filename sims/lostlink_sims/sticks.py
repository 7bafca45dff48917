"""Sticks and switches: positions over time, what the ADC reads of them, their codes, and the bytes of a packet."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np

from lostlink_sims.arrays import Bytes, Ints
from lostlink_sims.codes import (
    ADC_COUNTS,
    ADC_RULES,
    CALIBRATED,
    FULL_TRAVEL,
    MIDDLE_CODE,
    TOP_CODE,
    adc_reading,
    crc8_rows,
)
from lostlink_sims.profile import Channel, Profile
from lostlink_sims.scenario import BatteryFalls, Move


def _ppm(share: float) -> int:
    return round(share * FULL_TRAVEL)


def _position(times: list[int], positions: list[int], at_us: int) -> int:
    """Return the position at one instant, as `Programme._along` does for many."""
    after = bisect_right(times, at_us)
    left, right = after - 1, min(after, len(times) - 1)
    span = max(times[right] - times[left], 1)
    return positions[left] + (positions[right] - positions[left]) * (at_us - times[left]) // span


class Programme:
    """Stick positions over time: piecewise linear, from centred sticks, low switches and a low throttle."""

    def __init__(self, channels: Sequence[Channel], throttle: str, moves: Sequence[Move]) -> None:
        self._lines: list[tuple[Ints, Ints]] = []
        self._plain: list[tuple[list[int], list[int]]] = []
        for channel in channels:
            rests_low = channel.kind != "stick" or channel.name == throttle
            times, positions = [0], [0 if rests_low else FULL_TRAVEL // 2]
            for move in sorted((m for m in moves if m.channel == channel.name), key=lambda m: m.at_us):
                start = _position(times, positions, move.at_us)
                while times[-1] > move.at_us:  # a new movement ends one that is under way
                    times.pop()
                    positions.pop()
                times += [move.at_us, move.at_us + move.ramp_us]
                positions += [start, _ppm(move.position)]
            self._lines.append((np.array(times, np.int64), np.array(positions, np.int64)))
            self._plain.append((times, positions))

    @staticmethod
    def _along(line: tuple[Ints, Ints], at_us: Ints) -> Ints:
        times, positions = line
        after = np.searchsorted(times, at_us, side="right")
        left = after - 1
        right = np.minimum(after, len(times) - 1)
        along: Ints = positions[left]
        rise = positions[right] - along
        moving = np.flatnonzero(rise)  # few: sticks mostly rest
        if len(moving):
            left, right = left[moving], right[moving]
            span = np.maximum(times[right] - times[left], 1)
            along[moving] += rise[moving] * (at_us[moving] - times[left]) // span
        return along

    def position(self, channel: int, at_us: int) -> int:
        """Return the position of one channel at one instant."""
        return _position(*self._plain[channel], at_us)

    def last_move_us(self, channel: int, at_us: int) -> int | None:
        """Return when the last movement of a channel began; None if it has not moved."""
        begins = [time_us for time_us in self._plain[channel][0][1::2] if time_us <= at_us]
        return begins[-1] if begins else None

    def positions_of(self, channel: int, at_us: Ints) -> Ints:
        """Return an (n,) array of positions of one channel, 0 .. 1000000 between its stops."""
        times, positions = self._lines[channel]
        if len(times) == 1:
            return np.full(len(at_us), positions[0])
        return self._along((times, positions), at_us)

    def positions(self, at_us: Ints) -> Ints:
        """Return an (n, channels) array of positions, 0 .. 1000000 between the stops."""
        table = np.empty((len(at_us), len(self._lines)), np.int64)
        for column in range(len(self._lines)):
            table[:, column] = self.positions_of(column, at_us)
        return table


class Battery:
    """The voltage of the handset's battery over time: full, but where it falls."""

    def __init__(self, full_mv: int, faults: Iterable[object]) -> None:
        times, levels = [0], [full_mv]
        falls = [fault for fault in faults if isinstance(fault, BatteryFalls)]
        for fall in sorted(falls, key=lambda one: one.at_us):
            start = _position(times, levels, fall.at_us)
            while times[-1] > fall.at_us:  # a new fall ends one that is under way
                times.pop()
                levels.pop()
            times += [fall.at_us, fall.at_us + fall.ramp_us]
            levels += [start, fall.to_mv]
        self._line = times, levels
        self.bends = [(fall.at_us, fall.at_us + fall.ramp_us) for fall in falls]

    def at_mv(self, at_us: int) -> int:
        """Return the voltage at an instant."""
        return _position(*self._line, at_us)

    def below_us(self, level_mv: int, end_us: int) -> int:
        """Return from when the voltage stays below a level; `end_us` if it is not."""
        low, high = 0, end_us
        if self.at_mv(end_us) >= level_mv:
            return end_us
        while low < high:  # it only falls
            middle = (low + high) // 2
            low, high = (low, middle) if self.at_mv(middle) < level_mv else (middle + 1, high)
        return low


def wiper(channel: Channel, position: Ints) -> Ints:
    """Return the potentiometer's wiper position, linear from low stop to centre and from centre to high stop."""
    below, above = _wiper_lines(channel, position)
    wiped: Ints = np.where(position <= FULL_TRAVEL // 2, below, above)
    return wiped


def reading_at(channel: Channel, position: int) -> int:
    """Return the reading at one position, as ``adc_reading(wiper(...))``."""
    below, above = _wiper_lines(channel, position)
    track_ppm: int = below if position <= FULL_TRAVEL // 2 else above
    return min(max(track_ppm * ADC_COUNTS // FULL_TRAVEL, 0), ADC_COUNTS - 1)


def _wiper_lines(channel: Channel, position: Any) -> tuple[Any, Any]:
    low, middle, high = _ppm(channel.travel_low), _ppm(0.5 + channel.centre_error), _ppm(channel.travel_high)
    half = FULL_TRAVEL // 2
    return low + (middle - low) * position // half, middle + (high - middle) * (position - half) // half


def beyond(channel: Channel, counts: int) -> tuple[float, float]:
    """Return the positions of a stick at which its wiper is so many counts of the ADC beyond each stop.

    By less than a count more; the wiper's track may end before.
    """
    low, middle, high = channel.travel_low, 0.5 + channel.centre_error, channel.travel_high
    share = (counts + 0.5) / ADC_COUNTS / 2
    return -share / abs(middle - low), 1 + share / abs(high - middle)


SWITCH_CODES: Final = {"two-position switch": (0, TOP_CODE), "three-position switch": (0, MIDDLE_CODE, TOP_CODE)}
"""The codes of a switch in its positions, by its kind."""


def switch_place(channel: Channel, position: Ints | int) -> Ints:
    """Return which of its positions a switch is in, from 0 on."""
    places = len(SWITCH_CODES[channel.kind])
    place: Ints = np.clip(position * places // FULL_TRAVEL, 0, places - 1)
    return place


def stick_codes(profile: Profile, channel: Channel, readings: Ints) -> Ints:
    """Return the 8-bit codes that are sent for ADC readings of a stick, by the profile's rules."""
    mapping = profile.handset.mapping
    code = _calibrated(channel, readings) if mapping == CALIBRATED else ADC_RULES[mapping](readings)
    return TOP_CODE - code if channel.reversed else code


def _calibrated(channel: Channel, readings: Ints) -> Ints:
    low, centre, high = stops(channel)
    way = 1 if low < high else -1
    below = (readings - low) * way * MIDDLE_CODE // ((centre - low) * way)
    above = MIDDLE_CODE + (readings - centre) * way * (TOP_CODE - MIDDLE_CODE) // ((high - centre) * way)
    code: Ints = np.clip(np.where((readings - centre) * way < 0, below, above), 0, TOP_CODE)
    return code


def stops(channel: Channel) -> tuple[int, int, int]:
    """Return a stick's readings at its low stop, in its centre and at its high stop."""
    low, centre, high = adc_reading(wiper(channel, np.array([0, FULL_TRAVEL // 2, FULL_TRAVEL]))).tolist()
    return low, centre, high


def falls(profile: Profile, channel: Channel) -> bool:
    """Return whether a control's code falls from its low stop to its high stop."""
    is_wired_down = channel.travel_low > channel.travel_high and profile.handset.mapping != CALIBRATED
    return channel.reversed is not (channel.kind == "stick" and is_wired_down)


def codes_of(profile: Profile, channel: Channel, position: Ints) -> Ints:
    """Return the 8-bit codes of one channel for its positions, as `codes`."""
    if channel.kind == "stick":
        return stick_codes(profile, channel, adc_reading(wiper(channel, position)))
    code = np.array(SWITCH_CODES[channel.kind])[switch_place(channel, position)]
    return TOP_CODE - code if channel.reversed else code


def codes(profile: Profile, position: Ints, readings: Ints | None = None) -> Ints:
    """Return the 8-bit codes for stick positions by the profile's rules, without faults or noise.

    Parameters
    ----------
    position : (n, channels) ndarray of int64
        Millionths of the travel.
    readings : (n, channels) ndarray of int64, optional
        ADC readings to use instead of those for `position`.
    """
    table = np.empty(position.shape, np.int64)
    for column, channel in enumerate(profile.channels):
        if readings is None or channel.kind != "stick":
            table[:, column] = codes_of(profile, channel, position[:, column])
        else:
            table[:, column] = stick_codes(profile, channel, readings[:, column])
    return table


def layout(profile: Profile, code: Ints, counter: Ints, link_id: int | None = None) -> Bytes:
    """Return payload rows: one byte per channel, then link id, packet counter and check byte if configured.

    Bytes of channels that the profile does not name change with every packet, so that nothing may depend on them.

    Parameters
    ----------
    code : (n, channels) ndarray of int64
    counter : (n,) ndarray of int64
    link_id : int, optional
        Replaces the profile's.
    """
    others = np.arange(profile.packet_channels)
    whole = (37 * counter[:, None] + 101 * others[None, :]) & 0xFF
    whole[:, list(profile.packet_bytes)] = code
    columns = [whole.astype(np.uint8)]
    own_id = profile.handset.link_id
    if own_id is not None:
        columns.append(np.full((len(code), 1), own_id if link_id is None else link_id, np.uint8))
    if profile.handset.packet_counter:
        columns.append((counter & 0xFF).astype(np.uint8)[:, None])
    rows = np.concatenate(columns, axis=1)
    if profile.handset.check_byte:
        rows = np.concatenate([rows, crc8_rows(rows)[:, None]], axis=1)
    return rows
