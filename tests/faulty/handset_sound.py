"""Sound handsets of different designs, each as a competent maker might write it. None of them has a mistake.

They share `Parts`, the arithmetic that a link leaves no choice about, and nothing else: each keeps time, reads its
controls and sends in its own way. `fits` tells on which links a design can keep the owner's limits.

Common practice, no source: ways in which small microcontrollers are programmed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Sequence
from typing import Any, ClassVar, Final

from lostlink_sims import Profile

MASK: Final = 0xFFFF_FFFF
HALF: Final = 0x7FFF_FFFF
BOUNCE_US: Final = 10_000
BUSY: Final = 3
DEAD: Final = 4

Row = list[int]


def since(clock: int, then: int) -> int:
    return (clock - then) & MASK


def reached(clock: int, at: int) -> bool:
    return since(clock, at) <= HALF


class Parts:
    """What every maker takes over: mapping, layout, when the throttle is low, when its wire is broken."""

    def __init__(self, profile: Profile) -> None:
        self.profile, self.handset = profile, profile.handset
        self.interval = profile.handset.packet_interval_us
        self.kinds = [channel.kind for channel in profile.channels]
        self.throttle = profile.throttle_index
        self.throttle_stick = self.kinds[: self.throttle].count("stick")
        self.reversed = [channel.reversed for channel in profile.channels]
        self.low = 0
        throttle = profile.channels[self.throttle]
        self.low_codes = 2 + (0 if self.handset.mapping == "calibrated" else int(256 * throttle.travel_low) % 256)
        shares = [(one.travel_low, 0.5 + one.centre_error, one.travel_high) for one in profile.channels]
        self._stops = [tuple(min(1023, int(1024 * share)) for share in row) for row in shares]
        self.counter = 0
        self.address = bytes(int(byte, 16) for byte in (self.handset.address or "").split(":") if byte)
        self._crc = [self._shifted(value) for value in range(256)]

    @staticmethod
    def _shifted(value: int) -> int:
        for _ in range(8):
            value = value << 1 ^ (0x107 if value > 127 else 0)
        return value

    def code(self, reading: int, channel: int) -> int:
        rule = self.handset.mapping
        if rule == "calibrated":
            low, middle, high = self._stops[channel]
            at = (low - reading, low - middle, low - high) if low > high else (reading - low, middle - low, high - low)
            above, half, whole = at
            code = above * 127 // half if above < half else 127 + (above - half) * 128 // (whole - half)
            return min(max(code, 0), 255)
        if rule == "a >> 2":
            return reading >> 2
        if rule.startswith("round"):
            return (reading * 510 + 1023) // 2046
        return reading * 255 // (1024 if rule.endswith("1024") else 1023)

    def place(self, channel: int, is_at: int) -> int:
        return (0, 255)[is_at] if self.kinds[channel].startswith("two") else (0, 127, 255)[is_at]

    def codes(self, readings: Sequence[int], switches: Sequence[int]) -> Row:
        """Return the codes of readings and of switches at rest."""
        sticks, others, row = iter(readings), iter(switches), []
        for channel, kind in enumerate(self.kinds):
            code = self.code(next(sticks), channel) if kind == "stick" else self.place(channel, next(others))
            row.append(255 - code if self.reversed[channel] else code)
        return row

    def is_low(self, row: Row) -> bool:
        return abs(row[self.throttle] - self.low) <= self.low_codes

    def is_broken(self, readings: Sequence[int]) -> bool:
        channel, reading = self.profile.channels[self.throttle], readings[self.throttle_stick]
        least, most = sorted((channel.travel_low, channel.travel_high))
        return (least >= 0.02 and reading < 8) or (most <= 0.98 and reading > 1015)

    def waits(self, cause: int) -> bool:
        """Return whether the throttle is low at first, by the cause of the start."""
        rule = self.handset.after_reset if cause else self.handset.at_power_on
        return rule == "waits for low throttle"

    def payload(self, row: Row) -> bytes:
        """Return a packet with the next counter."""
        data = bytearray(self.profile.packet_channels)
        for byte, code in zip(self.profile.packet_bytes, row, strict=True):
            data[byte] = code
        if self.handset.link_id is not None:
            data.append(self.handset.link_id)
        if self.handset.packet_counter:
            data.append(self.counter)
            self.counter = (self.counter + 1) % 256
        if self.handset.check_byte:
            value = 0
            for byte in data:
                value = self._crc[value ^ byte]
            data.append(value)
        return bytes(data)


class Rested:
    """A switch that counts when it has rested for a time."""

    def __init__(self, rest_us: int = 25_000) -> None:
        self._rest_us = rest_us
        self._is_at: int | None = None
        self._seen = self._at = 0

    def look(self, clock: int, now_at: int) -> int:
        if self._is_at is None:
            self._is_at = self._seen = now_at
        if now_at != self._seen:
            self._seen, self._at = now_at, clock
        if since(clock, self._at) >= self._rest_us:
            self._is_at = self._seen
        return self._is_at


class Guard:
    """The throttle: low until the stick was low where the link wants that, and low while its wire is broken."""

    def __init__(self, parts: Parts, cause: int) -> None:
        self._parts, self.waits = parts, parts.waits(cause)

    def __call__(self, row: Row, readings: Sequence[int]) -> Row:
        if self._parts.is_broken(readings):
            return self._low(row)
        if self._parts.is_low(row):
            self.waits = False
        return self._low(row) if self.waits else row

    def _low(self, row: Row) -> Row:
        throttle = self._parts.throttle
        return [*row[:throttle], self._parts.low, *row[throttle + 1 :]]


# --- which design on which link ---------------------------------------------------------------------------------

Fits = Callable[[Profile], bool]
DESIGNS: Final[list[type]] = []
_FITS: Final[dict[type, Fits]] = {}


def sound(fits: Fits = lambda profile: True) -> Callable[[type], type]:
    """Add a design to `DESIGNS`; one that says nothing else writes its radio's registers with every turn."""

    def added(design: Any) -> Any:
        DESIGNS.append(design)
        if not hasattr(design, "radio"):
            design.radio = lambda self, clock: self.parts.address
        _FITS[design] = fits
        return design

    return added


