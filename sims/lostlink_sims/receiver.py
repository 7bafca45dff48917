"""The receiver interface and the reference receiver.

A receiver is firmware without its hardware: four methods and a flag. `clock_us` is its own 32-bit counter: it
wraps, starts where the scenario says, and runs fast or slow. Receivers must therefore compare *differences*,
``(clock_us - then) & MASK``, never instants.

The simulator models the hardware, a receiver only the logic. A hung main loop stops `packet` and `poll`; `pulses`
is still called, as a timer interrupt keeps running.

States of the reference receiver, which walks the table `TRANSITIONS`::

    WAITING    no good packet since power-on: failsafe values
    LINKED     follows the sticks
    HOLDING    silence longer than the timeout: last values (only with a hold time)
    FAILSAFE   silence longer than timeout and hold: failsafe values
    RETURNING  good packets again, not yet enough or not yet long enough: failsafe values
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from functools import lru_cache
from typing import Final, Protocol

from lostlink_sims.codes import crc8, pulse_table
from lostlink_sims.profile import Profile

MASK: Final = 0xFFFF_FFFF


class Receiver(Protocol):
    """Interface of a receiver; constructed with the profile at every power-on and reset.

    A receiver whose pulse routine reads its channel table during a frame sets ``live_output = True`` on its class;
    `pulses` is then called once per channel.
    """

    @property
    def failsafe(self) -> bool:
        """Whether it is in failsafe, as it reports; a plain attribute is sufficient."""
        ...

    def power_on(self, clock_us: int) -> None: ...

    def packet(self, clock_us: int, payload: bytes) -> None:
        """Process a payload that the radio delivered."""
        ...

    def poll(self, clock_us: int) -> int | None:
        """Run one main-loop iteration; return the next wake-up time, None to wait for a packet."""
        ...

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        """Return the pulse widths of the frame that starts now, in µs; None for no pulses."""
        ...


ReceiverFactory = Callable[[Profile], Receiver]


class State(Enum):
    """State of the reference receiver."""

    WAITING = "waiting"
    LINKED = "linked"
    HOLDING = "holding"
    FAILSAFE = "failsafe"
    RETURNING = "returning"


class Event(Enum):
    """Event that may change the state."""

    PACKET = "good packet"
    SILENCE = "timeout"
    HOLD_OVER = "hold over"
    ENOUGH = "enough good packets"


_S, _E = State, Event
_crc8 = lru_cache(maxsize=4096)(crc8)  # a stick at rest sends the same 256 payloads again and again
_LINKED = State.LINKED  # read for every packet: a global name takes half the time of an attribute
TRANSITIONS: Final[Mapping[tuple[State, Event], State]] = {
    (_S.WAITING, _E.PACKET): _S.RETURNING,
    (_S.RETURNING, _E.PACKET): _S.RETURNING,
    (_S.RETURNING, _E.ENOUGH): _S.LINKED,
    (_S.LINKED, _E.SILENCE): _S.HOLDING,
    (_S.HOLDING, _E.PACKET): _S.LINKED,
    (_S.HOLDING, _E.HOLD_OVER): _S.FAILSAFE,
    (_S.FAILSAFE, _E.PACKET): _S.RETURNING,
}


class ReferenceReceiver:
    """The reference receiver: checks packets, times out, holds if configured, and recovers after several good packets.

    The pulse routine checks the silence too: it runs from a timer interrupt, also while the main loop hangs.
    """

    def __init__(self, profile: Profile) -> None:
        settings = profile.receiver
        self.failsafe = True
        self._state = State.WAITING
        self._table = pulse_table(settings.mapping, settings.low_us, settings.high_us)
        self._count = len(profile.channels)
        padding = [profile.output.unused_us] * (profile.output.channels - self._count)
        preset = (*(channel.failsafe_us for channel in profile.channels), *padding)
        self._preset = None if settings.pulses_cease else preset
        self._codes: bytes | None = None  # the payload that is output; None for failsafe values
        self._shown = b""  # the codes for which the widths were looked up last
        self._widths: tuple[int, ...] = ()
        self._padding = padding
        self._timeout_us = settings.timeout_us
        self._cut_us = profile.cut_delay_us
        self._row = settings.recovery_packets
        self._least_us = settings.recovery_us
        self._gap_us = profile.row_gap_us
        bytes_at = profile.packet_bytes
        self._bytes_at = None if bytes_at == tuple(range(self._count)) else bytes_at
        self._low_code = bytes_at[profile.throttle_index] if settings.recover_on_low_throttle else None
        self._idle_us = profile.requirements.idle_below_us
        # Positions of the bytes after the channels, if configured.
        self._length = profile.payload_bytes
        self._link_id = profile.handset.link_id
        self._id_at = profile.packet_channels
        self._counter_at = profile.counter_byte
        self._checked = profile.handset.check_byte
        self._marked = self._checked or self._link_id is not None or self._counter_at is not None
        self._counter = -1
        self._heard_us = 0  # when the last good packet came
        self._failed_us = 0  # when failsafe began
        self._good = 0  # good packets in a row while returning

    def power_on(self, clock_us: int) -> None:
        self._failed_us = clock_us

    def packet(self, clock_us: int, payload: bytes) -> None:
        """Restart the timeout for an intact, own and new packet; ignore any other."""
        if len(payload) != self._length or (self._marked and not self._is_good(payload)):
            return
        if self._state is not _LINKED:
            self._return(clock_us, payload)
        if self._state is _LINKED:
            self._codes = payload
        self._heard_us = clock_us

    def _return(self, clock_us: int, payload: bytes) -> None:
        """Count a good packet towards recovery."""
        self._judge_silence(clock_us)
        in_a_row = self._good and (clock_us - self._heard_us) & MASK <= self._gap_us
        self._good = self._good + 1 if in_a_row else 1
        self._step(Event.PACKET)
        if self._state is State.RETURNING and self._may_return(clock_us, payload):
            self._step(Event.ENOUGH)

    def _is_good(self, payload: bytes) -> bool:
        if self._checked and _crc8(payload):
            return False
        if self._link_id is not None and payload[self._id_at] != self._link_id:
            return False
        if self._counter_at is not None:
            before, self._counter = self._counter, payload[self._counter_at]
            return self._counter != before  # equal: the handset hangs and its radio repeats the payload
        return True

    def _may_return(self, clock_us: int, payload: bytes) -> bool:
        if self._good < self._row or (clock_us - self._failed_us) & MASK < self._least_us:
            return False
        return self._low_code is None or self._table[payload[self._low_code]] <= self._idle_us

    def _judge_silence(self, clock_us: int) -> None:
        silent_us = (clock_us - self._heard_us) & MASK
        if self._state is _LINKED and silent_us >= self._timeout_us:
            self._step(Event.SILENCE)
        if self._state is State.HOLDING and silent_us >= self._cut_us:
            self._step(Event.HOLD_OVER)
            self._failed_us = clock_us
            self._good = 0

    def _step(self, event: Event) -> None:
        self._state = TRANSITIONS[self._state, event]
        self.failsafe = self._state not in (_LINKED, State.HOLDING)
        if self.failsafe:
            self._codes = None

    def poll(self, clock_us: int) -> int | None:
        """Check the silence; return its next deadline."""
        if self._state is _LINKED:
            if (clock_us - self._heard_us) & MASK < self._timeout_us:
                return (self._heard_us + self._timeout_us) & MASK
            self._judge_silence(clock_us)
        elif self._state is State.HOLDING:
            self._judge_silence(clock_us)
        return (self._heard_us + self._cut_us) & MASK if self._state is State.HOLDING else None

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        """Return stick widths, failsafe values or no pulses, after checking the silence."""
        self._judge_silence(clock_us)
        codes = self._codes
        if codes is None:
            return self._preset
        codes = codes[: self._count] if self._bytes_at is None else bytes([codes[at] for at in self._bytes_at])
        if codes != self._shown:  # sticks are at rest most of the time
            self._shown = codes
            self._widths = (*map(self._table.__getitem__, codes), *self._padding)
        return self._widths
