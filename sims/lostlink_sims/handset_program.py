"""The handset interface and the reference handset.

A handset is firmware without its hardware: it gets a sweep of ADC readings and the switches, and hands payloads over to
the radio. `clock_us` is its own 32-bit counter, as a receiver's: programs compare *differences*, never instants.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import IntEnum
from typing import Final, Protocol

import numpy as np

from lostlink_sims.codes import ADC_COUNTS, TOP_CODE, crc8, pulse_table
from lostlink_sims.profile import BatterySettings, Channel, Profile
from lostlink_sims.sticks import SWITCH_CODES, stick_codes

MASK: Final = 0xFFFF_FFFF
IDLE_CODE: Final = 0
"""What is sent in place of a throttle that may not be sent."""
_DEBOUNCE_US: Final = 15_000
"""Longer than contacts bounce; common practice, no source."""


class Cause(IntEnum):
    """Why a program begins, as a microcontroller's reset register tells it."""

    POWER_ON = 0
    RESET = 1


class Sent(IntEnum):
    """What became of a payload."""

    OUT = 0  # its last bit was sent, where nothing is acknowledged
    ANSWERED = 1  # the receiver has acknowledged it
    GIVEN_UP = 2  # it was sent again as often as the link says, without an acknowledgement
    BUSY = 3  # the radio was still sending and did not take it
    DEAD = 4  # the radio does not answer, or is not set up


class Alarm(IntEnum):
    """Bits of a program's warnings to the pilot."""

    BATTERY_LOW = 1


