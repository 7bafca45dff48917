"""A handset's program that is compiled firmware, with all calls of a span of time in one call of the driver."""

from __future__ import annotations

import ctypes
from ctypes import c_int64, c_void_p
from typing import Any, Final

from lostlink.rigs.firmware import HANDSET, CompiledHandset, Image, ProgramStoppedError, Watch
from lostlink.rigs.native.structure import (
    ADDRESS,
    DONE,
    FULL,
    LONG,
    SPUN,
    STOPPED,
    Driver,
    HandsetState,
)
from lostlink_sims import Profile, handset_board
from lostlink_sims.controls import Rest
from lostlink_sims.handset_board import Calls, Life, Span, SpanProgram
from lostlink_sims.handset_program import HandsetFactory, Sent
from lostlink_sims.handset_radio import REFUSAL_US, HandsetRadio
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES

_FUNCTIONS: Final = ("turn", "packet", "interrupt", "sent", "radio", "alarm")
_WHERE: Final = ("", "power_on()", *(f"{name}()" for name in _FUNCTIONS))
"""What ran last, by the driver's number."""


class DrivenHandset(CompiledHandset, SpanProgram):
    """A handset whose program is a library; the driver makes its calls.

    Parameters
    ----------
    library, watch
        As for `CompiledHandset`; the watch's memory can be shared.
    driver : Driver
    profile : Profile
    """

    def __init__(self, library: Any, watch: Watch, driver: Driver, profile: Profile) -> None:
        super().__init__(library, watch)
        self._driver = driver
        self._state = state = HandsetState(memory=self._at, stop_at=watch.stop_at, first_step=HANDSET.first_step)
        state.payload, state.wanted = ctypes.addressof(self._payload), ctypes.addressof(self._wanted)
        state.calls = ctypes.addressof(c_int64.from_buffer(watch.calls))
        asks = {"radio": profile.handset.address is not None, "alarm": profile.battery.input_range_mv is not None}
        for name in _FUNCTIONS:
            if asks.get(name, True) and hasattr(library, f"handset_{name}"):
                setattr(state, name, ctypes.cast(getattr(library, f"handset_{name}"), c_void_p).value)
        settings = profile.handset
        state.interval_us, state.turn_takes_us = settings.packet_interval_us, settings.turn_us
        state.counts_spins = settings.turn_us < handset_board.SHORT_TURN_US
        state.most_spins, state.acknowledges = handset_board.MOST_SPINS, profile.radio.acknowledge
        state.refusal_us = REFUSAL_US
        self._rest: Rest | None = None

    def span(self, life: Life, radio: HandsetRadio, span: Span, alarm: int) -> Calls:
        state, rest = self._state, span.rest
        if self._rest is None:
            self._begin(life, radio)
        if self._rest is not rest:
            self._rest, state.inputs = rest, len(rest.readings)
            state.readings[: len(rest.readings)] = rest.readings
            state.has_noise[: len(rest.has_noise)] = rest.has_noise
            state.positions[: len(rest.switches)] = rest.switches
        state.until_us, state.sweep, state.is_busy, state.answers = (
            span.until_us, span.first_sweep, span.is_busy, span.answers,
        )  # fmt: skip
        state.noise = None if span.noise is None else span.noise.ctypes.data
        state.last_alarm = alarm
        self._take(life, radio)
        state.sweeps = state.packets = state.alarms = 0
        status = self._driver.handset_span(ctypes.addressof(state))
        self._give(life, radio)
        return self._calls(status, radio)

    def _begin(self, life: Life, radio: HandsetRadio) -> None:
        """Take what stays the same until the next boot."""
        state = self._state
        state.boot_us, state.clock_base, state.rate = life.boot_us, life.clock_base, life.rate
        state.sends_for_us[:] = radio.sends_for_us
        if radio.own_address is not None:
            state.address_bytes = size = len(radio.own_address)
            state.own_address[:size] = radio.own_address

    def _take(self, life: Life, radio: HandsetRadio) -> None:
        state = self._state
        state.now_us, state.timer_us, state.packet_us, state.turn_us = (
            life.now_us, life.timer_us, life.packet_us, life.turn_us,
        )  # fmt: skip
        state.result_us, state.spins, state.results = life.result_us, life.spins, len(life.results)
        for number, (at_us, result) in enumerate(life.results):
            state.result_at_us[number], state.result[number] = at_us, result
        state.free_us, state.has_address = radio.free_us, radio.address is not None
        if radio.address is not None:
            state.address[: len(radio.address)] = radio.address

    def _give(self, life: Life, radio: HandsetRadio) -> None:
        state = self._state
        life.now_us, life.timer_us, life.packet_us, life.turn_us = (
            state.now_us, state.timer_us, state.packet_us, state.turn_us,
        )  # fmt: skip
        life.where = _WHERE[state.where] or life.where
        life.result_us, life.spins = state.result_us, state.spins
        life.results = [(state.result_at_us[k], Sent(state.result[k])) for k in range(state.results)]
        radio.free_us = state.free_us
        if state.has_address:
            radio.address = bytes(state.address[: state.address_bytes])

    def _calls(self, status: int, radio: HandsetRadio) -> Calls:
        state = self._state
        count = state.packets
        content = ctypes.string_at(state.payloads, count * PAYLOAD_LIMIT_BYTES)
        starts = range(0, len(content), PAYLOAD_LIMIT_BYTES)
        packets = [
            (at_us, content[start : start + length], bool(elsewhere))
            for at_us, length, elsewhere, start in zip(
                state.at_us[:count], state.lengths[:count], state.elsewhere[:count], starts, strict=True
            )
        ]
        if packets:
            radio.last, radio.outcome = packets[-1], (Sent.OUT, radio.free_us)
        alarms = [*zip(state.alarm_at_us[: state.alarms], state.alarm_value[: state.alarms], strict=True)]
        error: Exception | None = None
        if status == STOPPED:
            error = ProgramStoppedError(self._watch.why)
        elif status == SPUN:
            error = handset_board.spinning()
        elif status == LONG:
            error = self._too_long(f"handset_{_FUNCTIONS[state.where - 2]}", state.length)
        elif status == ADDRESS:
            error = radio.wrong_address(state.length)
        else:
            assert status in (DONE, FULL), status
        return Calls(state.sweeps, packets, alarms, error)


def driven_factory(image: Image, watch: Watch, driver: Driver) -> HandsetFactory:
    """Return the factory of an image's handsets, whose calls the driver makes."""
    return lambda profile: DrivenHandset(image.load(watch), watch, driver, profile)