def fits(design: type, profile: Profile) -> bool:
    """Return whether a design can keep the limits of a link; most have nothing to do with a battery."""
    return _FITS[design](profile) and (profile.battery.input_range_mv is None or hasattr(design, "alarm"))


def by_loop(profile: Profile) -> bool:
    return profile.handset.sends_from == "main loop"


def by_timer(profile: Profile) -> bool:
    return profile.handset.sends_from == "timer"


def loop_of(loop_us: int) -> Fits:
    """Return what fits a loop of some length that sends when it is due: it is up to a loop late."""

    def can(profile: Profile) -> bool:
        handset = profile.handset
        longest_us = max(loop_us, handset.turn_us)
        in_step = loop_us > handset.turn_us and handset.packet_interval_us % loop_us == 0
        late_us = 0 if in_step else longest_us
        return by_loop(profile) and late_us <= handset.jitter_us + handset.packet_interval_us // 10

    return can


# --- main loops -------------------------------------------------------------------------------------------------


@sound(by_loop)
class Planned:
    """Reads, sends and sleeps until an instant that goes on by one interval each time."""

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.switches = [self.contact() for kind in self.parts.kinds if kind != "stick"]
        self.out: bytes | None = None
        self.due = 0

    def contact(self) -> Any:
        return Rested()

    def power_on(self, clock: int, cause: int) -> None:
        self.due, self.guard = clock, Guard(self.parts, cause)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        places = [one.look(clock, now_at) for one, now_at in zip(self.switches, switches, strict=True)]
        self.ready(self.guard(self.row(self.filtered(readings), places), readings))
        self.due = (self.due + self.parts.interval) & MASK
        return self.due

    def filtered(self, readings: Sequence[int]) -> Sequence[int]:
        return readings

    def row(self, readings: Sequence[int], places: Sequence[int]) -> Row:
        return self.parts.codes(readings, places)

    def ready(self, row: Row) -> None:
        self.out = self.parts.payload(row)

    def packet(self, clock: int) -> bytes | None:
        out, self.out = self.out, None
        return out


@sound(by_loop)
class SkipsWhatItMissed(Planned):
    """After a pause it goes on with the next whole interval instead of making up for the missed ones."""

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        super().turn(clock, readings, switches)
        while reached(clock, self.due):
            self.due = (self.due + self.parts.interval) & MASK
        return self.due


