"""The handset's hardware in virtual time: supply, clock, ADC, switches, main loop, timer, watchdog, radio port.

It calls the program, a `HandsetProgram`, and yields the packets that its radio takes. What happens to a packet on the
air comes back to the program only where packets are acknowledged; then it yields one at a time. At equal instants:
fault, result of the radio, timer, end of a turn, next turn.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from operator import index
from typing import Any, Final

import numpy as np

from lostlink_sims.clock import FAR_US
from lostlink_sims.codes import ADC_COUNTS
from lostlink_sims.crashes import crash_text
from lostlink_sims.handset import (
    TILE,
    Slots,
    dead_spans,
    hang_spans,
    on_times,
    packet_phase_us,
    reset_times,
    silent_spans,
    spans_of,
)
from lostlink_sims.handset_program import Cause, HandsetFactory, HandsetProgram, Sent
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES, Channel, Profile, air_time_us
from lostlink_sims.receiver import MASK
from lostlink_sims.scenario import HandsetHung, HandsetOff, HandsetRadioBusy, Scenario, StickWireBroken, SwitchBounces
from lostlink_sims.sticks import Battery, Programme, reading_at, switch_place
from lostlink_sims.streams import Purpose, Streams
from lostlink_sims.trace import Steps

_HALF: Final = MASK >> 1
CONTACT_US: Final = 200
"""A bouncing contact keeps a state for so long."""
BATTERY_INPUT: Final = 47
"""Number of its stream of noise; channels have those below."""
_FETCHED: Final = 1024
"""Random numbers of a stream that are fetched at once."""
MOST_SPINS: Final = 100_000
"""Consecutive turns without a delay and without a packet."""
SHORT_TURN_US: Final = 100
"""Only turns shorter than this count as such: a loop without a delay is ordinary where a turn takes its time."""
REFUSAL_US: Final = 50
"""Time until the program knows that the radio did not take its payload: a transfer of some bytes."""

Packet = tuple[int, bytes, bool]
"""When it leaves, its payload, and whether it goes to another address than the receiver's."""


