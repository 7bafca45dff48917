"""The handset: stick positions, ADC readings, codes, payloads and packet times.

All of it is independent of packet losses and is calculated ahead, a tile of slots at a time.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from lostlink_sims.arrays import Bytes, Ints, Mask
from lostlink_sims.codes import ADC_COUNTS, adc_reading
from lostlink_sims.profile import Profile
from lostlink_sims.scenario import (
    HandsetHung,
    HandsetLoopHung,
    HandsetOff,
    HandsetRadioBusy,
    HandsetRadioDead,
    HandsetRadioForgets,
    HandsetReset,
    LastingFault,
    Scenario,
    StickWireBroken,
)
from lostlink_sims.sticks import Programme, codes, layout, wiper
from lostlink_sims.streams import BLOCK, Purpose, Streams

_FLOATS = -1
TILE = 64 * BLOCK
"""Maximum number of slots calculated at once."""


@dataclass(slots=True)
class Slots:
    """Packets that leave the handset.

    Attributes
    ----------
    first : int
        Index of the first slot since the scenario began.
    left_us : (n,) ndarray of int64
        When each packet is handed to the radio.
    payload : (n, bytes) ndarray of uint8
    lengths : (n,) ndarray of int64, optional
        Bytes of each payload; left out, all.
    elsewhere : (n,) ndarray of bool, optional
        Whether each goes to another address than the receiver's; left out, none does.
    """

    first: int
    left_us: Ints
    payload: Bytes
    lengths: Ints | None = None
    elsewhere: Mask | None = None


def silent_spans(scenario: Scenario, watchdog_us: int) -> list[tuple[int, int]]:
    """Return the time spans in which the main loop hangs, at most until the watchdog resets it."""
    spans = hang_spans(HandsetLoopHung, scenario)
    return [(at_us, min(until_us, at_us + watchdog_us)) for at_us, until_us in spans] if watchdog_us else spans


def hang_spans(kind: type[HandsetHung | HandsetLoopHung], scenario: Scenario) -> list[tuple[int, int]]:
    """Return the time spans of hangs.

    One ends with the fault, or with a reset or the end of the supply before that; without a supply nothing hangs.
    """
    ends = sorted(fault.at_us for fault in scenario.faults if isinstance(fault, HandsetReset | HandsetOff))
    off = [(0, scenario.handset_on_us), *spans_of(HandsetOff, scenario)]
    return [
        (at_us, min([until_us, *(end_us for end_us in ends if end_us > at_us)]))
        for at_us, until_us in spans_of(kind, scenario)
        if not any(off_us <= at_us < on_us for off_us, on_us in off)
    ]


def spans_of(kind: type[LastingFault], scenario: Scenario) -> list[tuple[int, int]]:
    """Return the time spans in which faults of a kind last."""
    faults = [fault for fault in scenario.faults if isinstance(fault, kind)]
    return [(fault.at_us, fault.until_us(scenario.duration_us)) for fault in faults]


def dead_spans(scenario: Scenario) -> list[tuple[int, int]]:
    """Return the time spans in which the radio is dead, and as empty ones the instants at which it forgets only."""
    forgets = [(fault.at_us, fault.at_us) for fault in scenario.faults if isinstance(fault, HandsetRadioForgets)]
    return sorted([*spans_of(HandsetRadioDead, scenario), *forgets])


def reset_times(scenario: Scenario, watchdog_us: int) -> list[int]:
    """Return the instants of resets, the watchdog's included."""
    hung = hang_spans(HandsetLoopHung, scenario) if watchdog_us else []
    bites = [at_us + watchdog_us for at_us, until_us in hung if at_us + watchdog_us < until_us]
    return sorted([*(fault.at_us for fault in scenario.faults if isinstance(fault, HandsetReset)), *bites])


def on_times(scenario: Scenario, watchdog_us: int = 0) -> list[tuple[int, int]]:
    """Return the time spans from each power-on or reset of the handset to the next, boot time included."""
    start, end = scenario.handset_on_us, scenario.duration_us
    spans: list[tuple[int, int]] = []
    for off_us, on_us in sorted(
        [*spans_of(HandsetOff, scenario), *((at_us, at_us) for at_us in reset_times(scenario, watchdog_us))]
    ):
        is_reset = off_us == on_us
        if is_reset and off_us < start:  # without a supply only the supply's return begins anything
            continue
        if off_us > start:
            spans.append((start, off_us))
        start = max(start, on_us)
    if start < end:
        spans.append((start, end))
    return spans