class Polling:
    """A loop of `LOOP_US` that reads each time and sends when a packet is due."""

    LOOP_US: ClassVar[int]

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.switches = [Rested(20_000) for kind in self.parts.kinds if kind != "stick"]
        self.latest: Row = []
        self.due = self.now = 0

    def power_on(self, clock: int, cause: int) -> None:
        self.due, self.guard = clock, Guard(self.parts, cause)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        places = [one.look(clock, now_at) for one, now_at in zip(self.switches, switches, strict=True)]
        self.latest = self.guard(self.parts.codes(readings, places), readings)
        self.is_due = reached(clock, self.due)
        if self.is_due:
            self.due = (self.due + self.parts.interval) & MASK
        return (clock + self.LOOP_US) & MASK

    def packet(self, clock: int) -> bytes | None:
        return self.parts.payload(self.latest) if self.is_due else None


@sound(loop_of(100))
class LoopOfATenth(Polling):
    """A loop of 0.1 ms."""

    LOOP_US = 100


@sound(loop_of(1_000))
class LoopOfOne(Polling):
    """A loop of 1 ms."""

    LOOP_US = 1_000


@sound(loop_of(2_000))
class LoopOfTwo(Polling):
    """A loop of 2 ms."""

    LOOP_US = 2_000


@sound(loop_of(0))
class LoopWithoutPause(Polling):
    """A loop that begins again at once."""

    LOOP_US = 0


@sound(loop_of(1_000))
class OwnMilliseconds:
    """Counts its own milliseconds, and keeps all its times in them."""

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.ms = self.rest_us = self.at = 0
        self.next_us = 0  # what is left until the next packet
        self.seen: list[tuple[int, int, int]] = []  # of each switch: where it is, where it was seen, ms of the change
        self.out: bytes | None = None

    def power_on(self, clock: int, cause: int) -> None:
        self.at, self.guard = clock, Guard(self.parts, cause)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        gone = since(clock, self.at)
        self.at = clock
        self.rest_us += gone
        self.ms, self.rest_us = self.ms + self.rest_us // 1_000, self.rest_us % 1_000
        self.seen = self.seen or [(now_at, now_at, 0) for now_at in switches]
        for number, now_at in enumerate(switches):
            is_at, seen, ms = self.seen[number]
            if now_at != seen:
                seen, ms = now_at, self.ms
            self.seen[number] = (seen if self.ms - ms >= 30 else is_at), seen, ms
        self.next_us -= gone
        if self.next_us <= 0:
            self.next_us = max(self.next_us + self.parts.interval, 0)
            row = self.parts.codes(readings, [is_at for is_at, _, _ in self.seen])
            self.out = self.parts.payload(self.guard(row, readings))
        return (clock + 1_000) & MASK

    def packet(self, clock: int) -> bytes | None:
        out, self.out = self.out, None
        return out


@sound(lambda profile: by_loop(profile) and 4 * profile.handset.turn_us < profile.handset.packet_interval_us)
class StateMachine:
    """Reads in one turn, fills the packet in the next, sends in the third; then sleeps."""

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.switches = [Rested(15_000) for kind in self.parts.kinds if kind != "stick"]
        self.step, self.due = 0, 0
        self.row: Row = []
        self.filled: bytes | None = None

    def power_on(self, clock: int, cause: int) -> None:
        self.due, self.guard = clock, Guard(self.parts, cause)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.step = (self.step + 1) % 3
        if self.step == 1:
            places = [one.look(clock, now_at) for one, now_at in zip(self.switches, switches, strict=True)]
            self.row = self.guard(self.parts.codes(readings, places), readings)
        elif self.step == 2:
            self.filled = self.parts.payload(self.row)
        else:
            self.due = (self.due + self.parts.interval) & MASK
            return self.due
        return clock

    def packet(self, clock: int) -> bytes | None:
        return self.filled if self.step == 0 else None


@sound(by_loop)
class Coroutine:
    """A protothread: a generator that waits and reads as if nothing else ran."""

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.out: bytes | None = None

    def power_on(self, clock: int, cause: int) -> None:
        self.thread = self.run(clock, cause)
        next(self.thread)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        return self.thread.send((clock, readings, switches))

    def run(self, due: int, cause: int) -> Generator[int, tuple[int, Sequence[int], Sequence[int]], None]:
        guard, rested = Guard(self.parts, cause), [Rested() for kind in self.parts.kinds if kind != "stick"]
        while True:
            clock, readings, switches = yield due
            places = [one.look(clock, now_at) for one, now_at in zip(rested, switches, strict=True)]
            self.out = self.parts.payload(guard(self.parts.codes(readings, places), readings))
            due = (due + self.parts.interval) & MASK

    def packet(self, clock: int) -> bytes | None:
        out, self.out = self.out, None
        return out


