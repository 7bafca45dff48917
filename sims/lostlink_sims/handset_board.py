"""The handset's hardware in virtual time: supply, clock, ADC, switches, main loop, timer, watchdog, radio port.

It calls the program, a `HandsetProgram`, and yields the packets that its radio takes. What happens to a packet on the
air comes back to the program only where packets are acknowledged; then it yields one at a time. At equal instants:
fault, result of the radio, timer, end of a turn, next turn.
"""

from __future__ import annotations

import itertools
from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from operator import index
from typing import Any, Final

import numpy as np

from lostlink_sims.arrays import Ints
from lostlink_sims.clock import FAR_US
from lostlink_sims.controls import FETCHED, Controls, Rest
from lostlink_sims.crashes import crash_text
from lostlink_sims.handset import (
    TILE,
    Slots,
    hang_spans,
    on_times,
    packet_phase_us,
    reset_times,
    silent_spans,
    spans_of,
)
from lostlink_sims.handset_program import Cause, HandsetFactory, HandsetProgram, Sent
from lostlink_sims.handset_radio import HandsetRadio, Packet, until_of
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES, Profile
from lostlink_sims.receiver import MASK
from lostlink_sims.scenario import HandsetHung, HandsetRadioBusy, Scenario
from lostlink_sims.streams import Streams
from lostlink_sims.trace import Steps

HALF: Final = MASK >> 1
MOST_SPINS: Final = 100_000
"""Consecutive turns without a delay and without a packet."""
MOST_RESULTS: Final = 16
"""With more that wait, a program's calls are made one by one."""
SHORT_TURN_US: Final = 100
"""Only turns shorter than this count as such: a loop without a delay is ordinary where a turn takes its time."""


