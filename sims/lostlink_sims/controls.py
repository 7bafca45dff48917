"""Sticks, switches and battery of a handset as the pins of its microcontroller see them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink_sims.arrays import Ints
from lostlink_sims.clock import FAR_US
from lostlink_sims.codes import ADC_COUNTS
from lostlink_sims.handset import spans_of
from lostlink_sims.profile import Channel, Profile
from lostlink_sims.scenario import Scenario, StickWireBroken, SwitchBounces
from lostlink_sims.sticks import Battery, Programme, reading_at, switch_place
from lostlink_sims.streams import Purpose, Streams

CONTACT_US: Final = 200
"""A bouncing contact keeps a state for so long."""
BATTERY_INPUT: Final = 47
"""Number of its stream of noise; channels have those below."""
FETCHED: Final = 1024
"""Random numbers of a stream that are fetched at once."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What the pins see while no control moves.

    Attributes
    ----------
    until_us : int
        When one begins to move.
    readings : tuple of int
        Without noise.
    has_noise : tuple of bool
    switches : tuple of int
    """

    until_us: int
    readings: tuple[int, ...]
    has_noise: tuple[bool, ...]
    switches: tuple[int, ...]


class Controls:
    """Sticks and switches as the program's pins see them.

    Parameters
    ----------
    profile : Profile
    scenario : Scenario
    draws : Streams

    Attributes
    ----------
    changes_us : list of int
        When a control begins or ends to move, and a wire to be broken, in order.
    moving_us : list of (int, int, bool)
        Ramps, and from a move on the time in which contacts bounce (true).
    is_noisy : bool
        Whether readings at rest change.
    sweeps : int
        Sweeps so far, those at rest without noise left out.
    """

    def __init__(self, profile: Profile, scenario: Scenario, draws: Streams) -> None:
        self._draws = draws
        self._programme = Programme(profile.channels, profile.flight_controller.throttle, scenario.moves)
        self._noise = profile.handset.adc_noise_counts if scenario.ambient else 0
        numbered = list(enumerate(profile.channels))
        self._sticks = [(number, channel) for number, channel in numbered if channel.kind == "stick"]
        self._switches = [(number, channel) for number, channel in numbered if channel.kind != "stick"]
        self.sweeps = 0
        self._battery, self._gauge = Battery(profile.battery.full_mv, scenario.faults), profile.battery
        self._end_us = scenario.duration_us
        self._broken = [fault for fault in scenario.faults if isinstance(fault, StickWireBroken)]
        self._bounces = [fault for fault in scenario.faults if isinstance(fault, SwitchBounces)]
        bounce_us = max((fault.bounce_us for fault in self._bounces), default=0)
        moving = [(move.at_us, move.at_us + move.ramp_us + bounce_us) for move in scenario.moves]
        moving += self._battery.bends
        broken = spans_of(StickWireBroken, scenario)
        self.changes_us = sorted({at_us for span in (*moving, *broken) for at_us in span})
        ramps = [(move.at_us, move.at_us + move.ramp_us, False) for move in scenario.moves if move.ramp_us]
        bouncing = {fault.channel: fault.bounce_us for fault in self._bounces}
        self.moving_us = ramps + [
            (move.at_us, move.at_us + bouncing[move.channel], True)
            for move in scenario.moves if move.channel in bouncing
        ]  # fmt: skip
        self.is_noisy = bool(self._noise)
        self._moving = _joined(moving)
        self._rests_until_us = -1
        self._kept: tuple[tuple[int, ...], tuple[int, ...]] = ((), ())
        self._rest: tuple[int, Rest] | None = None  # since when
        self._noisy_inputs = [number for number, _ in self._sticks]
        if self._gauge.input_range_mv is not None:
            self._noisy_inputs.append(BATTERY_INPUT)
        self._piece, self._counts = -1, np.zeros((0, FETCHED), np.int64)
        self._counts_of: dict[int, list[int]] = {}
        self._last = {number: (-1, 0) for number, _ in self._sticks}  # position and reading

    def sweep(self, now_us: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Return readings of the sticks and positions of the switches at an instant, which is later each time."""
        if now_us < self._rests_until_us:
            return self._kept
        readings = self._floating([self._reading(number, channel, now_us) for number, channel in self._sticks])
        if self._gauge.input_range_mv is not None:
            readings = (*readings, self._battery_reading(now_us, self._gauge.input_range_mv))
        switches = tuple(self._contact(number, channel, now_us) for number, channel in self._switches)
        self.sweeps += 1
        self._kept = readings, switches
        if not self._noise:
            self._rests_until_us = self._rest_until(now_us)
        return self._kept

    def rest(self, now_us: int) -> Rest | None:
        """Return what the pins see from an instant on; None while a control moves or an input floats."""
        if self._rest is not None and self._rest[0] <= now_us < self._rest[1].until_us:
            return self._rest[1]
        until_us = self._rest_until(now_us)
        if until_us == now_us:
            return None
        inputs = [self._still(number, channel, now_us) for number, channel in self._sticks]
        if self._gauge.input_range_mv is not None:
            inputs.append((self._battery_counts(now_us, self._gauge.input_range_mv), True))
        readings = [reading for reading, _ in inputs if reading is not None]
        if len(readings) < len(inputs):
            return None
        switches = tuple(self._contact(number, channel, now_us) for number, channel in self._switches)
        rest = Rest(until_us, tuple(readings), tuple(is_noisy for _, is_noisy in inputs), switches)
        self._rest = now_us, rest
        return rest

    def noise(self) -> Ints | None:
        """Return the noise of each input for the sweeps from a multiple of `FETCHED` on; None without noise.

        Returns
        -------
        (inputs, FETCHED) ndarray of int64 or None
            The next sweep's is at `sweeps` modulo `FETCHED`.
        """
        if not self._noise:
            return None
        self._fetch()
        return self._counts

    def _fetch(self) -> None:
        """Draw the noise of the next sweep and of those around it, if it is not there."""
        piece = self.sweeps // FETCHED
        if self._piece == piece:
            return
        streams, limit = (Purpose.ADC_NOISE + number for number in self._noisy_inputs), 2 * self._noise + 1
        rows = [self._draws.below(stream, piece * FETCHED, FETCHED, limit) for stream in streams]
        self._piece, self._counts = piece, np.array(rows, np.int64) - self._noise
        self._counts_of = dict(zip(self._noisy_inputs, self._counts.tolist(), strict=True))

    def _rest_until(self, now_us: int) -> int:
        """Return until when nothing changes; now if something is changing."""
        span = bisect_right(self._moving, (now_us, FAR_US)) - 1
        if span >= 0 and now_us < self._moving[span][1]:
            return now_us
        following = bisect_right(self.changes_us, now_us)
        return self.changes_us[following] if following < len(self.changes_us) else FAR_US

    def _battery_reading(self, now_us: int, range_mv: int) -> int:
        return self._noisy(self._battery_counts(now_us, range_mv), BATTERY_INPUT)

    def _battery_counts(self, now_us: int, range_mv: int) -> int:
        return self._battery.at_mv(now_us) * ADC_COUNTS // range_mv

    def _noisy(self, reading: int, number: int) -> int:
        """Return a reading with the noise of an input, within the range of the ADC."""
        if self._noise:
            self._fetch()
            reading += self._counts_of[number][self.sweeps % FETCHED]
        return min(max(reading, 0), ADC_COUNTS - 1)

    @staticmethod
    def _floating(readings: list[int | None]) -> tuple[int, ...]:
        """Return the readings of a sweep; an input that floats keeps what the one before it had, the first the last."""
        if None not in readings:
            return tuple(readings)  # type: ignore[arg-type]
        known = [reading for reading in readings if reading is not None]
        before, whole = (known or [ADC_COUNTS // 2])[-1], []
        for reading in readings:
            before = before if reading is None else reading
            whole.append(before)
        return tuple(whole)

    def _reading(self, number: int, channel: Channel, now_us: int) -> int | None:
        """Return the reading of a stick; None for an input that floats."""
        reading, is_noisy = self._still(number, channel, now_us)
        return reading if reading is None or not is_noisy else self._noisy(reading, number)

    def _still(self, number: int, channel: Channel, now_us: int) -> tuple[int | None, bool]:
        """Return the reading of a stick without noise, and whether it has noise; None for an input that floats."""
        for fault in self._broken:
            if fault.channel == channel.name and fault.at_us <= now_us < fault.until_us(self._end_us):
                rail = {"low": 0, "high": ADC_COUNTS - 1}.get(fault.rail)
                return None if rail is None else self._scaled(rail, now_us), False
        position = self._programme.position(number, now_us)
        if self._last[number][0] != position:  # a stick is at rest most of the time
            self._last[number] = position, reading_at(channel, position)
        return self._scaled(self._last[number][1], now_us), True

    def _scaled(self, reading: int, now_us: int) -> int:
        """Return a reading of what the battery supplies; with a reference that is fixed it falls with it."""
        if not self._gauge.moves_sticks:
            return reading
        return reading * self._battery.at_mv(now_us) // self._gauge.full_mv

    def _contact(self, number: int, channel: Channel, now_us: int) -> int:
        position = _switch_position(channel, self._programme.position(number, now_us))
        for fault in self._bounces:
            if fault.channel != channel.name or not fault.at_us <= now_us < fault.until_us(self._end_us):
                continue
            moved_us = self._programme.last_move_us(number, now_us)
            if moved_us is not None and now_us - moved_us < fault.bounce_us:
                before = _switch_position(channel, self._programme.position(number, moved_us - 1))
                states = self._draws.below(Purpose.CONTACTS + number, now_us // CONTACT_US, 1, 2)
                return position if states[0] else before
        return position


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return time spans in order, those that overlap as one."""
    joined: list[tuple[int, int]] = []
    for from_us, until_us in sorted(spans):
        if joined and from_us <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(joined[-1][1], until_us)
        else:
            joined.append((from_us, until_us))
    return joined


def _switch_position(channel: Channel, position: int) -> int:
    return int(switch_place(channel, position))