# --- contacts ---------------------------------------------------------------------------------------------------


@sound(by_loop)
class RestsForFifty(Planned):
    """Contacts have to rest for 50 ms."""

    def contact(self) -> Any:
        return Rested(50_000)


class _Equal:
    def __init__(self, wanted: int) -> None:
        self._last: deque[int] = deque(maxlen=wanted)
        self._is_at: int | None = None

    def look(self, clock: int, now_at: int) -> int:
        self._last.append(now_at)
        if self._is_at is None or (len(self._last) == self._last.maxlen and len(set(self._last)) == 1):
            self._is_at = now_at
        return self._is_at


@sound(by_loop)
class EqualSweeps(Planned):
    """A switch counts when several sweeps in a row agree, for longer than contacts bounce."""

    def contact(self) -> Any:
        return _Equal(BOUNCE_US // self.parts.interval + 2)


class _Majority:
    def __init__(self, number: int) -> None:
        self._last: deque[int] = deque(maxlen=number)

    def look(self, clock: int, now_at: int) -> int:
        if not self._last:
            self._last.extend([now_at] * (self._last.maxlen or 1))
        self._last.append(now_at)
        return sorted(self._last)[len(self._last) // 2]


@sound(by_loop)
class MajorityOfSweeps(Planned):
    """A switch is where it was in most of the last sweeps, so many that bouncing ones are the smaller part."""

    def contact(self) -> Any:
        return _Majority(2 * -(-BOUNCE_US // self.parts.interval) + 3)


class _AtOnce:
    def __init__(self) -> None:
        self._is_at: int | None = None
        self._at = 0
        self._locked = False

    def look(self, clock: int, now_at: int) -> int:
        if self._locked and since(clock, self._at) >= 25_000:
            self._locked = False
        if self._is_at is None or (now_at != self._is_at and not self._locked):
            self._locked = self._is_at is not None
            self._is_at, self._at = now_at, clock
        return self._is_at


@sound(by_loop)
class SwitchAtOnce(Planned):
    """The first contact counts at once, then the switch is not looked at for 25 ms."""

    def contact(self) -> Any:
        return _AtOnce()


# --- sticks -----------------------------------------------------------------------------------------------------


@sound(by_loop)
class HysteresisOfACode(Planned):
    """A code follows when it is off by more than one, or at an end."""

    last: Row | None = None

    def row(self, readings: Sequence[int], places: Sequence[int]) -> Row:
        row = super().row(readings, places)
        last = self.last or row
        self.last = [
            new if abs(new - old) > 1 or new in (0, 255) or kind != "stick" else old
            for new, old, kind in zip(row, last, self.parts.kinds, strict=True)
        ]
        return self.last


@sound(by_loop)
class HysteresisOfCounts(Planned):
    """A band of three counts, at whose border the reading is pushed along."""

    band: Row | None = None

    def filtered(self, readings: Sequence[int]) -> Sequence[int]:
        self.band = [min(max(old, new - 3), new + 3) for new, old in zip(readings, self.band or readings, strict=True)]
        return self.band


@sound(by_loop)
class MeanOfTwo(Planned):
    """The mean of this sweep and the one before."""

    before: Sequence[int] | None = None

    def filtered(self, readings: Sequence[int]) -> Sequence[int]:
        mean = [(new + old) // 2 for new, old in zip(readings, self.before or readings, strict=True)]
        self.before = list(readings)
        return mean


@sound(by_loop)
class MedianOfThree(Planned):
    """The median of the last three sweeps, stick by stick."""

    rows: deque[Sequence[int]]

    def filtered(self, readings: Sequence[int]) -> Sequence[int]:
        if not hasattr(self, "rows"):
            self.rows = deque([readings] * 3, maxlen=3)
        self.rows.append(readings)
        return [sorted(column)[1] for column in zip(*self.rows, strict=True)]


@sound(lambda profile: by_loop(profile) and 12 * profile.handset.turn_us < profile.handset.packet_interval_us)
class LowPassOverSweeps(Planned):
    """Reads ten times an interval and follows by half the difference each time; the fraction is cut off."""

    sums: Row | None = None
    turns = -1

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.turns += 1
        self.sums = self.sums or [16 * reading for reading in readings]
        self.sums = [old + ((16 * new - old) >> 1) for new, old in zip(readings, self.sums, strict=True)]
        if self.turns % 10 == 0:
            super().turn(clock, readings, switches)
        begun = (self.due - self.parts.interval) & MASK
        return (begun + (self.turns % 10 + 1) * self.parts.interval // 10) & MASK

    def filtered(self, readings: Sequence[int]) -> Sequence[int]:
        assert self.sums is not None
        return [value >> 4 for value in self.sums]


# --- timers -----------------------------------------------------------------------------------------------------


@sound(by_timer)
class AliveFlag:
    """The main loop fills a buffer and sets a flag; the timer sends the buffer, and clears the flag each third time."""

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.switches = [Rested(20_000) for kind in self.parts.kinds if kind != "stick"]
        self.buffer: Row | None = None
        self.alive = self.dead = False
        self.ticks = 0

    def power_on(self, clock: int, cause: int) -> None:
        self.guard = Guard(self.parts, cause)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        places = [one.look(clock, now_at) for one, now_at in zip(self.switches, switches, strict=True)]
        self.buffer = self.guard(self.parts.codes(readings, places), readings)
        self.alive = True
        return (clock + self.pause()) & MASK

    def pause(self) -> int:
        return self.parts.interval // 3

    def packet(self, clock: int) -> bytes | None:
        return None

    def interrupt(self, clock: int) -> bytes | None:
        self.ticks += 1
        if self.ticks % 3 == 0:
            self.dead, self.alive = not self.alive, False
        return None if self.dead or self.buffer is None else self.parts.payload(self.buffer)


@sound(by_timer)
class LoopWithoutPauseAndTimer(AliveFlag):
    """The main loop begins again at once; the timer sends."""

    def pause(self) -> int:
        return 0


@sound(by_timer)
class SameBufferAgain:
    """When the main loop hangs the timer repeats the last packet, whose counter stands; without a counter, nothing."""

    def __init__(self, profile: Profile) -> None:
        self.parts = Parts(profile)
        self.switches = [Rested(20_000) for kind in self.parts.kinds if kind != "stick"]
        self.row: Row | None = None
        self.last: bytes | None = None

    def power_on(self, clock: int, cause: int) -> None:
        self.guard = Guard(self.parts, cause)

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        places = [one.look(clock, now_at) for one, now_at in zip(self.switches, switches, strict=True)]
        self.row = self.guard(self.parts.codes(readings, places), readings)
        return (clock + self.parts.interval // 2) & MASK

    def packet(self, clock: int) -> bytes | None:
        return None

    def interrupt(self, clock: int) -> bytes | None:
        if self.row is not None:
            self.last, self.row = self.parts.payload(self.row), None
            return self.last
        return self.last if self.parts.handset.packet_counter else None


@sound(by_timer)
class SilentUntilSettled(AliveFlag):
    """The first two sweeps are thrown away; until then the timer has nothing to send."""

    sweeps = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.sweeps += 1
        return super().turn(clock, readings, switches) if self.sweeps > 2 else clock


# --- the radio, power-on, reset, wire ---------------------------------------------------------------------------


@sound(by_loop)
class OffersAgain(Planned):
    """What the radio refuses is offered again until the next sweep."""

    kept: bytes | None = None

    def packet(self, clock: int) -> bytes | None:
        self.kept = super().packet(clock) or self.kept
        return self.kept

    def sent(self, clock: int, result: int) -> None:
        if result != BUSY:
            self.kept = None

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.kept = None
        return super().turn(clock, readings, switches)


@sound(by_loop)
class CountsWhatLeft(Planned):
    """The counter goes on when the radio reports that the packet is out."""

    counted = 0

    def sent(self, clock: int, result: int) -> None:
        if result not in (BUSY, DEAD):
            self.counted = (self.counted + 1) % 256

    def ready(self, row: Row) -> None:
        self.parts.counter = self.counted
        super().ready(row)


@sound(by_loop)
class SetsUpADeadRadio(Planned):
    """The radio is set up at power-on, and again when it does not answer."""

    sets_up = True

    def sent(self, clock: int, result: int) -> None:
        self.sets_up = self.sets_up or result == DEAD

    def radio(self, clock: int) -> bytes | None:
        sets_up, self.sets_up = self.sets_up, False
        return self.parts.address if sets_up else None


@sound(by_loop)
class WarnsForGood(Planned):
    """A battery that was low in ten sweeps in a row is low until the handset is switched off."""

    low = 0
    level = 0

    def filtered(self, readings: Sequence[int]) -> Sequence[int]:
        battery = self.parts.profile.battery
        if battery.input_range_mv is None:
            return readings
        *whole, last = readings
        self.level = self.level or 64 * last
        self.level += last - self.level // 64
        is_low = last * battery.input_range_mv < 1024 * battery.warn_mv
        self.low = self.low + 1 if is_low or self.low >= 10 else 0
        if battery.reference == "ratiometric":
            return whole
        full = 1024 * battery.full_mv * 64 // battery.input_range_mv
        return [min((2 * one + 1) * full // (2 * self.level + 64), 1023) for one in whole]

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        places = [one.look(clock, now_at) for one, now_at in zip(self.switches, switches, strict=True)]
        whole = self.filtered(readings)
        self.ready(self.guard(self.row(whole, places), whole))
        self.due = (self.due + self.parts.interval) & MASK
        return self.due

    def alarm(self, clock: int) -> int:
        return int(self.low >= 10)


@sound(by_loop)
class LooksAfterItsRadio(Planned):
    """The radio's registers are written twice a second, whatever it says."""

    written: int | None = None

    def radio(self, clock: int) -> bytes | None:
        if self.written is not None and since(clock, self.written) < 500_000:
            return None
        self.written = clock
        return self.parts.address


@sound(by_loop)
class CounterSurvivesAReset(Planned):
    """The counter is in memory that a reset does not clear."""

    memory: ClassVar[dict[int, int]] = {}

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.parts.counter = self.memory.get(id(self.parts.profile), 0) if cause else 0

    def ready(self, row: Row) -> None:
        super().ready(row)
        self.memory[id(self.parts.profile)] = self.parts.counter


@sound(lambda profile: by_loop(profile) and profile.handset.after_reset == "resumes")
class SilentUntilLow(Planned):
    """Where it has to wait for a low throttle it sends nothing at all."""

    def ready(self, row: Row) -> None:
        if not self.guard.waits:
            super().ready(row)


class _Patient(Guard):
    low = 0

    def __call__(self, row: Row, readings: Sequence[int]) -> Row:
        is_low = self._parts.is_low(row) and not self._parts.is_broken(readings)
        self.low = self.low + 1 if is_low else 0
        waits = self.waits and self.low < 3
        row = super().__call__(row, readings)
        self.waits = waits
        return self._low(row) if waits else row


@sound(by_loop)
class LowForThreeSweeps(Planned):
    """The throttle counts as low when three sweeps in a row were at its stop."""

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.guard = _Patient(self.parts, cause)


class _Rested(Guard):
    since: int | None = None

    def __call__(self, row: Row, readings: Sequence[int]) -> Row:
        waits = self.waits
        if not self._parts.is_low(row) or self._parts.is_broken(readings):
            self.since = None
        elif self.since is None:
            self.since = 0
        else:
            self.since += self._parts.interval
        row = super().__call__(row, readings)
        self.waits = waits and (self.since is None or self.since < 400_000)
        return self._low(row) if self.waits else row


@sound(by_loop)
class LowForAWhile(Planned):
    """The throttle counts as low when it has been at its stop for 400 ms."""

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.guard = _Rested(self.parts, cause)


@sound(by_loop)
class HoldsThenCuts(Planned):
    """A broken throttle wire holds the last throttle for a tenth of a second, then it is low."""

    held: int | None = None
    broken = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        stick = self.parts.throttle_stick
        if self.parts.is_broken(readings):
            self.broken += 1
            if self.broken * self.parts.interval <= 100_000 and self.held is not None:
                readings = [*readings[:stick], self.held, *readings[stick + 1 :]]
        else:
            self.broken, self.held = 0, readings[stick]
        return super().turn(clock, readings, switches)
