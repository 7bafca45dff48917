"""Sound receivers of different designs, each as a competent maker might write it. None of them has a mistake.

They share the reading of a packet (`Radio`) and nothing else: each keeps time, decides and outputs in its own way.
What a design adds to the least that a link needs is on its `Sheet`; `fits` compares that with the owner's limits.

Common practice, no source: ways in which small microcontrollers are programmed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from lostlink.profiles.rules import longest_cut_us, longest_frame_us
from lostlink_sims import Profile
from lostlink_sims.codes import crc8, pulse_table
from lostlink_sims.profile import air_time_us

MASK: Final = 0xFFFF_FFFF
HALF: Final = 0x7FFF_FFFF

Widths = tuple[int, ...]


def since(clock_us: int, then_us: int) -> int:
    return (clock_us - then_us) & MASK


def reached(clock_us: int, at_us: int) -> bool:
    return (clock_us - at_us) & MASK <= HALF


class Radio:
    """What every maker takes over unchanged: the values of the link, and the reading of a packet."""

    def __init__(self, profile: Profile) -> None:
        receiver, output = profile.receiver, profile.output
        self._padding = (output.unused_us,) * (output.channels - len(profile.channels))
        self.preset: Widths = (*(channel.failsafe_us for channel in profile.channels), *self._padding)
        self.timeout_us = profile.cut_delay_us
        self.row = receiver.recovery_packets
        self.row_gap_us = profile.row_gap_us
        self.least_us = receiver.recovery_us
        self.slot_us = profile.handset.packet_interval_us
        self.frame_us = longest_frame_us(profile)
        self.throttle = profile.throttle_index
        self._idle_us = profile.requirements.idle_below_us
        self._waits_for_low = receiver.recover_on_low_throttle
        self._handset = profile.handset
        self._count = len(profile.channels)
        self._length = profile.payload_bytes
        self._table = pulse_table(receiver.mapping, receiver.low_us, receiver.high_us)
        self.counter: int | None = None

    def read(self, payload: bytes) -> Widths | None:
        """Return the widths of a whole, undamaged, own and new packet."""
        if len(payload) != self._length or (self._handset.check_byte and crc8(payload)):
            return None
        extra = payload[self._count :]
        if self._handset.link_id is not None:
            if extra[0] != self._handset.link_id:
                return None
            extra = extra[1:]
        if self._handset.packet_counter:
            if extra[0] == self.counter:
                return None
            self.counter = extra[0]
        return (*(self._table[code] for code in payload[: self._count]), *self._padding)

    def is_low(self, widths: Widths) -> bool:
        return widths[self.throttle] <= self._idle_us

    def may_end(self, widths: Widths) -> bool:
        """Return whether the link lets a failsafe end with these sticks."""
        return not self._waits_for_low or self.is_low(widths)


class Row:
    """Good packets in a row, and the least duration of a failsafe: the ordinary return."""

    def __init__(self, radio: Radio, clock_us: int, more: int = 0) -> None:
        self._radio, self._began_us, self._wanted = radio, clock_us, radio.row + more
        self._last_us = 0
        self._good = 0

    def ends(self, clock_us: int, widths: Widths) -> bool:
        radio = self._radio
        in_a_row = self._good and since(clock_us, self._last_us) <= radio.row_gap_us
        self._good = self._good + 1 if in_a_row else 1
        self._last_us = clock_us
        return (
            self._good >= self._wanted and since(clock_us, self._began_us) >= radio.least_us and radio.may_end(widths)
        )


# --- what a design adds -----------------------------------------------------------------------------------------

Adds = Callable[[Radio], int]


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a design adds to the least that a link needs, in µs.

    Attributes
    ----------
    late_us : callable
        Longest delay of the cut beyond timeout and next frame.
    back_us : callable
        Longest time of good packets until it returns, instead of the profile's row.
    lag_us : callable
        Longest delay of a stick beyond packet and frame.
    blur_us : int
        Largest deviation of a width.
    needs : callable
        ``needs(profile)``: what else the link must have.
    """

    late_us: Adds
    back_us: Adds
    lag_us: Adds
    blur_us: int
    needs: Callable[[Profile], bool]


def _none(radio: Radio) -> int:
    return 0


SHEETS: Final[dict[type[Any], Sheet]] = {}


def sound(
    *,
    late_us: Adds = _none,
    back_us: Adds = _none,
    lag_us: Adds = _none,
    blur_us: int = 0,
    needs: Callable[[Profile], bool] = lambda profile: True,
) -> Callable[[type[Any]], type[Any]]:
    """Enter a design with its sheet."""

    def enter(design: type[Any]) -> type[Any]:
        SHEETS[design] = Sheet(late_us, back_us, lag_us, blur_us, needs)
        return design

    return enter