@dataclass(frozen=True, slots=True)
class HandsetCrash:
    """The handset's program raised an exception, or gave an answer that no radio can take."""

    at_us: int
    text: str


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time in which no control moves and no fault begins or ends.

    Attributes
    ----------
    until_us : int
        Not included.
    rest : Rest
        What the pins see.
    noise : (inputs, FETCHED) ndarray of int64 or None
    first_sweep : int
        Place of the next sweep in `noise`.
    is_busy, answers : bool
        Whether the radio refuses payloads, and whether it answers at all.
    """

    until_us: int
    rest: Rest
    noise: Ints | None
    first_sweep: int
    is_busy: bool
    answers: bool


@dataclass(frozen=True, slots=True)
class Calls:
    """What the calls of a span gave.

    Attributes
    ----------
    sweeps : int
        How many there were.
    packets : list of (int, bytes, bool)
    alarms : list of (int, int)
        Instant and value, where the value changed.
    error : Exception or None
        Why the program ended at `Life.now_us`, after these packets.
    """

    sweeps: int
    packets: list[Packet]
    alarms: list[tuple[int, int]]
    error: Exception | None


class SpanProgram(ABC):
    """A program that makes its calls in a span of time by itself, as `Life.step` does."""

    @abstractmethod
    def span(self, life: Life, radio: HandsetRadio, span: Span, alarm: int) -> Calls:
        """Make all calls before the end of the span, and change `life` and `radio` as they do.

        It may end before that, where packets are acknowledged after each packet: then `life.next_us` is still in the
        span.

        Parameters
        ----------
        life : Life
        radio : HandsetRadio
        span : Span
        alarm : int
            The program's warnings until now; -1 before the first.
        """


def spinning() -> ValueError:
    """Return the error of a main loop that wants its next turn at once too often."""
    return ValueError(f"the next turn was wanted at once {MOST_SPINS} times in a row, without a packet")


class Life:
    """The program from a boot on: its clock, and what it is called for next.

    A turn takes `turn_us`; its packet is asked for at the end, and what the radio says waits until then. Only the timer
    interrupts it.

    Attributes
    ----------
    now_us, where : int, str
        Instant and function of the last call.
    is_plain : bool
        Whether the program is called for its turns and packets only.
    """

    def __init__(self, board: HandsetBoard, boot_us: int, clock_start: int) -> None:
        self._board, self._profile = board, board.profile
        self.boot_us, self.clock_base = boot_us, clock_start
        self.now_us, self.where = boot_us, ""
        self.rate = 1_000_000 + board.profile.handset.clock_error_ppm
        self.results: list[tuple[int, Sent]] = []  # results of the radio, the earliest first
        self.result_us, self.timer_us, self.packet_us, self.turn_us = FAR_US, FAR_US, FAR_US, boot_us
        self.turn_takes_us = board.profile.handset.turn_us
        self.spins = 0

    @property
    def next_us(self) -> int:
        """When it is called next; `FAR_US` for never."""
        return min(self.result_us, self.timer_us, self.packet_us, self.turn_us)

    def begin(self, cause: Cause) -> None:
        """Build the program and start it."""
        settings = self._profile.handset
        self.where = "constructor"
        program: HandsetProgram = self._board.factory(self._profile)
        self._turn_call, self._packet_call = program.turn, program.packet
        self._sent = getattr(program, "sent", None)
        self._interrupt = getattr(program, "interrupt", None) if settings.sends_from == "timer" else None
        self._radio = None
        if settings.address is not None:
            if not hasattr(program, "radio"):
                raise TypeError("the profile declares handset.address; allowed: a program with radio(clock_us)")
            self._radio = program.radio
        self._alarm = None
        if self._profile.battery.input_range_mv is not None:
            if not hasattr(program, "alarm"):
                raise TypeError("the profile declares battery.input_range; allowed: a program with alarm(clock_us)")
            self._alarm = program.alarm
        is_told = self._sent is not None or self._radio is not None or self._alarm is not None
        self.own_spans = program if isinstance(program, SpanProgram) else None
        self.is_plain = not is_told and self._interrupt is None
        self.where = "power_on()"
        clock = self._clock(self.boot_us)
        program.power_on(clock, int(cause))
        self._set_up(clock)
        self._plan_timer(self.boot_us)

    def turns(self, until_us: int) -> Iterator[Any]:
        """Make all calls of a plain program before an instant until which no fault begins or ends.

        Yields what it hands over to the radio, at `now_us` of the attributes. The same as `step`, written out here for
        speed.
        """
        sweep, turn, packet = self._board.controls.sweep, self._turn_call, self._packet_call
        boot_us, base, rate, takes_us = self.boot_us, self.clock_base, self.rate, self.turn_takes_us
        where, now_us, packet_us, turn_us = self.where, self.now_us, self.packet_us, self.turn_us
        try:
            while True:
                if packet_us == FAR_US:
                    if turn_us >= until_us:
                        return
                    now_us, turn_us, where = turn_us, FAR_US, "turn()"
                    readings, switches = sweep(now_us)
                    own_us = (now_us - boot_us) * rate // 1_000_000
                    clock = (base + own_us) & MASK
                    wanted = turn(clock, readings, switches)
                    packet_us = now_us + takes_us
                    if wanted is not None:
                        where = "turn(), which returns a clock or None"
                        ahead_us = (index(wanted) - clock) & MASK
                        if ahead_us <= HALF:
                            own_us += ahead_us
                        turn_us = max(now_us + 1, packet_us, boot_us - -own_us * 1_000_000 // rate)
                if packet_us >= until_us:
                    return
                now_us, where = packet_us, "packet()"
                payload = packet((base + (now_us - boot_us) * rate // 1_000_000) & MASK)
                packet_us = FAR_US
                if payload is not None:
                    self.spins, self.now_us, self.where = 0, now_us, where
                    yield payload
                else:
                    self._count_spins(now_us, turn_us)
        finally:
            self.where, self.now_us, self.packet_us, self.turn_us = where, now_us, packet_us, turn_us

    def wait(self, until_us: int) -> None:
        """Call nothing before an instant, and forget what the radio said."""
        self.results.clear()
        self._loop_waits(until_us)
        if self._interrupt is not None:
            self.timer_us = max(self.timer_us, until_us)

    def _loop_waits(self, until_us: int) -> None:
        if self.packet_us < FAR_US:
            self.packet_us = max(self.packet_us, until_us)
        self.turn_us = max(self.turn_us, until_us)
        self.results = [(max(at_us, until_us), result) for at_us, result in self.results]
        self._plan_result()

    def add_result(self, result: Sent, at_us: int) -> None:
        """Note what the radio says, and when."""
        if self._sent is not None:
            self.results = sorted([*self.results, (at_us, result)])
            self._plan_result()

    def _plan_result(self) -> None:
        self.result_us = FAR_US
        if self.results:
            turn_ends_us = 0 if self.packet_us == FAR_US else self.packet_us
            self.result_us = max(self.results[0][0], turn_ends_us)

    def step(self, now_us: int, hung_until_us: int, calm_until_us: int) -> Any:
        """Make the call that is due; return what it hands over to the radio, at `now_us` of the attributes.

        A turn's end follows in the same step where nothing comes before it and no fault begins or ends until then.
        """
        self.now_us = now_us
        if hung_until_us:  # of the program only the timer interrupt goes on
            self._loop_waits(hung_until_us)
            return self._tick(now_us) if now_us == self.timer_us else None
        if now_us == self.result_us:
            return self._give_result(now_us)
        if now_us == self.timer_us:
            return self._tick(now_us)
        if now_us == self.packet_us:
            return self._end_turn(now_us)
        self._turn(now_us)
        done_us = self.packet_us
        if done_us < calm_until_us and done_us < self.result_us and done_us < self.timer_us:
            self.now_us = done_us
            return self._end_turn(done_us)
        return None

    def _give_result(self, now_us: int) -> Any:
        _, result = self.results.pop(0)
        self._plan_result()
        clock = self._clock(now_us)
        assert self._sent is not None
        self.where = "sent()"
        self._sent(clock, int(result))
        self._set_up(clock)
        if self.turn_us == FAR_US:
            self.turn_us = now_us
        self.where = "packet()"
        return self._packet_call(clock)

    def _tick(self, now_us: int) -> Any:
        self._plan_timer(now_us)
        assert self._interrupt is not None
        self.where = "interrupt()"
        payload = self._interrupt(self._clock(now_us))
        if payload is not None:
            self.spins = 0
        return payload

    def _turn(self, now_us: int) -> None:
        readings, switches = self._board.controls.sweep(now_us)
        own_us = self._own_us(now_us)
        clock = (self.clock_base + own_us) & MASK
        self.where = "turn()"
        wanted = self._turn_call(clock, readings, switches)
        if self._alarm is not None:
            self.where = "alarm()"
            self._board.warns(index(self._alarm(clock)), now_us)
        self.packet_us = done_us = now_us + self.turn_takes_us
        self.turn_us = FAR_US
        if wanted is not None:
            self.where = "turn(), which returns a clock or None"
            self.turn_us = max(now_us + 1, done_us, self._real_us(own_us, (index(wanted) - clock) & MASK))
        if self.results:
            self._plan_result()

    def _set_up(self, clock: int) -> None:
        """Ask for the address that the program has written to its radio, if it has written one."""
        if self._radio is None:
            return
        self.where = "radio()"
        address = self._radio(clock)
        if address is not None:
            self._board.radio.set_up(address, self.now_us)

    def _end_turn(self, now_us: int) -> Any:
        clock = self._clock(now_us)
        self._set_up(clock)
        self.where = "packet()"
        payload = self._packet_call(clock)
        self.packet_us = FAR_US
        if payload is not None:
            self.spins = 0
        else:
            self._count_spins(now_us, self.turn_us)
        return payload

    def _count_spins(self, now_us: int, turn_us: int) -> None:
        """Count a turn without a packet if the next one is wanted at once."""
        if turn_us > now_us + 1:
            self.spins = 0
        elif self.turn_takes_us < SHORT_TURN_US:
            self.spins += 1
            if self.spins > MOST_SPINS:
                raise spinning()

    def _plan_timer(self, now_us: int) -> None:
        """Plan the next interrupt; a timer does not make up for interrupts that it could not give."""
        if self._interrupt is None:
            return
        interval_us = self._profile.handset.packet_interval_us
        own_us = self._own_us(now_us)
        self.timer_us = max(now_us, self._real_us(own_us, interval_us - own_us % interval_us))

    def _own_us(self, now_us: int) -> int:
        return (now_us - self.boot_us) * self.rate // 1_000_000

    def _clock(self, now_us: int) -> int:
        return (self.clock_base + self._own_us(now_us)) & MASK

    def _real_us(self, own_us: int, ahead_us: int) -> int:
        """Return the first microsecond at which the clock is so far ahead; more than half its range ahead is past."""
        if ahead_us <= HALF:
            own_us += ahead_us
        return self.boot_us - -own_us * 1_000_000 // self.rate


class HandsetBoard:
    """The handset of one scenario, with a program under test.

    Attributes
    ----------
    profile, factory
        As given to the constructor.
    controls : Controls
    crash : HandsetCrash or None
        After all packets were made.
    """

    def __init__(self, profile: Profile, scenario: Scenario, draws: Streams, factory: HandsetFactory) -> None:
        self.profile, self.factory = profile, factory
        self.controls = Controls(profile, scenario, draws)
        self._profile, self._scenario = profile, scenario
        self._phase_us = packet_phase_us(profile, scenario, draws)
        self.radio = HandsetRadio(profile, scenario)
        self._hung = silent_spans(scenario, profile.handset.watchdog_us)
        self._frozen, self._busy = hang_spans(HandsetHung, scenario), spans_of(HandsetRadioBusy, scenario)
        self._changes_us = sorted(at_us for span in (*self._hung, *self._frozen, *self._busy) for at_us in span)
        self._clock_start = scenario.handset_clock_us
        self._alarms: list[tuple[int, int]] = []
        self.crash: HandsetCrash | None = None

    def slots(self) -> Iterator[Slots]:
        """Yield all packets of the scenario in order, at most `TILE` at a time, or one where they are acknowledged."""
        size = 1 if self._profile.radio.acknowledge else TILE
        return slots_of(self._packets(), size, has_address=self.radio.own_address is not None)

    def report(self, at_us: int, answered: bool) -> None:
        """Take note what became of the packet that was yielded last, before the next one is asked for."""
        self.radio.report(at_us, answered)

    def _packets(self) -> Iterator[Packet]:
        """Yield the packets of each life of the program, from a boot to the next reset or the end of the supply."""
        settings = self._profile.handset
        resets = reset_times(self._scenario, settings.watchdog_us)
        late_us = self._phase_us
        life: Life | None = None
        try:
            for start_us, end_us in on_times(self._scenario, settings.watchdog_us):
                cause = Cause.RESET if start_us in resets else Cause.POWER_ON
                boot_us, late_us = start_us + settings.boot_us + late_us, 0
                if boot_us < end_us:
                    life = Life(self, boot_us, self._clock_start)
                    self._clock_start, self.radio.last = 0, None  # a reset restarts the counter, and the radio with it
                    yield from self._live(life, cause, end_us)
        except (Exception, SystemExit) as error:
            assert life is not None
            self.crash = HandsetCrash(life.now_us, crash_text(error, f"the handset's {life.where}", life.now_us))

    def _live(self, life: Life, cause: Cause, end_us: int) -> Iterator[Packet]:
        """Run the program from its boot to an instant."""
        life.begin(cause)
        calm_until_us = frozen_until_us = hung_until_us = busy_until_us = 0
        while (now_us := life.next_us) < end_us:
            if now_us >= calm_until_us:
                frozen_until_us, hung_until_us = until_of(self._frozen, now_us), until_of(self._hung, now_us)
                busy_until_us = until_of(self._busy, now_us)
                following = bisect_right(self._changes_us, now_us)
                calm_until_us = min([*self._changes_us[following : following + 1], end_us])
            if frozen_until_us:
                yield from self._repeats(now_us, min(frozen_until_us, end_us))
                life.wait(frozen_until_us)
                continue
            if life.own_spans is not None and not hung_until_us and len(life.results) < MOST_RESULTS:
                rest = self.controls.rest(now_us)
                if rest is not None:
                    yield from self._span(life, rest, calm_until_us, bool(busy_until_us))
                    continue
            if life.is_plain and not hung_until_us:
                for payload in life.turns(calm_until_us):
                    if sent := self.radio.hand_over(life, payload, bool(busy_until_us)):
                        yield sent
                continue
            payload = life.step(now_us, hung_until_us, calm_until_us)
            if payload is not None and (sent := self.radio.hand_over(life, payload, bool(busy_until_us))):
                yield sent
                life.add_result(*self.radio.outcome)

    def _span(self, life: Life, rest: Rest, calm_until_us: int, is_busy: bool) -> Iterator[Packet]:
        """Let a program make its own calls while no control moves and no fault begins or ends."""
        radio, controls, now_us = self.radio, self.controls, life.next_us
        answers = radio.answers(now_us)
        span = Span(
            min(calm_until_us, rest.until_us, radio.next_change_us(now_us)), rest, controls.noise(),
            controls.sweeps % FETCHED, is_busy, answers,
        )  # fmt: skip
        assert life.own_spans is not None
        alarm = self._alarms[-1][1] if self._alarms else -1
        calls = life.own_spans.span(life, radio, span, alarm)
        if controls.is_noisy:
            controls.sweeps += calls.sweeps
        self._alarms += calls.alarms
        yield from calls.packets
        if calls.error is not None:
            raise calls.error
        if calls.packets and self._profile.radio.acknowledge:
            life.add_result(*radio.outcome)

    def _repeats(self, now_us: int, until_us: int) -> Iterator[Packet]:
        """Yield the last packet at the nominal rate: the program hangs at an instant, and its radio goes on."""
        radio, interval_us = self.radio, self._profile.handset.packet_interval_us
        if radio.last is None:
            return
        hung_us = min(at_us for at_us, ends_us in self._frozen if at_us <= now_us < ends_us)
        last_us, payload, elsewhere = radio.last
        for at_us in range(max(last_us + interval_us, hung_us), until_us, interval_us):
            if not radio.is_dead(at_us):
                yield radio.send(at_us, payload, elsewhere)

    def warns(self, alarm: int, now_us: int) -> None:
        """Note the program's warnings."""
        if not self._alarms or self._alarms[-1][1] != alarm:
            self._alarms.append((now_us, alarm))

    @property
    def alarm(self) -> Steps | None:
        """The program's warnings until now; None where it is not asked for them."""
        if self._profile.battery.input_range_mv is None:
            return None
        changes = np.array(self._alarms, np.int64).reshape(-1, 2)
        return Steps(changes[:, 0], changes[:, 1])


def slots_of(packets: Iterator[Packet], size: int = TILE, *, has_address: bool = False) -> Iterator[Slots]:
    """Yield packets in order, at most `size` at a time; `has_address` if some may go elsewhere."""
    first = 0
    while tile := list(itertools.islice(packets, size)):
        instants_us, payloads = [at_us for at_us, _, _ in tile], [payload for _, payload, _ in tile]
        lengths = np.array(list(map(len, payloads)), np.int64)
        rows = np.zeros((len(tile), PAYLOAD_LIMIT_BYTES), np.uint8)
        data = np.frombuffer(b"".join(payloads), np.uint8)
        longest = int(lengths.max())
        if longest * len(tile) == len(data):
            rows[:, :longest] = data.reshape(len(tile), longest)
        else:
            rows[np.arange(PAYLOAD_LIMIT_BYTES) < lengths[:, None]] = data
        others = np.array([elsewhere for _, _, elsewhere in tile], np.bool_) if has_address else None
        yield Slots(first, np.array(instants_us, np.int64), rows, lengths, others)
        first += len(tile)