@dataclass(frozen=True, slots=True)
class HandsetCrash:
    """The handset's program raised an exception, or gave an answer that no radio can take."""

    at_us: int
    text: str


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
    """

    def __init__(self, profile: Profile, scenario: Scenario, draws: Streams) -> None:
        self._draws = draws
        self._programme = Programme(profile.channels, profile.flight_controller.throttle, scenario.moves)
        self._noise = profile.handset.adc_noise_counts if scenario.ambient else 0
        numbered = list(enumerate(profile.channels))
        self._sticks = [(number, channel) for number, channel in numbered if channel.kind == "stick"]
        self._switches = [(number, channel) for number, channel in numbered if channel.kind != "stick"]
        self._sweeps = 0
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
        self._fetched: dict[int, list[int]] = {}
        self._last = {number: (-1, 0) for number, _ in self._sticks}  # position and reading

    def sweep(self, now_us: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Return readings of the sticks and positions of the switches at an instant, which is later each time."""
        if now_us < self._rests_until_us:
            return self._kept
        readings = self._floating([self._reading(number, channel, now_us) for number, channel in self._sticks])
        if self._gauge.input_range_mv is not None:
            readings = (*readings, self._battery_reading(now_us, self._gauge.input_range_mv))
        switches = tuple(self._contact(number, channel, now_us) for number, channel in self._switches)
        self._sweeps += 1
        self._kept = readings, switches
        if not self._noise:
            self._rests_until_us = self._rest_until(now_us)
        return self._kept

    def _rest_until(self, now_us: int) -> int:
        """Return until when nothing changes; now if something is changing."""
        span = bisect_right(self._moving, (now_us, FAR_US)) - 1
        if span >= 0 and now_us < self._moving[span][1]:
            return now_us
        following = bisect_right(self.changes_us, now_us)
        return self.changes_us[following] if following < len(self.changes_us) else FAR_US

    def _battery_reading(self, now_us: int, range_mv: int) -> int:
        return self._noisy(self._battery.at_mv(now_us) * ADC_COUNTS // range_mv, BATTERY_INPUT)

    def _noisy(self, reading: int, number: int) -> int:
        """Return a reading with the noise of an input, within the range of the ADC."""
        if self._noise:
            reading += self._below(Purpose.ADC_NOISE + number, self._sweeps, 2 * self._noise + 1) - self._noise
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
        for fault in self._broken:
            if fault.channel == channel.name and fault.at_us <= now_us < fault.until_us(self._end_us):
                rail = {"low": 0, "high": ADC_COUNTS - 1}.get(fault.rail)
                return None if rail is None else self._scaled(rail, now_us)
        position = self._programme.position(number, now_us)
        if self._last[number][0] != position:  # a stick is at rest most of the time
            self._last[number] = position, reading_at(channel, position)
        reading = self._last[number][1]
        return self._noisy(self._scaled(reading, now_us), number)

    def _scaled(self, reading: int, now_us: int) -> int:
        """Return a reading of what the battery supplies; with a reference that is fixed it falls with it."""
        if not self._gauge.moves_sticks:
            return reading
        return reading * self._battery.at_mv(now_us) // self._gauge.full_mv

    def _below(self, purpose: int, number: int, limit: int) -> int:
        piece, place = divmod(number, _FETCHED)
        if not place or purpose not in self._fetched:
            self._fetched[purpose] = self._draws.below(purpose, piece * _FETCHED, _FETCHED, limit).tolist()
        return self._fetched[purpose][place]

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


class _Life:
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
        self._boot_us, self._base = boot_us, clock_start
        self.now_us, self.where = boot_us, ""
        self._rate = 1_000_000 + board.profile.handset.clock_error_ppm
        self._told: list[tuple[int, Sent]] = []  # results of the radio, the earliest first
        self._told_us, self._timer_us, self._packet_us, self._turn_us = FAR_US, FAR_US, FAR_US, boot_us
        self._turn_takes_us = board.profile.handset.turn_us
        self._spins = 0

    @property
    def next_us(self) -> int:
        """When it is called next; `FAR_US` for never."""
        return min(self._told_us, self._timer_us, self._packet_us, self._turn_us)

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
        self.is_plain = not is_told and self._interrupt is None
        self.where = "power_on()"
        clock = self._clock(self._boot_us)
        program.power_on(clock, int(cause))
        self._set_up(clock)
        self._plan_timer(self._boot_us)

    def turns(self, until_us: int) -> Iterator[Any]:
        """Make all calls of a plain program before an instant until which no fault begins or ends.

        Yields what it hands over to the radio, at `now_us` of the attributes. The same as `step`, written out here for
        speed.
        """
        sweep, turn, packet = self._board.controls.sweep, self._turn_call, self._packet_call
        boot_us, base, rate, takes_us = self._boot_us, self._base, self._rate, self._turn_takes_us
        where, now_us, packet_us, turn_us = self.where, self.now_us, self._packet_us, self._turn_us
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
                        if ahead_us <= _HALF:
                            own_us += ahead_us
                        turn_us = max(now_us + 1, packet_us, boot_us - -own_us * 1_000_000 // rate)
                if packet_us >= until_us:
                    return
                now_us, where = packet_us, "packet()"
                payload = packet((base + (now_us - boot_us) * rate // 1_000_000) & MASK)
                packet_us = FAR_US
                if payload is not None:
                    self._spins, self.now_us, self.where = 0, now_us, where
                    yield payload
                else:
                    self._count_spins(now_us, turn_us)
        finally:
            self.where, self.now_us, self._packet_us, self._turn_us = where, now_us, packet_us, turn_us

    def wait(self, until_us: int) -> None:
        """Call nothing before an instant, and forget what the radio said."""
        self._told.clear()
        self._loop_waits(until_us)
        if self._interrupt is not None:
            self._timer_us = max(self._timer_us, until_us)

    def _loop_waits(self, until_us: int) -> None:
        if self._packet_us < FAR_US:
            self._packet_us = max(self._packet_us, until_us)
        self._turn_us = max(self._turn_us, until_us)
        self._told = [(max(at_us, until_us), result) for at_us, result in self._told]
        self._plan_told()

    def told(self, result: Sent, at_us: int) -> None:
        """Note what the radio says, and when."""
        if self._sent is not None:
            self._told = sorted([*self._told, (at_us, result)])
            self._plan_told()

    def _plan_told(self) -> None:
        self._told_us = FAR_US
        if self._told:
            turn_ends_us = 0 if self._packet_us == FAR_US else self._packet_us
            self._told_us = max(self._told[0][0], turn_ends_us)

    def step(self, now_us: int, hung_until_us: int, calm_until_us: int) -> Any:
        """Make the call that is due; return what it hands over to the radio, at `now_us` of the attributes.

        A turn's end follows in the same step where nothing comes before it and no fault begins or ends until then.
        """
        self.now_us = now_us
        if hung_until_us:  # of the program only the timer interrupt goes on
            self._loop_waits(hung_until_us)
            return self._tick(now_us) if now_us == self._timer_us else None
        if now_us == self._told_us:
            return self._tell(now_us)
        if now_us == self._timer_us:
            return self._tick(now_us)
        if now_us == self._packet_us:
            return self._end_turn(now_us)
        self._turn(now_us)
        done_us = self._packet_us
        if done_us < calm_until_us and done_us < self._told_us and done_us < self._timer_us:
            self.now_us = done_us
            return self._end_turn(done_us)
        return None

    def _tell(self, now_us: int) -> Any:
        _, result = self._told.pop(0)
        self._plan_told()
        clock = self._clock(now_us)
        assert self._sent is not None
        self.where = "sent()"
        self._sent(clock, int(result))
        self._set_up(clock)
        if self._turn_us == FAR_US:
            self._turn_us = now_us
        self.where = "packet()"
        return self._packet_call(clock)

    def _tick(self, now_us: int) -> Any:
        self._plan_timer(now_us)
        assert self._interrupt is not None
        self.where = "interrupt()"
        payload = self._interrupt(self._clock(now_us))
        if payload is not None:
            self._spins = 0
        return payload

    def _turn(self, now_us: int) -> None:
        readings, switches = self._board.controls.sweep(now_us)
        own_us = self._own_us(now_us)
        clock = (self._base + own_us) & MASK
        self.where = "turn()"
        wanted = self._turn_call(clock, readings, switches)
        if self._alarm is not None:
            self.where = "alarm()"
            self._board.warns(index(self._alarm(clock)), now_us)
        self._packet_us = done_us = now_us + self._turn_takes_us
        self._turn_us = FAR_US
        if wanted is not None:
            self.where = "turn(), which returns a clock or None"
            self._turn_us = max(now_us + 1, done_us, self._real_us(own_us, (index(wanted) - clock) & MASK))
        if self._told:
            self._plan_told()

    def _set_up(self, clock: int) -> None:
        """Ask for the address that the program has written to its radio, if it has written one."""
        if self._radio is None:
            return
        self.where = "radio()"
        address = self._radio(clock)
        if address is not None:
            self._board.set_up(address, self.now_us)

    def _end_turn(self, now_us: int) -> Any:
        clock = self._clock(now_us)
        self._set_up(clock)
        self.where = "packet()"
        payload = self._packet_call(clock)
        self._packet_us = FAR_US
        if payload is not None:
            self._spins = 0
        else:
            self._count_spins(now_us, self._turn_us)
        return payload

    def _count_spins(self, now_us: int, turn_us: int) -> None:
        """Count a turn without a packet if the next one is wanted at once."""
        if turn_us > now_us + 1:
            self._spins = 0
        elif self._turn_takes_us < SHORT_TURN_US:
            self._spins += 1
            if self._spins > MOST_SPINS:
                raise ValueError(f"the next turn was wanted at once {MOST_SPINS} times in a row, without a packet")

    def _plan_timer(self, now_us: int) -> None:
        """Plan the next interrupt; a timer does not make up for interrupts that it could not give."""
        if self._interrupt is None:
            return
        interval_us = self._profile.handset.packet_interval_us
        own_us = self._own_us(now_us)
        self._timer_us = max(now_us, self._real_us(own_us, interval_us - own_us % interval_us))

    def _own_us(self, now_us: int) -> int:
        return (now_us - self._boot_us) * self._rate // 1_000_000

    def _clock(self, now_us: int) -> int:
        return (self._base + self._own_us(now_us)) & MASK

    def _real_us(self, own_us: int, ahead_us: int) -> int:
        """Return the first microsecond at which the clock is so far ahead; more than half its range ahead is past."""
        if ahead_us <= _HALF:
            own_us += ahead_us
        return self._boot_us - -own_us * 1_000_000 // self._rate


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
        radio = profile.radio
        self._sends_for_us = [radio.settle_us + air_time_us(radio, size) for size in range(PAYLOAD_LIMIT_BYTES + 1)]
        self._hung = silent_spans(scenario, profile.handset.watchdog_us)
        self._frozen, self._busy = hang_spans(HandsetHung, scenario), spans_of(HandsetRadioBusy, scenario)
        self._dead = dead_spans(scenario)
        self._own_address = profile.handset.own_address
        off_us = [at_us for at_us, _ in spans_of(HandsetOff, scenario)]
        self._forgets_us = sorted([*off_us, *(at_us for at_us, _ in self._dead)])[::-1]  # the next is the last
        self._address: bytes | None = None  # that the radio is set up for
        self._changes_us = sorted(at_us for span in (*self._hung, *self._frozen, *self._busy) for at_us in span)
        self._clock_start = scenario.handset_clock_us
        self._free_us = 0  # the radio
        self._alarms: list[tuple[int, int]] = []
        self._outcome = 0, Sent.OUT  # of the last packet, and when it is known
        self._last: Packet | None = None
        self.crash: HandsetCrash | None = None

    def slots(self) -> Iterator[Slots]:
        """Yield all packets of the scenario in order, at most `TILE` at a time, or one where they are acknowledged."""
        size = 1 if self._profile.radio.acknowledge else TILE
        return slots_of(self._packets(), size, has_address=self._own_address is not None)

    def report(self, at_us: int, answered: bool) -> None:
        """Take note what became of the packet that was yielded last, before the next one is asked for."""
        self._outcome = at_us, Sent.ANSWERED if answered else Sent.GIVEN_UP
        self._free_us = max(self._free_us, at_us)

    def _packets(self) -> Iterator[Packet]:
        """Yield the packets of each life of the program, from a boot to the next reset or the end of the supply."""
        settings = self._profile.handset
        resets = reset_times(self._scenario, settings.watchdog_us)
        late_us = self._phase_us
        life: _Life | None = None
        try:
            for start_us, end_us in on_times(self._scenario, settings.watchdog_us):
                cause = Cause.RESET if start_us in resets else Cause.POWER_ON
                boot_us, late_us = start_us + settings.boot_us + late_us, 0
                if boot_us < end_us:
                    life = _Life(self, boot_us, self._clock_start)
                    self._clock_start, self._last = 0, None  # a reset restarts the counter, and the radio with it
                    yield from self._live(life, cause, end_us)
        except (Exception, SystemExit) as error:
            assert life is not None
            self.crash = HandsetCrash(life.now_us, crash_text(error, f"the handset's {life.where}", life.now_us))

    def _live(self, life: _Life, cause: Cause, end_us: int) -> Iterator[Packet]:
        """Run the program from its boot to an instant."""
        life.begin(cause)
        calm_until_us = frozen_until_us = hung_until_us = busy_until_us = 0
        while (now_us := life.next_us) < end_us:
            if now_us >= calm_until_us:
                frozen_until_us, hung_until_us = _until(self._frozen, now_us), _until(self._hung, now_us)
                busy_until_us = _until(self._busy, now_us)
                following = bisect_right(self._changes_us, now_us)
                calm_until_us = min([*self._changes_us[following : following + 1], end_us])
            if frozen_until_us:
                yield from self._repeats(now_us, min(frozen_until_us, end_us))
                life.wait(frozen_until_us)
                continue
            if life.is_plain and not hung_until_us:
                for payload in life.turns(calm_until_us):
                    if sent := self._hand_over(life, payload, busy_until_us):
                        yield sent
                continue
            payload = life.step(now_us, hung_until_us, calm_until_us)
            if payload is not None and (sent := self._hand_over(life, payload, busy_until_us)):
                yield sent
                known_us, outcome = self._outcome
                life.told(outcome, known_us)

    def _repeats(self, now_us: int, until_us: int) -> Iterator[Packet]:
        """Yield the last packet at the nominal rate: the program hangs at an instant, and its radio goes on."""
        if self._last is None:
            return
        interval_us = self._profile.handset.packet_interval_us
        hung_us = min(at_us for at_us, ends_us in self._frozen if at_us <= now_us < ends_us)
        last_us, payload, elsewhere = self._last
        for at_us in range(max(last_us + interval_us, hung_us), until_us, interval_us):
            if self._is_dead(at_us):
                continue
            self._last = at_us, payload, elsewhere
            self._free_us = at_us + self._sends_for_us[len(payload)]
            yield self._last

    def _is_dead(self, now_us: int) -> bool:
        """Return whether the radio does not answer, or is not set up."""
        while self._forgets_us and self._forgets_us[-1] <= now_us:
            self._forgets_us.pop()
            self._address = None
        if self._own_address is not None and self._address is None:
            return True
        return bool(self._dead) and _until(self._dead, now_us) > 0

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

    def set_up(self, address: Any, now_us: int) -> None:
        """Set the radio up for an address; a dead one does not take it."""
        size = self._profile.radio.address_bytes
        if not isinstance(address, bytes | bytearray):
            raise TypeError(f"an address is {type(address).__name__}; allowed: bytes, or None")
        if len(address) != size:
            raise ValueError(f"an address of {len(address)} bytes; allowed: {size} (radio.address_bytes)")
        self._is_dead(now_us)  # what it forgets until now, it forgets before
        if not _until(self._dead, now_us):
            self._address = bytes(address)

    def _hand_over(self, life: _Life, payload: Any, busy_until_us: int) -> Packet | None:
        """Give a payload to the radio; return the packet, None where it refuses it: dead, busy, or still sending."""
        if type(payload) is not bytes and not isinstance(payload, bytes | bytearray):
            raise TypeError(f"a payload is {type(payload).__name__}; allowed: bytes, or None")
        size = len(payload)
        if not 1 <= size <= PAYLOAD_LIMIT_BYTES:
            raise ValueError(f"a payload of {size} bytes; allowed: 1 to {PAYLOAD_LIMIT_BYTES}")
        now_us = life.now_us
        if self._is_dead(now_us):
            life.told(Sent.DEAD, now_us + REFUSAL_US)
            return None
        if now_us < self._free_us or busy_until_us:
            life.told(Sent.BUSY, now_us + REFUSAL_US)
            return None
        self._free_us = now_us + self._sends_for_us[size]
        self._last = sent = now_us, bytes(payload), self._address != self._own_address
        self._outcome = self._free_us, Sent.OUT
        return sent


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


def _until(spans: list[tuple[int, int]], now_us: int) -> int:
    """Return the latest end of the spans that an instant is in; 0 if it is in none."""
    return max((until_us for from_us, until_us in spans if from_us <= now_us < until_us), default=0)