def unfit(design: type[Any], profile: Profile) -> str:
    """Return the owner's limit that a design of this kind cannot keep on a link; empty if it keeps all."""
    sheet, radio, limits = SHEETS[design], Radio(profile), profile.requirements
    ppm = abs(profile.receiver.clock_error_ppm)
    late_us = sheet.late_us(radio) * (1_000_000 + ppm) // 1_000_000
    cut_us, motor_us = longest_cut_us(profile)
    if cut_us + late_us > limits.cut_within_us or motor_us + late_us > limits.motor_cut_within_us:
        return "cut_within"
    handset, air = profile.handset, profile.radio
    packet_us = handset.packet_interval_us + handset.jitter_us + air.latency_jitter_us
    packet_us += air.acknowledge * air.retries * air.retry_delay_us
    flight_us = air.settle_us + air_time_us(air, profile.payload_bytes) + air.latency_us
    lag_us = packet_us + flight_us + 2 * radio.frame_us + sheet.lag_us(radio)
    if lag_us > limits.latency_p99_us:
        return "latency_p99"
    back_us = max(sheet.back_us(radio), (radio.row + 1) * packet_us)
    if back_us * (1_000_000 + ppm) // 1_000_000 + lag_us > limits.recovery_within_us:
        return "recovery_within"
    off_us = -(-max(profile.receiver.high_us, profile.output.unused_us) * ppm // 1_000_000)
    if sheet.blur_us + off_us > limits.value_tolerance_us:
        return "value_tolerance"
    return "" if sheet.needs(profile) else "needs"


# --- how the silence is timed -----------------------------------------------------------------------------------


@sound()
class DeadlineTimer:
    """A compare register holds the end of the timeout; the pulse interrupt looks too."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.failsafe = True
        self.out = self.radio.preset
        self.deadline_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe and self.row.ends(clock_us, widths):
            self.failsafe = False
        if not self.failsafe:
            self.out = widths
            self.deadline_us = (clock_us + self.radio.timeout_us) & MASK

    def poll(self, clock_us: int) -> int | None:
        if not self.failsafe and reached(clock_us, self.deadline_us):
            self.failsafe, self.out = True, self.radio.preset
            self.row = Row(self.radio, clock_us)
        return None if self.failsafe else self.deadline_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.out


@sound(late_us=lambda radio: 1_000)
class LooksEveryMillisecond:
    """A tick of a millisecond counts an age up to the timeout, and never beyond it."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.age_ms = self.limit_ms = -(-self.radio.timeout_us // 1000) + 1
        self.tick_us = 0
        self.followed: Widths | None = None

    @property
    def failsafe(self) -> bool:
        return self.followed is None

    def power_on(self, clock_us: int) -> None:
        self.tick_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.poll(clock_us)
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.age_ms = 0
        if self.followed is not None or self.row.ends(clock_us, widths):
            self.followed = widths

    def poll(self, clock_us: int) -> int | None:
        ticks = since(clock_us, self.tick_us) // 1000
        self.tick_us = (self.tick_us + ticks * 1000) & MASK
        self.age_ms = min(self.age_ms + ticks, self.limit_ms)
        if self.followed is not None and self.age_ms >= self.limit_ms:
            self.followed = None
            self.row = Row(self.radio, clock_us)
        return (self.tick_us + 1000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)  # the tick is an interrupt of its own
        return self.followed or self.radio.preset


@sound(late_us=lambda radio: 20_000)
class LooksEveryFiveMilliseconds:
    """A super-loop of tasks. It shows the pulse interrupt that it lives; without that for 20 ms it is a failsafe."""

    LIVES_US = 20_000

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.failsafe = True
        self.sticks = self.radio.preset
        self.heard_us = self.lived_us = self.next_us = 0

    def power_on(self, clock_us: int) -> None:
        self.lived_us = self.next_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        if (widths := self.radio.read(payload)) is None:
            return
        self.heard_us = clock_us
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        self.sticks = widths

    def lose(self, clock_us: int) -> None:
        self.failsafe = True
        self.row = Row(self.radio, clock_us)

    def poll(self, clock_us: int) -> int | None:
        if reached(clock_us, self.next_us):
            self.next_us = (clock_us + 5_000) & MASK
            self.lived_us = clock_us
            if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
                self.lose(clock_us)
        return self.next_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        if not self.failsafe and since(clock_us, self.lived_us) >= self.LIVES_US:
            self.lose(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(late_us=lambda radio: 10_000)
class LooksEveryTenMilliseconds:
    """States with entry actions, stepped by a tick of ten milliseconds; the pulse interrupt has a second limit."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.state = "wait"
        self.out = self.radio.preset
        self.heard_us = self.next_us = 0

    @property
    def failsafe(self) -> bool:
        return self.state != "fly"

    def enter(self, state: str, clock_us: int) -> None:
        self.state = state
        if state == "wait":
            self.out = self.radio.preset
            self.row = Row(self.radio, clock_us)

    def power_on(self, clock_us: int) -> None:
        self.next_us = clock_us
        self.enter("wait", clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.heard_us = clock_us
            if self.state == "wait" and self.row.ends(clock_us, widths):
                self.enter("fly", clock_us)
            if self.state == "fly":
                self.out = widths

    def poll(self, clock_us: int) -> int | None:
        while reached(clock_us, self.next_us):
            self.next_us = (self.next_us + 10_000) & MASK
            if self.state == "fly" and since(clock_us, self.heard_us) >= self.radio.timeout_us:
                self.enter("wait", clock_us)
        return self.next_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        if self.state == "fly" and since(clock_us, self.heard_us) >= self.radio.timeout_us + 10_000:
            self.enter("wait", clock_us)
        return self.out


@sound(late_us=lambda radio: 20_000 + 2 * radio.frame_us)
class LooksEveryTwentyMilliseconds:
    """A slow task computes the frame; the interrupt counts frames since it ran and then plays safe."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.table = self.radio.preset
        self.newest = self.radio.preset
        self.linked = False
        self.heard_us = self.next_us = 0
        self.frames = 0
        self.most_frames = 1 + -(-20_000 // self.radio.frame_us)

    @property
    def failsafe(self) -> bool:
        return not self.linked

    def power_on(self, clock_us: int) -> None:
        self.next_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us, self.newest = clock_us, widths
        if not self.linked:
            self.linked = self.row.ends(clock_us, widths)
        if self.linked:
            self.table = widths

    def poll(self, clock_us: int) -> int | None:
        if reached(clock_us, self.next_us):
            self.next_us = (clock_us + 20_000) & MASK
            self.frames = 0
            if self.linked and since(clock_us, self.heard_us) >= self.radio.timeout_us:
                self.unlink(clock_us)
        return self.next_us

    def unlink(self, clock_us: int) -> None:
        self.linked = False
        self.table = self.radio.preset
        self.row = Row(self.radio, clock_us)

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.frames += 1
        if self.linked and self.frames > self.most_frames:
            self.unlink(clock_us)
        return self.table


@sound(late_us=lambda radio: radio.slot_us)
class CountsMissedSlots:
    """A timer of one packet interval counts slots without a packet; the timer is an interrupt."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.limit = -(-self.radio.timeout_us // self.radio.slot_us)
        self.missed = self.limit
        self.came = False
        self.slot_end_us = 0
        self.out = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return self.missed >= self.limit

    def power_on(self, clock_us: int) -> None:
        self.slot_end_us = (clock_us + self.radio.slot_us) & MASK
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.slots(clock_us)
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe and self.row.ends(clock_us, widths):
            self.missed = 0
        if not self.failsafe:
            self.came, self.out = True, widths

    def slots(self, clock_us: int) -> None:
        while reached(clock_us, self.slot_end_us):
            self.slot_end_us = (self.slot_end_us + self.radio.slot_us) & MASK
            if self.failsafe:
                continue
            self.missed = 0 if self.came else self.missed + 1
            self.came = False
            if self.failsafe:
                self.out = self.radio.preset
                self.row = Row(self.radio, clock_us)

    def poll(self, clock_us: int) -> int | None:
        self.slots(clock_us)
        return self.slot_end_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.slots(clock_us)
        return self.out


@sound(
    late_us=lambda radio: radio.frame_us,
    needs=lambda profile: profile.output.style == "fixed period",  # frames of one length
)
class CountsFrames:
    """The timeout is a number of output frames; no clock is read for it."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.limit = -(-self.radio.timeout_us // self.radio.frame_us) + 1
        self.frames = self.limit
        self.sticks = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return self.frames >= self.limit

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None and (not self.failsafe or self.row.ends(clock_us, widths)):
            self.frames, self.sticks = 0, widths

    def poll(self, clock_us: int) -> int | None:
        return None

    def pulses(self, clock_us: int) -> Sequence[int]:
        if not self.failsafe:
            self.frames += 1
            if self.failsafe:
                self.row = Row(self.radio, clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(late_us=lambda radio: 2_048)
class TicksOf1024Microseconds:
    """A timer behind a prescaler: ticks of 1.024 ms, differences in 16 bits, and a latch against their wrap."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.limit = (self.radio.timeout_us >> 10) + 2
        self.heard = 0
        self.failsafe = True
        self.sticks = self.radio.preset

    @staticmethod
    def ticks(clock_us: int) -> int:
        return clock_us >> 10 & 0xFFFF

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.watch(clock_us)
        if self.failsafe and self.row.ends(clock_us, widths):
            self.failsafe = False
        self.heard, self.sticks = self.ticks(clock_us), widths

    def watch(self, clock_us: int) -> None:
        if not self.failsafe and (self.ticks(clock_us) - self.heard) & 0xFFFF >= self.limit:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)

    def poll(self, clock_us: int) -> int | None:
        self.watch(clock_us)
        return (clock_us + 4_096) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.watch(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(late_us=lambda radio: 2_000)
class SixteenBitMilliseconds:
    """Milliseconds in 16 bits that count what has passed, so that they wrap at 65536 and not with the microseconds."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.limit_ms = -(-self.radio.timeout_us // 1000) + 1
        self.now_ms = self.heard_ms = self.counted_us = 0
        self.failsafe = True
        self.buffer = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.counted_us = clock_us
        self.row = Row(self.radio, clock_us)

    def count(self, clock_us: int) -> None:
        passed_ms = since(clock_us, self.counted_us) // 1000
        self.counted_us = (self.counted_us + 1000 * passed_ms) & MASK
        self.now_ms = (self.now_ms + passed_ms) & 0xFFFF
        if not self.failsafe and (self.now_ms - self.heard_ms) & 0xFFFF >= self.limit_ms:
            self.failsafe, self.buffer = True, self.radio.preset
            self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.count(clock_us)
        if (widths := self.radio.read(payload)) is None:
            return
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.buffer, self.heard_ms = widths, self.now_ms

    def poll(self, clock_us: int) -> int | None:
        self.count(clock_us)
        return (clock_us + 10_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.count(clock_us)
        return self.buffer


@sound(late_us=lambda radio: 8_000)
class CountsDown:
    """An 8 ms tick counts down to zero from a value that each good packet loads."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.full = -(-self.radio.timeout_us // 8_000) + 1
        self.left = 0
        self.tick_us = 0
        self.sticks = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return self.left == 0

    def power_on(self, clock_us: int) -> None:
        self.tick_us = (clock_us + 8_000) & MASK
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None and (self.left or self.row.ends(clock_us, widths)):
            self.left, self.sticks = self.full, widths

    def tick(self, clock_us: int) -> None:
        while reached(clock_us, self.tick_us):
            self.tick_us = (self.tick_us + 8_000) & MASK
            if self.left:
                self.left -= 1
                if not self.left:
                    self.row = Row(self.radio, clock_us)

    def poll(self, clock_us: int) -> int | None:
        self.tick(clock_us)
        return self.tick_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.tick(clock_us)
        return self.sticks if self.left else self.radio.preset


@sound()
class FrameInterruptOnly:
    """Looks at the time only at the start of a frame; its main loop only reads packets."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.failsafe = True
        self.waiting: list[tuple[int, Widths]] = []
        self.sticks = self.radio.preset
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        if (widths := self.radio.read(payload)) is not None:
            self.waiting.append((clock_us, widths))

    def poll(self, clock_us: int) -> int | None:
        return None

    def pulses(self, clock_us: int) -> Sequence[int]:
        for came_us, widths in self.waiting:
            if self.failsafe:
                self.failsafe = not self.row.ends(came_us, widths)
            self.sticks, self.heard_us = widths, came_us
        self.waiting.clear()
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound()
class ExtendsTheClock:
    """Counts the wraps of its clock, has 64 bits of microseconds, and compares instants, which is then allowed."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.low_us = self.high = 0
        self.lost_at_us: int | None = None
        self.sticks = self.radio.preset

    def now_us(self, clock_us: int) -> int:
        self.high += clock_us < self.low_us
        self.low_us = clock_us
        return self.high << 32 | clock_us

    @property
    def failsafe(self) -> bool:
        return self.lost_at_us is None

    def power_on(self, clock_us: int) -> None:
        self.low_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        now_us = self.now_us(clock_us)
        widths = self.radio.read(payload)
        if widths is not None and (self.lost_at_us is not None or self.row.ends(clock_us, widths)):
            self.sticks, self.lost_at_us = widths, now_us + self.radio.timeout_us

    def poll(self, clock_us: int) -> int | None:
        now_us = self.now_us(clock_us)
        if self.lost_at_us is not None and now_us >= self.lost_at_us:
            self.lost_at_us = None
            self.row = Row(self.radio, clock_us)
        return None if self.lost_at_us is None else self.lost_at_us & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.lost_at_us is None else self.sticks


@sound()
class RingOfTimestamps:
    """Keeps when the last eight packets came, and forgets each after the timeout; an empty ring is a lost link."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.ring: deque[int] = deque(maxlen=max(8, self.radio.row))
        self.follows = False
        self.sticks = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return not self.follows

    def power_on(self, clock_us: int) -> None:
        self.began_us = clock_us
        self.row = Row(self.radio, clock_us)

    def forget(self, clock_us: int) -> None:
        while self.ring and since(clock_us, self.ring[0]) >= self.radio.timeout_us:
            self.ring.popleft()
        if self.follows and not self.ring:
            self.follows = False
            self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.forget(clock_us)
        widths = self.radio.read(payload)
        if widths is not None:
            self.ring.append(clock_us)
            self.follows = self.follows or self.row.ends(clock_us, widths)
            self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        self.forget(clock_us)
        return (self.ring[0] + self.radio.timeout_us) & MASK if self.ring else None

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.forget(clock_us)
        return self.sticks if self.follows else self.radio.preset


@sound(late_us=lambda radio: 3_000)
class TwoWatchers:
    """Main loop and pulse interrupt time the silence apart, in ticks and in microseconds; either ends the flight."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.loop_lost = self.interrupt_lost = True
        self.quiet = self.heard_us = self.next_us = 0
        self.sticks = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return self.loop_lost or self.interrupt_lost

    def power_on(self, clock_us: int) -> None:
        self.next_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe:
            if not self.row.ends(clock_us, widths):
                return
            self.loop_lost = self.interrupt_lost = False
        self.quiet, self.heard_us, self.sticks = 0, clock_us, widths

    def lose(self, clock_us: int) -> None:
        if not self.failsafe:
            self.row = Row(self.radio, clock_us)

    def poll(self, clock_us: int) -> int | None:
        while reached(clock_us, self.next_us):
            self.next_us = (self.next_us + 3_000) & MASK
            self.quiet += 1
            if self.quiet * 3_000 >= self.radio.timeout_us + 3_000:
                self.lose(clock_us)
                self.loop_lost = True
        return self.next_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        if not self.interrupt_lost and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.lose(clock_us)
            self.interrupt_lost = True
        return self.radio.preset if self.failsafe else self.sticks


@sound(late_us=lambda radio: min(radio.timeout_us // 10, 50_000))
class WaitsALittleLonger:
    """Takes a tenth more than the timeout, up to 50 ms, against oscillators that are fast."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.limit_us = self.radio.timeout_us + min(self.radio.timeout_us // 10, 50_000)
        self.last: tuple[int, Widths] | None = None

    @property
    def failsafe(self) -> bool:
        return self.last is None

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None and (self.last is not None or self.row.ends(clock_us, widths)):
            self.last = clock_us, widths

    def poll(self, clock_us: int) -> int | None:
        if self.last is None:
            return None
        if since(clock_us, self.last[0]) >= self.limit_us:
            self.last = None
            self.row = Row(self.radio, clock_us)
            return None
        return (self.last[0] + self.limit_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.last is None else self.last[1]


# --- what is output ---------------------------------------------------------------------------------------------


@sound()
class DoubleBuffer:
    """Packets fill the back buffer; the start of a frame swaps."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.buffers = [list(self.radio.preset), list(self.radio.preset)]
        self.front, self.full = 0, False
        self.failsafe = True
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def fill(self, widths: Sequence[int]) -> None:
        self.buffers[1 - self.front][:] = widths
        self.full = True

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.failsafe = self.failsafe and not self.row.ends(clock_us, widths)
        self.heard_us = clock_us
        if not self.failsafe:
            self.fill(widths)

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
            self.fill(self.radio.preset)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        if self.full:
            self.front, self.full = 1 - self.front, False
        return self.buffers[self.front]


@sound()
class DecodesAtTheFrame:
    """Keeps the newest payload as it came, and computes widths when a frame begins."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.kept: deque[tuple[int, bytes]] = deque()
        self.failsafe = True
        self.heard_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.kept.append((clock_us, payload))

    def poll(self, clock_us: int) -> int | None:
        return None

    def pulses(self, clock_us: int) -> Sequence[int]:
        while self.kept:
            came_us, payload = self.kept.popleft()
            widths = self.radio.read(payload)
            if widths is None:
                continue
            if self.failsafe and self.row.ends(came_us, widths):
                self.failsafe = False
            self.sticks, self.heard_us = widths, came_us
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound()
class LiveWithAShadow:
    """Its pulse routine reads its table channel by channel, from a shadow that it copies in the sync gap."""

    live_output = True
    GAP_US = 2_250
    """Between two reads of one frame there is at most one channel."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.table = self.shadow = self.radio.preset
        self.failsafe = True
        self.read_us: int | None = None
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.table, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.table = True, self.radio.preset
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        if self.read_us is None or since(clock_us, self.read_us) > self.GAP_US:
            self.poll(clock_us)
            self.shadow = self.table
        self.read_us = clock_us
        return self.shadow


@sound(lag_us=lambda radio: 2 * radio.slot_us)
class MedianOfThree:
    """The median of the last three packets where it is one of them, so that no frame mixes packets; not in failsafe.

    When packets stay away the newest one counts alone, or its sticks would be late by the whole gap.
    """

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.last: deque[Widths] = deque(maxlen=3)
        self.failsafe = True
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us = clock_us
        self.last.append(widths)
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
            if not self.failsafe:
                self.last = deque([widths] * 3, maxlen=3)

    def poll(self, clock_us: int) -> int | None:
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
        return (clock_us + 10_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        if self.failsafe:
            return self.radio.preset
        if since(clock_us, self.heard_us) > 2 * self.radio.row_gap_us:
            self.last.extend([self.last[-1]] * 2)
        spread = [sorted(width)[1] for width in zip(*self.last, strict=True)]
        whole = [widths for widths in self.last if list(widths) == spread]
        return whole[0] if whole else self.last[1]


@sound(lag_us=lambda radio: radio.slot_us)
class MeanOfTwo:
    """Outputs the mean of the last two packets, of every channel alike; failsafe values are never averaged.

    When packets stay away the newest one counts alone.
    """

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.older = self.newer = self.radio.preset
        self.heard_us = 0
        self.until_us: int | None = None

    @property
    def failsafe(self) -> bool:
        return self.until_us is None

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us = clock_us
        if self.until_us is None:
            if not self.row.ends(clock_us, widths):
                return
            self.newer = widths
        self.older, self.newer = self.newer, widths
        self.until_us = (clock_us + self.radio.timeout_us) & MASK

    def poll(self, clock_us: int) -> int | None:
        if self.until_us is not None and reached(clock_us, self.until_us):
            self.until_us = None
            self.row = Row(self.radio, clock_us)
        return self.until_us

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        if self.failsafe:
            return self.radio.preset
        if since(clock_us, self.heard_us) > 2 * self.radio.row_gap_us:
            self.older = self.newer
        return [(one + other) // 2 for one, other in zip(self.older, self.newer, strict=True)]


@sound(lag_us=lambda radio: 11 * radio.slot_us)
class LowPass:
    """A first-order low-pass over every channel, in sixteenths; it settles in eleven packets, a cut passes it by.

    When packets stay away it settles at once.
    """

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.level: list[int] = []
        self.newest = self.radio.preset
        self.failsafe = True
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us, self.newest = clock_us, widths
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
            self.level = [16 * width for width in widths]
        else:
            self.level = [
                level + self.step(16 * width - level) for level, width in zip(self.level, widths, strict=True)
            ]

    @staticmethod
    def step(error: int) -> int:
        return error if abs(error) <= 32 else error // 2

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        if since(clock_us, self.heard_us) > 2 * self.radio.row_gap_us:
            self.level = [16 * width for width in self.newest]
        return self.radio.preset if self.failsafe else [(level + 8) // 16 for level in self.level]


@sound(blur_us=1)
class Dithers:
    """Adds a microsecond in every other frame."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.sticks = self.radio.preset
        self.failsafe = True
        self.heard_us = self.odd = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.heard_us, self.sticks = clock_us, widths
            self.failsafe = self.failsafe and not self.row.ends(clock_us, widths)

    def poll(self, clock_us: int) -> int | None:
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
        return None if self.failsafe else (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        self.odd = 1 - self.odd
        return [width + self.odd for width in (self.radio.preset if self.failsafe else self.sticks)]


@sound(blur_us=1)
class CoarseTimer:
    """Its pulse timer counts in steps of two microseconds."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.counts = [width // 2 for width in self.radio.preset]
        self.failsafe = True
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us = clock_us
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.counts = [width // 2 for width in widths]

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.counts = [width // 2 for width in self.radio.preset]
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return [2 * count for count in self.counts]


@sound()
class ThrottleFirst:
    """Cuts the throttle at once, and puts the other channels to their failsafe values in the next frame."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.sticks = self.radio.preset
        self.failsafe = True
        self.frames = 2
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us = clock_us
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.frames = True, 0
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        if not self.failsafe:
            return self.sticks
        self.frames += 1
        if self.frames > 1:
            return self.radio.preset
        at = self.radio.throttle
        return (*self.sticks[:at], self.radio.preset[at], *self.sticks[at + 1 :])


@sound(needs=lambda profile: profile.requirements.motor_cut_within_us - longest_cut_us(profile)[1] >= 20_000)
class RampsTheOthers:
    """Cuts the throttle at once, and moves the other channels to their failsafe values within 40 ms."""

    RAMP_US = 40_000

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.sticks = self.radio.preset
        self.failed_us: int | None = None
        self.failsafe = True
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.heard_us = clock_us
        if self.failsafe and self.row.ends(clock_us, widths):
            self.failsafe, self.failed_us = False, None
        if not self.failsafe:
            self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.failed_us = True, clock_us
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        if not self.failsafe:
            return self.sticks
        if self.failed_us is None or (done_us := since(clock_us, self.failed_us)) >= self.RAMP_US:
            self.failed_us = None
            return self.radio.preset
        ramp = [
            old + (new - old) * done_us // self.RAMP_US for old, new in zip(self.sticks, self.radio.preset, strict=True)
        ]
        ramp[self.radio.throttle] = self.radio.preset[self.radio.throttle]
        return ramp


@sound()
class FlagOfTheFrame:
    """Decides once a frame, and reports the failsafe of the frame that is on the wire."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.failsafe = True
        self.linked = False
        self.heard_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.linked = self.linked or self.row.ends(clock_us, widths)
            self.sticks, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        return (clock_us + 50_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        if self.linked and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.linked = False
            self.row = Row(self.radio, clock_us)
        self.failsafe = not self.linked
        return self.sticks if self.linked else self.radio.preset


@sound()
class AgeOfEachChannel:
    """Every channel has its own value, age and failsafe value, as if packets could have only some of them."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.slots = [[preset, preset, 0] for preset in self.radio.preset]  # shown, preset, heard
        self.follows = False

    @property
    def failsafe(self) -> bool:
        return not self.follows

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.expire(clock_us)
        if not self.follows:
            self.follows = self.row.ends(clock_us, widths)
        if self.follows:
            for slot, width in zip(self.slots, widths, strict=True):
                slot[0], slot[2] = width, clock_us

    def expire(self, clock_us: int) -> None:
        if not self.follows:
            return
        old = [since(clock_us, heard_us) >= self.radio.timeout_us for _, _, heard_us in self.slots]
        for slot, is_old in zip(self.slots, old, strict=True):
            if is_old:
                slot[0] = slot[1]
        if old[self.radio.throttle]:
            self.follows = False
            self.row = Row(self.radio, clock_us)

    def poll(self, clock_us: int) -> int | None:
        self.expire(clock_us)
        return (clock_us + 15_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.expire(clock_us)
        return [shown for shown, _, _ in self.slots]


# --- how it returns ---------------------------------------------------------------------------------------------


@sound(back_us=lambda radio: 20 * radio.slot_us)
class WindowOfSlots:
    """A shift register of packet slots: it returns when twelve of the last sixteen had a packet, the last ones all."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.bits = 0
        self.slot_us = 0
        self.lost = True
        self.heard_us = self.began_us = 0
        self.sticks = self.radio.preset
        self.tail = (1 << min(16, self.radio.row)) - 1

    @property
    def failsafe(self) -> bool:
        return self.lost

    def power_on(self, clock_us: int) -> None:
        self.slot_us = self.began_us = clock_us

    def shift(self, clock_us: int) -> None:
        # A slot is somewhat longer than the interval, so that a late packet leaves no gap.
        slots = min(16, since(clock_us, self.slot_us) // self.radio.row_gap_us)
        self.bits = self.bits << slots & 0xFFFF

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.watch(clock_us)
        self.shift(clock_us)
        self.bits = (self.bits << 1 | 1) & 0xFFFF
        self.slot_us = self.heard_us = clock_us
        full = self.bits.bit_count() >= 12 and self.bits & self.tail == self.tail
        over = since(clock_us, self.began_us) >= self.radio.least_us
        if self.lost and full and over and self.radio.may_end(widths):
            self.lost = False
        if not self.lost:
            self.sticks = widths

    def watch(self, clock_us: int) -> None:
        if not self.lost and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.lost, self.bits, self.began_us = True, 0, clock_us

    def poll(self, clock_us: int) -> int | None:
        self.watch(clock_us)
        return None if self.lost else (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.watch(clock_us)
        return self.radio.preset if self.lost else self.sticks


class _ByTime:
    """Returns after a time of good packets without a gap."""

    time_us = 150_000

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.good_since_us: int | None = None
        self.packets = 0
        self.failsafe = True
        self.heard_us = self.began_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.began_us = clock_us

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        gap = self.good_since_us is None or since(clock_us, self.heard_us) > self.radio.row_gap_us
        self.heard_us = clock_us
        if self.failsafe:
            if gap:
                self.good_since_us, self.packets = clock_us, 0
            self.packets += 1
            self.failsafe = not self.enough(clock_us, widths)
        if not self.failsafe:
            self.sticks = widths

    def enough(self, clock_us: int, widths: Widths) -> bool:
        assert self.good_since_us is not None
        lasted = since(clock_us, self.good_since_us) >= self.time_us and self.packets >= self.radio.row
        return lasted and since(clock_us, self.began_us) >= self.radio.least_us and self.radio.may_end(widths)

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.good_since_us, self.began_us = True, None, clock_us
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(back_us=lambda radio: 150_000 + 2 * radio.row_gap_us)
class ReturnsAfter150Milliseconds(_ByTime):
    """Returns after 150 ms of good packets."""


@sound(back_us=lambda radio: 400_000 + 2 * radio.row_gap_us)
class ReturnsAfter400Milliseconds(_ByTime):
    """Returns after 400 ms of good packets."""

    time_us = 400_000


@sound(back_us=lambda radio: (radio.row + 9) * radio.row_gap_us)
class ReturnsAfterMorePackets:
    """Asks for eight packets more than the profile."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.widths: Widths | None = None
        self.heard_us = 0

    @property
    def failsafe(self) -> bool:
        return self.widths is None

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us, more=8)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None and (self.widths or self.row.ends(clock_us, widths)):
            self.widths, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        if self.widths is None:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.widths = None
            self.row = Row(self.radio, clock_us, more=8)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.widths or self.radio.preset


@sound()
class WaitsForALowThrottle:
    """Never returns to a raised throttle, whatever the profile asks."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.failsafe = True
        self.heard_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe and self.row.ends(clock_us, widths) and self.radio.is_low(widths):
            self.failsafe = False
        if not self.failsafe:
            self.sticks, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(back_us=lambda radio: 200_000 + 2 * radio.row_gap_us)
class WaitsForARestedThrottle(_ByTime):
    """Returns when the throttle has been low for 200 ms of good packets."""

    time_us = 200_000

    def enough(self, clock_us: int, widths: Widths) -> bool:
        if not self.radio.is_low(widths):
            self.good_since_us, self.packets = clock_us, 0
            return False
        return super().enough(clock_us, widths)


@sound(back_us=lambda radio: (radio.row + 20) * radio.slot_us)
class KeepsAScore:
    """A packet adds one, a missed slot takes three; it returns at the score and goes by the timeout."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.score = 0
        self.follows = False
        self.heard_us = self.began_us = 0
        self.sticks = self.radio.preset
        self.wanted = self.radio.row + 5

    @property
    def failsafe(self) -> bool:
        return not self.follows

    def power_on(self, clock_us: int) -> None:
        self.began_us = clock_us

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        missed = since(clock_us, self.heard_us) // self.radio.row_gap_us
        self.score = max(0, self.score - 3 * missed) + 1
        self.heard_us = clock_us
        over = since(clock_us, self.began_us) >= self.radio.least_us
        if not self.follows and self.score >= self.wanted and over and self.radio.may_end(widths):
            self.follows = True
        self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        if not self.follows:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.follows, self.score, self.began_us = False, 0, clock_us
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.sticks if self.follows else self.radio.preset


@sound(back_us=lambda radio: max(300_000, 2 * radio.row_gap_us))
class LongerAfterAReset:
    """After a start it stays in failsafe for at least 300 ms, as it cannot know what happened before."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.ready = False
        self.failsafe = True
        self.start_us = self.heard_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.start_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        self.ready = self.ready or since(clock_us, self.start_us) >= 300_000
        if self.failsafe and self.row.ends(clock_us, widths) and self.ready:
            self.failsafe = False
        if not self.failsafe:
            self.sticks, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(
    back_us=lambda radio: (radio.row + 3) * radio.row_gap_us,
    needs=lambda profile: profile.handset.packet_counter and not profile.radio.losses,
)
class AsksForASequence:
    """Returns only when the counters of the packets follow each other by one."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.before: int | None = None
        self.run = 0
        self.failsafe = True
        self.heard_us = self.began_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.began_us = clock_us

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        follows = self.before is not None and self.radio.counter == (self.before + 1) & 0xFF
        recent = since(clock_us, self.heard_us) <= self.radio.row_gap_us
        self.run = self.run + 1 if follows and recent else 1
        self.before, self.heard_us = self.radio.counter, clock_us
        if self.failsafe and self.run > self.radio.row and self.radio.may_end(widths):
            self.failsafe = since(clock_us, self.began_us) < self.radio.least_us
        if not self.failsafe:
            self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.run, self.began_us = True, 0, clock_us
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(
    back_us=lambda radio: radio.row * radio.row_gap_us + 5 * max(radio.frame_us, radio.row_gap_us),
    needs=lambda profile: profile.output.style == "fixed period",
)
class ReturnsByFrames:
    """Returns at the start of a frame, after frames during which enough packets came; counts its failsafe in frames."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.limit = -(-self.radio.timeout_us // self.radio.frame_us) + 1
        self.least = -(-self.radio.least_us // self.radio.frame_us)
        self.quiet = self.frames = self.packets = self.gap = 0
        self.failsafe = True
        self.newest: Widths | None = None
        self.out = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.frames = 0

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.newest = widths
            self.packets += 1

    def poll(self, clock_us: int) -> int | None:
        return None

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.frames += 1
        came, self.newest = self.newest, None
        self.quiet = 0 if came else self.quiet + 1
        if self.quiet * self.radio.frame_us > self.radio.row_gap_us + self.radio.frame_us:
            self.packets = 0
        if self.failsafe:
            if came and self.packets >= self.radio.row + 1 and self.frames > self.least and self.radio.may_end(came):
                self.failsafe = False
        elif self.quiet >= self.limit:
            self.failsafe, self.frames, self.packets = True, 0, 0
        if self.failsafe:
            self.out = self.radio.preset
        elif came:
            self.out = came
        return self.out


@sound(back_us=lambda radio: 250_000 + 2 * radio.row_gap_us)
class WaitsLongerEachTime:
    """Each failsafe of the last seconds adds 50 ms to the next return, up to 250 ms."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.delay_us = 0
        self.failsafe = True
        self.good_us: int | None = None
        self.heard_us = self.linked_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.good_us is None or since(clock_us, self.heard_us) > self.radio.row_gap_us:
            self.good_us = clock_us
        self.heard_us = clock_us
        if self.failsafe and self.row.ends(clock_us, widths) and since(clock_us, self.good_us) >= self.delay_us:
            self.failsafe, self.linked_us = False, clock_us
        if not self.failsafe:
            self.sticks = widths
            if self.delay_us and since(clock_us, self.linked_us) >= 5_000_000:
                self.delay_us, self.linked_us = 0, clock_us

    def poll(self, clock_us: int) -> int | None:
        if self.failsafe:
            return None
        if since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.good_us = True, None
            self.delay_us = min(self.delay_us + 50_000, 250_000)
            self.row = Row(self.radio, clock_us)
            return None
        return (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.poll(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


# --- how the program is built -----------------------------------------------------------------------------------


@sound(
    late_us=lambda radio: 50_000,
    lag_us=lambda radio: 25_000,
    back_us=lambda radio: (radio.row + 2) * 25_000 + 2 * radio.row_gap_us,
)
class LoopSlowerThanPackets:
    """A loop of 25 ms that sees only the newest packet of several; the interrupt looks whether the loop lives."""

    LOOP_US = 25_000

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.mailbox: Widths | None = None
        self.out = self.radio.preset
        self.failsafe = True
        self.good = self.heard_us = self.next_us = self.began_us = self.lived_us = 0

    def power_on(self, clock_us: int) -> None:
        self.next_us = self.began_us = self.lived_us = clock_us

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.mailbox = widths

    def poll(self, clock_us: int) -> int | None:
        if not reached(clock_us, self.next_us):
            return self.next_us
        self.next_us = (clock_us + self.LOOP_US) & MASK
        self.lived_us = clock_us
        widths, self.mailbox = self.mailbox, None
        silent_us = since(clock_us, self.heard_us)
        if widths is not None:
            self.good = self.good + 1 if self.good and silent_us <= self.radio.row_gap_us + self.LOOP_US else 1
            self.heard_us = clock_us
            over = since(clock_us, self.began_us) >= self.radio.least_us
            if self.failsafe and self.good >= self.radio.row and over and self.radio.may_end(widths):
                self.failsafe = False
            if not self.failsafe:
                self.out = widths
        elif not self.failsafe and silent_us >= self.radio.timeout_us:
            self.lose(clock_us)
        return self.next_us

    def lose(self, clock_us: int) -> None:
        self.failsafe, self.good, self.began_us = True, 0, clock_us
        self.out = self.radio.preset

    def pulses(self, clock_us: int) -> Sequence[int]:
        if not self.failsafe and since(clock_us, self.lived_us) > 2 * self.LOOP_US:
            self.lose(clock_us)
        return self.out


@sound(late_us=lambda radio: 8_000, lag_us=lambda radio: 8_000)
class FifoOfEight:
    """The radio's interrupt stores packets with their time in a FIFO; a loop of 8 ms empties it."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.fifo: deque[tuple[int, bytes]] = deque()
        self.failsafe = True
        self.out = self.radio.preset
        self.heard_us = self.next_us = 0

    def power_on(self, clock_us: int) -> None:
        self.next_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        if len(self.fifo) < 8:
            self.fifo.append((clock_us, payload))

    def poll(self, clock_us: int) -> int | None:
        if not reached(clock_us, self.next_us):
            return self.next_us
        self.next_us = (clock_us + 8_000) & MASK
        while self.fifo:
            came_us, payload = self.fifo.popleft()
            widths = self.radio.read(payload)
            if widths is None:
                continue
            self.heard_us = came_us
            if self.failsafe and self.row.ends(came_us, widths):
                self.failsafe = False
            if not self.failsafe:
                self.out = widths
        self.watch(clock_us, self.radio.timeout_us)
        return self.next_us

    def watch(self, clock_us: int, limit_us: int) -> None:
        if not self.failsafe and since(clock_us, self.heard_us) >= limit_us:
            self.failsafe, self.out = True, self.radio.preset
            self.row = Row(self.radio, clock_us)

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.watch(clock_us, self.radio.timeout_us + 8_000)  # packets may wait in the FIFO
        return self.out


@sound()
class EventQueue:
    """Interrupts post events, one dispatcher handles them in order."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.queue: deque[tuple[str, int, bytes]] = deque()
        self.handlers: dict[str, Callable[[int, bytes], None]] = {"radio": self.on_radio, "time": self.on_time}
        self.state = {"lost": True, "heard": 0}
        self.out = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return bool(self.state["lost"])

    def post(self, kind: str, clock_us: int, data: bytes = b"") -> None:
        self.queue.append((kind, clock_us, data))
        while self.queue:
            name, at_us, content = self.queue.popleft()
            self.handlers[name](at_us, content)

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def on_radio(self, clock_us: int, data: bytes) -> None:
        widths = self.radio.read(data)
        if widths is None:
            return
        self.state["heard"] = clock_us
        if self.failsafe:
            self.state["lost"] = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.out = widths

    def on_time(self, clock_us: int, data: bytes) -> None:
        if not self.failsafe and since(clock_us, self.state["heard"]) >= self.radio.timeout_us:
            self.state["lost"], self.out = True, self.radio.preset
            self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.post("radio", clock_us, payload)

    def poll(self, clock_us: int) -> int | None:
        self.post("time", clock_us)
        return (clock_us + 10_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.post("time", clock_us)
        return self.out


@sound()
class Coroutine:
    """The link is one coroutine that waits for packets and for time."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.out: Widths = self.radio.preset
        self.failsafe = True
        self.link = self.life()
        next(self.link)

    def life(self) -> Generator[None, tuple[int, Widths | None], None]:
        clock_us, widths = yield
        while True:
            self.failsafe, self.out = True, self.radio.preset
            row = Row(self.radio, clock_us)
            while widths is None or not row.ends(clock_us, widths):
                clock_us, widths = yield
            self.failsafe = False
            heard_us = clock_us
            while since(clock_us, heard_us) < self.radio.timeout_us:
                if widths is not None:
                    self.out, heard_us = widths, clock_us
                clock_us, widths = yield
            widths = None

    def power_on(self, clock_us: int) -> None:
        self.link.send((clock_us, None))

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.link.send((clock_us, widths))

    def poll(self, clock_us: int) -> int | None:
        self.link.send((clock_us, None))
        return (clock_us + 5_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.link.send((clock_us, None))
        return self.out


@sound()
class StateTable:
    """A table of states and events with actions; good packets in a row are states of their own."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.last = self.radio.row  # the state "linked"; 0 .. last - 1 count good packets
        self.state = 0
        self.heard_us = self.began_us = 0
        self.sticks = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return self.state < self.last

    def event(self, clock_us: int, widths: Widths | None) -> str:
        silent_us = since(clock_us, self.heard_us)
        if widths is None:
            return "silence" if self.state == self.last and silent_us >= self.radio.timeout_us else "nothing"
        if self.state == self.last:
            return "good"
        if self.state and silent_us > self.radio.row_gap_us:
            return "gap"
        held = since(clock_us, self.began_us) < self.radio.least_us or not self.radio.may_end(widths)
        return "held" if self.state + 1 == self.last and held else "good"

    def step(self, clock_us: int, widths: Widths | None) -> None:
        event = self.event(clock_us, widths)
        if event == "silence":
            self.began_us = clock_us
        gap = 1 if self.last > 1 else 0
        self.state = {
            "silence": 0, "nothing": self.state, "gap": gap, "held": self.state, "good": min(self.state + 1, self.last),
        }[event]  # fmt: skip
        if widths is not None:
            self.heard_us, self.sticks = clock_us, widths

    def power_on(self, clock_us: int) -> None:
        self.began_us = clock_us

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is not None:
            self.step(clock_us, widths)

    def poll(self, clock_us: int) -> int | None:
        self.step(clock_us, None)
        return None if self.failsafe else (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.step(clock_us, None)
        return self.radio.preset if self.failsafe else self.sticks


@sound(back_us=lambda radio: 60_000)
class TestsItself:
    """Outputs nothing for 30 ms after a start, while it tests its radio; then it works."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.tested = False
        self.failsafe = True
        self.start_us = self.heard_us = 0
        self.sticks = self.radio.preset

    def power_on(self, clock_us: int) -> None:
        self.start_us = clock_us
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        if not self.tested or (widths := self.radio.read(payload)) is None:
            return
        self.heard_us = clock_us
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        if not self.tested:
            self.tested = since(clock_us, self.start_us) >= 30_000
            return None if self.tested else (self.start_us + 30_000) & MASK
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe = True
            self.row = Row(self.radio, clock_us)
        return None if self.failsafe else (self.heard_us + self.radio.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        self.poll(clock_us)
        if not self.tested:
            return None
        return self.radio.preset if self.failsafe else self.sticks


def _watchdog_is_soon(profile: Profile) -> bool:
    receiver, limits = profile.receiver, profile.requirements
    if not receiver.watchdog_us:
        return False
    reset_us = receiver.watchdog_us + receiver.boot_us + 3 * longest_frame_us(profile)
    return reset_us <= limits.cut_within_us and reset_us <= limits.motor_cut_within_us


@sound(late_us=lambda radio: 2_000, needs=_watchdog_is_soon)
class HardwareWatchdog:
    """Leaves a hung loop to the hardware's watchdog: its pulse interrupt only copies a table."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.table = self.radio.preset
        self.failsafe = True
        self.heard_us = 0

    def power_on(self, clock_us: int) -> None:
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.table, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.failsafe, self.table = True, self.radio.preset
            self.row = Row(self.radio, clock_us)
        return (clock_us + 2_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        return self.table


@sound()
class FunctionOfStamps:
    """Keeps two time stamps and computes the rest from them whenever it is asked; the stamps saturate."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.asked_us = 0
        self.age_us = self.full_us = 2 * self.radio.timeout_us
        self.back = False
        self.sticks = self.radio.preset

    @property
    def failsafe(self) -> bool:
        return not self.back or self.age_us >= self.radio.timeout_us

    def power_on(self, clock_us: int) -> None:
        self.asked_us = clock_us
        self.row = Row(self.radio, clock_us)

    def look(self, clock_us: int) -> None:
        self.age_us = min(self.age_us + since(clock_us, self.asked_us), self.full_us)
        self.asked_us = clock_us
        if self.back and self.failsafe:
            self.back = False
            self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        self.look(clock_us)
        widths = self.radio.read(payload)
        if widths is not None:
            self.age_us = 0
            self.back = self.back or self.row.ends(clock_us, widths)
            self.sticks = widths

    def poll(self, clock_us: int) -> int | None:
        self.look(clock_us)
        return None if self.failsafe else (clock_us + self.radio.timeout_us - self.age_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int]:
        self.look(clock_us)
        return self.radio.preset if self.failsafe else self.sticks


@sound(
    late_us=lambda radio: 40_000,
    needs=lambda profile: (
        profile.cut_delay_us + 40_000 + profile.flight_controller.signal_timeout_us + 2 * longest_frame_us(profile)
        <= profile.requirements.motor_cut_within_us
    ),
)
class StopsPulsesWhenHung:
    """Ends its pulses when the main loop has not run for 40 ms; otherwise failsafe is the main loop's."""

    def __init__(self, profile: Profile) -> None:
        self.radio = Radio(profile)
        self.table = self.radio.preset
        self.failsafe = True
        self.hung = False
        self.heard_us = self.lived_us = 0

    def power_on(self, clock_us: int) -> None:
        self.lived_us = clock_us
        self.row = Row(self.radio, clock_us)

    def lose(self, clock_us: int) -> None:
        self.failsafe, self.table = True, self.radio.preset
        self.row = Row(self.radio, clock_us)

    def packet(self, clock_us: int, payload: bytes) -> None:
        widths = self.radio.read(payload)
        if widths is None:
            return
        if self.failsafe:
            self.failsafe = not self.row.ends(clock_us, widths)
        if not self.failsafe:
            self.table, self.heard_us = widths, clock_us

    def poll(self, clock_us: int) -> int | None:
        self.lived_us = clock_us
        if self.hung:
            self.hung = False
            self.lose(clock_us)
        if not self.failsafe and since(clock_us, self.heard_us) >= self.radio.timeout_us:
            self.lose(clock_us)
        return (clock_us + 10_000) & MASK

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        self.hung = self.hung or since(clock_us, self.lived_us) >= 40_000
        return None if self.hung else self.table


DESIGNS: Final = tuple(SHEETS)
"""Every design, in the order of this file."""