class HandsetProgram(Protocol):
    """Interface of a handset; constructed with the profile at every power-on and reset.

    A program may also have ``interrupt(clock_us)``, which a timer calls once in each packet interval, also while the
    main loop hangs, and which returns a payload or None; and ``sent(clock_us, result)``, called when the radio is done.
    Where the profile declares an address it has ``radio(clock_us)``, asked after `power_on`, each turn and each `sent`:
    the address as bytes if the program has written the radio's registers since it was last asked, else None. Where it
    declares an input for the battery, that is the last reading, and it has ``alarm(clock_us)``, asked after each turn:
    the sum of the warnings, as `Alarm`, that the pilot has now.
    """

    def power_on(self, clock_us: int, cause: int) -> None: ...

    def turn(self, clock_us: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        """Run one turn of the main loop with a new sweep; return the clock at which the next is wanted.

        None: the next comes after `sent`.

        Parameters
        ----------
        readings : sequence of int
            0 .. 1023, of each stick in the order of the profile.
        switches : sequence of int
            0, 1 or 2, of each switch in the order of the profile; contacts bounce.
        """
        ...

    def packet(self, clock_us: int) -> bytes | None:
        """Return a payload of 1 .. 32 bytes for the radio, or None; asked after each turn and each `sent`."""
        ...


LEAST_MARGIN: Final = 0.02
"""Share of the track that a stick's travel must leave at an end, to tell a broken wire there from a stop."""


def tells_break(channel: Channel, rail: str) -> bool:
    """Return whether a reading at a rail is beyond every position of a stick."""
    if rail == "floats":
        return False
    ends = channel.travel_low, channel.travel_high
    return min(ends) >= LEAST_MARGIN if rail == "low" else max(ends) <= 1 - LEAST_MARGIN


def idle_rail(throttle: Channel) -> str:
    """Return the rail beyond the low stop of a throttle."""
    return "low" if throttle.travel_low < throttle.travel_high else "high"


HandsetFactory = Callable[[Profile], HandsetProgram]


class _Contact:
    """A switch: a new position counts when it has stood for `_DEBOUNCE_US`."""

    def __init__(self) -> None:
        self.position: int | None = None
        self._seen, self._since_us = 0, 0

    def look(self, clock_us: int, position: int) -> int:
        if self.position is None:
            self.position = self._seen = position
        if position != self._seen:
            self._seen, self._since_us = position, clock_us
        elif position != self.position and (clock_us - self._since_us) & MASK >= _DEBOUNCE_US:
            self.position = position
        return self.position


class BatteryGauge:
    """What the reference makes of the battery's reading: a mean over some sweeps, a warning, and compensated sticks."""

    def __init__(self, battery: BatterySettings) -> None:
        self._settings, self._mean = battery, 0  # in sixteenths of a count
        self.is_low = False
        self._full, self._warn = battery_counts(battery)

    def take(self, readings: Sequence[int]) -> Sequence[int]:
        """Take the battery's reading off; return those of the sticks, as with a full battery."""
        if self._settings.input_range_mv is None:
            return readings
        *sticks, last = readings
        self._mean = self._mean + last - self._mean // 16 if self._mean else 16 * last
        self.is_low = self._mean // 16 < self._warn + 4 * self.is_low
        if not self._settings.moves_sticks:
            return sticks
        return [min((2 * a + 1) * self._full // (2 * self._mean + 16), ADC_COUNTS - 1) for a in sticks]


def battery_counts(battery: BatterySettings) -> tuple[int, int]:
    """Return the readings of the full battery, in sixteenths of a count, and of one of which the pilot is warned."""
    range_mv = battery.input_range_mv
    if range_mv is None:
        return 0, 0
    return 16 * ADC_COUNTS * battery.full_mv // range_mv, ADC_COUNTS * battery.warn_mv // range_mv


class ReferenceHandset:
    """The reference handset: sends each sweep at its packet rate, debounces, waits for a low throttle at power-on."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._controls = [
            (_codes_of(profile, one), None if one.kind == "stick" else _Contact()) for one in profile.channels
        ]
        self._next_us = 0
        self._counter = 0
        self._payload: bytes | None = None
        self._throttle = profile.throttle_index
        throttle = profile.channels[self._throttle]
        self._throttle_stick = sum(one.kind == "stick" for one in profile.channels[: self._throttle])
        self._tells_low = throttle.kind == "stick" and tells_break(throttle, "low")
        self._tells_high = throttle.kind == "stick" and tells_break(throttle, "high")
        self._bytes, self._packet_channels = profile.packet_bytes, profile.packet_channels
        self._idle = idle_codes(profile)
        self._waits = False
        self._sets_up = True  # the radio, when it is next asked
        self._battery = BatteryGauge(profile.battery)

    def power_on(self, clock_us: int, cause: int) -> None:
        self._next_us = clock_us
        settings = self._profile.handset
        rule = settings.at_power_on if cause == Cause.POWER_ON else settings.after_reset
        self._waits = rule == "waits for low throttle"

    def turn(self, clock_us: int, readings: Sequence[int], switches: Sequence[int]) -> int:
        readings = self._battery.take(readings)
        codes = self._codes(clock_us, readings, switches)
        throttle = self._throttle
        is_broken = self._is_broken(readings)
        if codes[throttle] in self._idle and not is_broken:
            self._waits = False
        if is_broken or self._waits:
            codes[throttle] = IDLE_CODE
        self._payload = self._layout(codes)
        self._next_us = (self._next_us + self._profile.handset.packet_interval_us) & MASK
        return self._next_us

    def _codes(self, clock_us: int, readings: Sequence[int], switches: Sequence[int]) -> list[int]:
        sticks, positions = iter(readings), iter(switches)
        return [
            table[next(sticks)] if contact is None else table[contact.look(clock_us, next(positions))]
            for table, contact in self._controls
        ]

    def _is_broken(self, readings: Sequence[int]) -> bool:
        """Return whether the throttle's reading is beyond every position of its stick."""
        if not (self._tells_low or self._tells_high):
            return False
        reading, half = readings[self._throttle_stick], LEAST_MARGIN / 2 * ADC_COUNTS
        return (self._tells_low and reading < half) or (self._tells_high and reading > ADC_COUNTS - half)

    def _layout(self, codes: list[int]) -> bytes:
        handset = self._profile.handset
        payload = bytearray(self._packet_channels)
        for byte, code in zip(self._bytes, codes, strict=True):
            payload[byte] = code
        if handset.link_id is not None:
            payload.append(handset.link_id)
        if handset.packet_counter:
            payload.append(self._counter)
            self._counter = (self._counter + 1) & 0xFF
        if handset.check_byte:
            payload.append(crc8(payload))
        return bytes(payload)

    def packet(self, clock_us: int) -> bytes | None:
        payload, self._payload = self._payload, None
        return payload

    def sent(self, clock_us: int, result: int) -> None:
        self._sets_up = result == Sent.DEAD

    def alarm(self, clock_us: int) -> int:
        return Alarm.BATTERY_LOW if self._battery.is_low else 0

    def radio(self, clock_us: int) -> bytes | None:
        sets_up, self._sets_up = self._sets_up, False
        return self._profile.handset.own_address if sets_up else None


def _codes_of(profile: Profile, channel: Channel) -> list[int]:
    """Return the code of each reading of a stick, or of each position of a switch."""
    if channel.kind == "stick":
        codes: list[int] = stick_codes(profile, channel, np.arange(ADC_COUNTS)).tolist()
        return codes
    return [TOP_CODE - code if channel.reversed else code for code in SWITCH_CODES[channel.kind]]


def idle_codes(profile: Profile) -> frozenset[int]:
    """Return the throttle codes that give an idle pulse by the profile's mapping."""
    settings = profile.receiver
    table = pulse_table(settings.mapping, settings.low_us, settings.high_us)
    return frozenset(code for code, width_us in enumerate(table) if width_us <= profile.requirements.idle_below_us)