def packet_phase_us(profile: Profile, scenario: Scenario, draws: Streams) -> int:
    """Return how late the handset's program begins after its first power-on."""
    if scenario.packet_phase_us is not None:
        return scenario.packet_phase_us
    return int(draws.below(Purpose.PHASES, 0, 1, profile.handset.packet_interval_us)[0])


class Handset:
    """The handset of one scenario."""

    def __init__(self, profile: Profile, scenario: Scenario, draws: Streams) -> None:
        self._profile = profile
        self._scenario = scenario
        self._draws = draws
        self._programme = Programme(profile.channels, profile.flight_controller.throttle, scenario.moves)
        self._hung = hang_spans(HandsetHung, scenario)
        self._broken = [fault for fault in scenario.faults if isinstance(fault, StickWireBroken)]
        self._floats = any(fault.rail == "floats" for fault in self._broken)
        self._last_row: Bytes | None = None

    def slots(self) -> Iterator[Slots]:
        """Yield all packets of the scenario in order, at most `TILE` at a time."""
        handset = self._profile.handset
        phase_us = packet_phase_us(self._profile, self._scenario, self._draws)
        silent = silent_spans(self._scenario, handset.watchdog_us) + spans_of(HandsetRadioBusy, self._scenario)
        notices_us = 0 if handset.address is None else handset.packet_interval_us  # the packet that the radio refuses
        silent += [(at_us, until_us + notices_us) for at_us, until_us in dead_spans(self._scenario)]
        index, earliest_us = 0, 0
        for start_us, end_us in on_times(self._scenario, handset.watchdog_us):
            base_us = start_us + handset.boot_us + (phase_us if index == 0 else 0)
            base_us = max(base_us, earliest_us)
            count = 0  # packets since this power-on
            while True:
                left_us = self._left(base_us, count, index)
                whole = len(left_us)
                left_us = left_us[: np.searchsorted(left_us, end_us)]
                due = len(left_us)
                for from_us, until_us in silent:
                    left_us = left_us[(left_us < from_us) | (left_us >= until_us)]
                if len(left_us):
                    # Off for less than an interval: the packet under way ends before the next one leaves.
                    earliest_us = int(left_us[-1]) + handset.packet_interval_us
                    yield Slots(index, left_us, self._payload(index, count, left_us))
                index += len(left_us)
                count += due
                if due < whole:
                    break

    def _let_float(self, readings: Ints) -> None:
        """Give inputs that float what the stick before them reads, the first the last."""
        sticks = [column for column, channel in enumerate(self._profile.channels) if channel.kind == "stick"]
        for before, column in [*itertools.pairwise(sticks), (sticks[-1], sticks[0]), *itertools.pairwise(sticks)]:
            floats = readings[:, column] == _FLOATS
            readings[floats, column] = readings[floats, before]
        readings[readings == _FLOATS] = ADC_COUNTS // 2

    def _left(self, base_us: int, count: int, index: int) -> Ints:
        handset = self._profile.handset
        n = TILE - index % BLOCK  # later tiles begin with a block of numbers
        own_us = np.arange(count, count + n) * handset.packet_interval_us
        error = handset.clock_error_ppm
        left_us: Ints = base_us + own_us - own_us * error // (1_000_000 + error)
        if handset.jitter_us:
            left_us += self._draws.below(Purpose.PACKET_JITTER, index, n, handset.jitter_us + 1)
        return left_us

    def _payload(self, index: int, count: int, left_us: Ints) -> Bytes:
        profile, n = self._profile, len(left_us)
        position = self._programme.positions(left_us)
        readings = np.empty(position.shape, np.int64)
        noise = profile.handset.adc_noise_counts if self._scenario.ambient else 0
        for column, channel in enumerate(profile.channels):
            reading = adc_reading(wiper(channel, position[:, column]))
            if noise:
                reading += self._draws.below(Purpose.ADC_NOISE + column, index, n, 2 * noise + 1) - noise
                reading = np.clip(reading, 0, ADC_COUNTS - 1)
            for fault in self._broken:
                if fault.channel == channel.name:
                    inside = (left_us >= fault.at_us) & (left_us < fault.until_us(self._scenario.duration_us))
                    reading[inside] = {"low": 0, "high": ADC_COUNTS - 1}.get(fault.rail, _FLOATS)
            readings[:, column] = reading
        if self._floats:
            self._let_float(readings)
        rows = layout(profile, codes(profile, position, readings), np.arange(count, count + n))
        for hung_us, until_us in self._hung:
            inside = (left_us >= hung_us) & (left_us < until_us)
            if inside.any():
                before = int(np.argmax(inside)) - 1
                last = rows[before] if before >= 0 else self._last_row
                rows[inside] = rows[0] if last is None else last
        self._last_row = rows[-1].copy()
        return rows
