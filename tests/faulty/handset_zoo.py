"""Handsets with one realistic mistake each, and the requirement that must find it.

`Sound` is a handset as a maker might write it, without a mistake and with nothing of the reference; every other one
changes a few lines of it. The mistakes are common practice, no source: slips of C on a small microcontroller, features
of other transmitters, and decisions that look reasonable until something breaks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from lostlink_sims import Profile

MASK = 0xFFFF_FFFF
HALF = 0x7FFF_FFFF
ANSWERED = 1
GIVEN_UP = 2
BUSY = 3
DEAD = 4
RESET = 1
REST_US = 20_000
"""Contacts rest when they have stood for so long."""


def crc(data: bytes | bytearray) -> int:
    """Return the CRC-8 with polynomial x^8 + x^2 + x + 1, bit by bit."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1) & 0xFF ^ (0x07 if value & 0x80 else 0)
    return value


class Switch:
    """A switch with its contacts."""

    def __init__(self) -> None:
        self.is_at: int | None = None
        self.seen = 0
        self.since = 0

    def look(self, clock: int, now_at: int) -> int:
        if self.is_at is None:
            self.is_at = self.seen = now_at
        if now_at != self.seen:
            self.seen, self.since = now_at, clock
        if self.rested(clock):
            self.is_at = self.seen
        return self.is_at

    def rested(self, clock: int) -> bool:
        return (clock - self.since) & MASK >= REST_US


class Sound:
    """No mistake: sends from its main loop or, where the link says so, from a timer that looks after the main loop."""

    switch: ClassVar[type[Switch]] = Switch

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        handset = self.handset = profile.handset
        self.interval = handset.packet_interval_us
        self.by_timer = handset.sends_from == "timer"
        self.sticks = [i for i, channel in enumerate(profile.channels) if channel.kind == "stick"]
        self.others = [i for i, channel in enumerate(profile.channels) if channel.kind != "stick"]
        self.throttle = profile.throttle_index
        self.contacts = {i: self.switch() for i in self.others}
        self.low = 0
        self.due = 0
        self.count = 0
        self.waits = False
        self.codes: list[int] | None = None
        self.out: bytes | None = None
        self.alive = 0
        self.is_set_up = False

    # --- begin ---

    def power_on(self, clock: int, cause: int) -> None:
        self.due = clock
        self.waits = self.must_wait(cause)

    def must_wait(self, cause: int) -> bool:
        rule = self.handset.after_reset if cause == RESET else self.handset.at_power_on
        return rule == "waits for low throttle"

    # --- the main loop ---

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.alive = 3
        self.read(clock, self.gauged(list(readings)), list(switches))
        if not self.by_timer:
            self.out = self.fill()
        return self.next(clock)

    def next(self, clock: int) -> int:
        self.due = (self.due + (self.interval // 2 if self.by_timer else self.interval)) & MASK
        return self.due

    def packet(self, clock: int) -> bytes | None:
        out, self.out = self.out, None
        return out

    def interrupt(self, clock: int) -> bytes | None:
        if self.codes is None or not self.loop_is_alive():
            return None
        return self.fill()

    def loop_is_alive(self) -> bool:
        self.alive -= self.alive > 0
        return self.alive > 0

    # --- the battery ---

    level: float | None = None
    is_flat = False

    def gauged(self, readings: list[int]) -> list[int]:
        """Return the readings of the sticks, as with a full battery."""
        battery = self.profile.battery
        if battery.input_range_mv is None:
            return readings
        volts = (readings.pop() + 0.5) / 1024 * battery.input_range_mv
        self.level = volts if self.level is None else self.level + (volts - self.level) / 20
        self.is_flat = self.level < battery.warn_mv + 40 * self.is_flat
        return [self.made_good(reading, self.level) for reading in readings]

    def made_good(self, reading: int, level: float) -> int:
        battery = self.profile.battery
        return min(int((reading + 0.5) * battery.full_mv / level), 1023) if battery.reference == "fixed" else reading

    def alarm(self, clock: int) -> int:
        return int(self.is_flat)

    # --- the radio ---

    def sent(self, clock: int, result: int) -> None:
        if result == DEAD:
            self.is_set_up = False

    def radio(self, clock: int) -> bytes | None:
        if self.is_set_up:
            return None
        self.is_set_up = True
        return self.address()

    def address(self) -> bytes:
        return bytes(int(byte, 16) for byte in (self.handset.address or "").split(":"))

    # --- sticks and switches ---

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        codes = [0] * len(self.profile.channels)
        for i, reading in zip(self.sticks, readings, strict=True):
            codes[i] = self.stick(i, reading)
        for i, now_at in zip(self.others, switches, strict=True):
            codes[i] = self.place(i, self.contacts[i].look(clock, now_at))
        codes = [self.turned(i, code) for i, code in enumerate(codes)]
        throttle_reading = readings[self.sticks.index(self.throttle)]
        codes[self.throttle] = self.guarded(codes, throttle_reading, clock)
        self.codes = codes

    def stick(self, i: int, reading: int) -> int:
        return self.calibrated(i, reading) if self.handset.mapping == "calibrated" else self.scaled(reading)

    def calibrated(self, i: int, reading: int) -> int:
        channel = self.profile.channels[i]
        track = (channel.travel_low, 0.5 + channel.centre_error, channel.travel_high)
        low, centre, high = (1024 * share for share in track)
        is_below = (reading < centre) is (low < high)
        share = (reading - low) / (centre - low) * 127 if is_below else 127 + (reading - centre) / (high - centre) * 128
        return min(255, max(0, int(share + 0.5)))

    def scaled(self, reading: int) -> int:
        match self.handset.mapping:
            case "a >> 2":
                return reading // 4
            case "a * 255 // 1023":
                return reading * 255 // 1023
            case "a * 255 // 1024":
                return reading * 255 // 1024
        return int(reading * 255 / 1023 + 0.5)

    def place(self, i: int, now_at: int) -> int:
        if self.profile.channels[i].kind == "two-position switch":
            return 255 if now_at else 0
        return (0, 127, 255)[now_at]

    def turned(self, i: int, code: int) -> int:
        return 255 - code if self.profile.channels[i].reversed else code

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        """Return the throttle that may be sent."""
        throttle = codes[self.throttle]
        if self.is_broken(reading):
            return self.low
        if self.is_low(throttle):
            self.waits = False
        return self.low if self.waits else throttle

    def is_low(self, throttle: int) -> bool:
        return abs(throttle - self.low) <= 10

    def is_broken(self, reading: int) -> bool:
        channel = self.profile.channels[self.throttle]
        least, most = sorted((channel.travel_low, channel.travel_high))
        return (least >= 0.02 and reading < least * 512) or (most <= 0.98 and reading > 1023 - (1 - most) * 512)

    # --- packets ---

    def fill(self) -> bytes:
        assert self.codes is not None
        return self.frame(self.codes)

    def frame(self, codes: list[int]) -> bytes:
        row = bytearray(self.profile.packet_channels)
        for i, byte in enumerate(self.profile.packet_bytes):
            row[byte] = codes[i]
        return self.marked(row)

    def marked(self, row: bytearray) -> bytes:
        if self.handset.link_id is not None:
            row.append(self.handset.link_id)
        if self.handset.packet_counter:
            row.append(self.count)
        self.counted()
        if self.handset.check_byte:
            row.append(crc(row))
        return bytes(row)

    def counted(self) -> None:
        self.count = (self.count + 1) & 0xFF


# --- what a position becomes ------------------------------------------------------------------------------------


class MapsWith1024(Sound):
    """The range is divided by 1024 instead of 1023: the last code is never sent."""

    def scaled(self, reading: int) -> int:
        return reading * 255 // 1024


class RoundsUp(Sound):
    """Two is added before the shift, as to round; the declared mapping cuts off."""

    def scaled(self, reading: int) -> int:
        return min((reading + 2) >> 2, 255)


class MiddleAsSignedByte(Sound):
    """Codes are kept in a signed byte and limited: 128 is -128."""

    def scaled(self, reading: int) -> int:
        code = super().scaled(reading)
        return max(code - 256 if code > 127 else code, 0)


class LowByteOfTenBits(Sound):
    """The reading is cut to its low byte."""

    def scaled(self, reading: int) -> int:
        return reading & 0xFF


class DeadBand(Sound):
    """A dead band around the centre, as for a worn stick."""

    def scaled(self, reading: int) -> int:
        code = super().scaled(reading)
        return 127 if abs(code - 127) <= 8 else code


class Expo(Sound):
    """An exponential curve over roll, pitch and yaw, left over from another model."""

    def stick(self, i: int, reading: int) -> int:
        share = reading / 511.5 - 1
        return super().stick(i, reading if i == self.throttle else round((0.7 * share + 0.3 * share**3 + 1) * 511.5))


class SnapsToItsEnds(Sound):
    """Codes near an end become the last one, so that the stops are reached for certain."""

    def scaled(self, reading: int) -> int:
        code = super().scaled(reading)
        return 255 if code > 246 else 0 if code < 9 else code


class NeverReachesTheEnds(Sound):
    """Scaled to 5 .. 250, so that trims have room."""

    def scaled(self, reading: int) -> int:
        return 5 + super().scaled(reading) * 245 // 255


class TrimInEightBits(Sound):
    """A trim of ten codes is added in eight bits: 250 + 10 is 4."""

    def stick(self, i: int, reading: int) -> int:
        trim = 0 if i == self.throttle else 10
        return (super().stick(i, reading) + trim) & 0xFF


class CentreAtPowerOn(Sound):
    """Where the sticks are at power-on is taken for their centre."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.centres: dict[int, int] = {}

    def stick(self, i: int, reading: int) -> int:
        code = super().stick(i, reading)
        centre = self.centres.setdefault(i, code)
        return code if i == self.throttle else min(max(code - centre + 128, 0), 255)


class LearnsItsEnds(Sound):
    """The least and the greatest reading so far are the ends of the travel."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.ends: dict[int, tuple[int, int]] = {}

    def stick(self, i: int, reading: int) -> int:
        least, most = self.ends.get(i, (300, 700))
        least, most = self.ends[i] = min(least, reading), max(most, reading)
        return (reading - least) * 255 // (most - least)


class MiddleOfTheSwitchIsOn(Sound):
    """A three-position switch is read as one of two positions."""

    def place(self, i: int, now_at: int) -> int:
        return 255 if now_at else 0


class MiddleOfTheSwitchIs128(Sound):
    """The middle of a three-position switch is sent as 128; the link's is 127."""

    def place(self, i: int, now_at: int) -> int:
        code = super().place(i, now_at)
        return 128 if code == 127 else code


class SwitchUpsideDown(Sound):
    """A switch to ground with a pull-up: on reads as off."""

    def place(self, i: int, now_at: int) -> int:
        return 255 - super().place(i, now_at)


class StopIsABreak(Sound):
    """A reading at a rail is taken for a broken wire, though the travel goes from rail to rail."""

    def is_broken(self, reading: int) -> bool:
        return reading in (0, 1023)


class WrapsBeyondItsStops(Sound):
    """The calibrated code is not limited: a little beyond full throttle is idle."""

    def calibrated(self, i: int, reading: int) -> int:
        channel = self.profile.channels[i]
        low, centre, high = (1024 * s for s in (channel.travel_low, 0.5 + channel.centre_error, channel.travel_high))
        is_below = (reading < centre) is (low < high)
        share = (reading - low) / (centre - low) * 127 if is_below else 127 + (reading - centre) / (high - centre) * 128
        return int(share + 0.5) & 0xFF


class WrapsBelowItsLowStop(WrapsBeyondItsStops):
    """Limited at the high stop only: a little below idle is full throttle."""

    def calibrated(self, i: int, reading: int) -> int:
        low, centre, high = (1024 * s for s in self.track(i))
        is_above = (reading > centre) is (low < high)
        return Sound.calibrated(self, i, reading) if is_above else super().calibrated(i, reading)

    def track(self, i: int) -> tuple[float, float, float]:
        channel = self.profile.channels[i]
        return channel.travel_low, 0.5 + channel.centre_error, channel.travel_high


class BreakRightBeyondTheStop(Sound):
    """A throttle four counts beyond its stop counts as a broken wire, and goes to idle."""

    def is_broken(self, reading: int) -> bool:
        channel = self.profile.channels[self.throttle]
        least, most = sorted((channel.travel_low, channel.travel_high))
        return reading < 1024 * least - 4 or reading > 1024 * most + 4


# --- which byte, which way --------------------------------------------------------------------------------------


class SticksExchanged(Sound):
    """Two sticks are in each other's bytes."""

    def frame(self, codes: list[int]) -> bytes:
        first, second = self.sticks[:2]
        codes = [*codes]
        codes[first], codes[second] = codes[second], codes[first]
        return super().frame(codes)


class OneStickInAllBytes(Sound):
    """The index of the reading is never counted up: every stick is the first."""

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        super().read(clock, [readings[0]] * len(readings), switches)


class OwnOrderOfBytes(Sound):
    """The channels are sent one after the other, wherever the link has their bytes."""

    def frame(self, codes: list[int]) -> bytes:
        row = bytearray([*codes, *[0] * self.profile.packet_channels])
        return self.marked(row[: self.profile.packet_channels])


class ThrottleUpsideDown(Sound):
    """Throttle wired the other way round: full at the low stop."""

    def stick(self, i: int, reading: int) -> int:
        code = super().stick(i, reading)
        return 255 - code if i == self.throttle else code


class ReversedTwice(Sound):
    """A reversed channel is reversed where it is read and again where it is sent."""

    def turned(self, i: int, code: int) -> int:
        return super().turned(i, super().turned(i, code))


class DualRates(Sound):
    """The last switch halves the travel of roll: a feature that the link does not declare."""

    def frame(self, codes: list[int]) -> bytes:
        codes = [*codes]
        if codes[self.others[-1]] > 127:
            codes[self.sticks[0]] = 64 + codes[self.sticks[0]] // 2
        return super().frame(codes)


class MixesThrottleIntoPitch(Sound):
    """A mixer adds a sixteenth of the throttle to another stick."""

    def frame(self, codes: list[int]) -> bytes:
        codes = [*codes]
        codes[self.sticks[1]] = min(codes[self.sticks[1]] + codes[self.throttle] // 16, 255)
        return super().frame(codes)


class NoDisarmingInFlight(Sound):
    """The arming switch is ignored while the throttle is up, so that no slip of a finger drops the model."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.armed = 0

    def frame(self, codes: list[int]) -> bytes:
        codes, arm = [*codes], self.profile.arm_index or 0
        if codes[self.throttle] < 20 or codes[arm] > self.armed:
            self.armed = codes[arm]
        codes[arm] = self.armed
        return super().frame(codes)


class ThrottleHold(Sound):
    """The last switch holds the throttle at its low end."""

    def frame(self, codes: list[int]) -> bytes:
        codes = [*codes]
        if codes[self.others[-1]] > 127:
            codes[self.throttle] = 0
        return super().frame(codes)


# --- noise ------------------------------------------------------------------------------------------------------


class EverySecondConversionIsLow(Sound):
    """After changing the input only every second conversion has settled."""

    odd = False

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        self.odd = not self.odd
        super().read(clock, [max(reading - 9 * self.odd, 0) for reading in readings], switches)


class Dithers(Sound):
    """The two bits that the shift drops are added to the next reading, to send more than eight bits."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.rest: dict[int, int] = {}

    def stick(self, i: int, reading: int) -> int:
        total = reading + self.rest.get(i, 0)
        self.rest[i] = total & 3
        return min(total >> 2, 255)


class AmplifiesNoise(Sound):
    """A step of the reading is doubled, so that sticks feel quick."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.last: dict[int, int] = {}

    def stick(self, i: int, reading: int) -> int:
        step = reading - self.last.get(i, reading)
        self.last[i] = reading
        return super().stick(i, min(max(reading + 2 * step, 0), 1023))


# --- switches ---------------------------------------------------------------------------------------------------


class NoDebounce(Sound):
    """Switches are sent as they are read."""

    class switch(Switch):  # noqa: N801
        def rested(self, clock: int) -> bool:
            return True


class DebounceTooShort(Sound):
    """Contacts rest after two milliseconds, says the first page that was found."""

    class switch(Switch):  # noqa: N801
        def rested(self, clock: int) -> bool:
            return (clock - self.since) & MASK >= 2_000


class DebouncesByDelay(Sound):
    """At each change of a switch the main loop waits half a second."""

    before: list[int] | None = None

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        wanted = super().turn(clock, readings, switches)
        changed = self.before is not None and self.before != list(switches)
        self.before = list(switches)
        if changed:
            self.due = (clock + 500_000) & MASK
            return self.due
        return wanted


class OneTimerForAllSwitches(Sound):
    """The switches share one time of the last change and one waiting position."""

    last: ClassVar[int] = 0

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        changed = [i for i, now_at in zip(self.others, switches, strict=True) if self.contacts[i].seen != now_at]
        super().read(clock, readings, switches)
        for i in self.others:
            if changed and i != changed[0]:  # the change of another is forgotten
                self.contacts[i].seen = self.contacts[i].is_at or 0


class SwitchAfterTwoSeconds(Sound):
    """A switch counts when it has been held for two seconds, against touching it by mistake."""

    class switch(Switch):  # noqa: N801
        def rested(self, clock: int) -> bool:
            return (clock - self.since) & MASK >= 2_000_000


# --- time -------------------------------------------------------------------------------------------------------


class WaitsAfterItsWork(Sound):
    """`delay(5)` after the work: the work comes on top of the interval."""

    def next(self, clock: int) -> int:
        self.due = (clock + self.handset.turn_us + self.interval) & MASK
        return self.due


class LoopThatSendsFromNow(Sound):
    """A loop without a plan; the next packet is due an interval after this one was noticed."""

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        if (clock - self.due) & MASK <= HALF:
            super().turn(clock, readings, switches)
            self.due = (clock + self.interval) & MASK
        return (clock + 1) & MASK


class InBursts(Sound):
    """Two packets one after the other, then a pause of two intervals."""

    odd = False

    def next(self, clock: int) -> int:
        self.odd = not self.odd
        self.due = (self.due + (500 if self.odd else 2 * self.interval - 500)) & MASK
        return self.due


class Floods(Sound):
    """Sends whenever the radio is free."""

    def next(self, clock: int) -> int:
        return (clock + 1) & MASK


class SavesItsTrims(Sound):
    """Every ten seconds the trims go to non-volatile memory, 3.4 ms a byte, in the main loop."""

    saved = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        wanted = super().turn(clock, readings, switches)
        self.saved += self.interval
        if self.saved >= 10_000_000:
            self.saved = 0
            self.due = (clock + 64 * 3_400) & MASK
            return self.due
        return wanted


class SendsChangesOnly(Sound):
    """A packet that says the same as the one before is left out, to save the battery."""

    before: list[int] | None = None

    def fill(self) -> bytes | None:  # type: ignore[override]
        if self.codes == self.before:
            return None
        self.before = self.codes
        return super().fill()


class SlowWhenIdle(Sound):
    """After ten seconds without a move it sends half as many packets, to save the battery."""

    before: list[int] | None = None
    still = 0

    def next(self, clock: int) -> int:
        self.still = self.still + 1 if self.codes == self.before else 0
        self.before = self.codes
        if self.still * self.interval > 10_000_000:
            self.due = (self.due + self.interval) & MASK
        return super().next(clock)


class BeepsAfterFiveMinutes(Sound):
    """The alarm of the flight timer blocks the main loop for a quarter of a second."""

    packets = 0

    def next(self, clock: int) -> int:
        self.packets += 1
        if self.packets == 300_000_000 // self.interval:
            self.due = (self.due + 250_000) & MASK
        return super().next(clock)


class SixteenBitPackets(Sound):
    """A 16-bit number of packets; number 0 is the welcome, with everything centred."""

    number = 0

    def frame(self, codes: list[int]) -> bytes:
        self.number = (self.number + 1) & 0xFFFF
        return super().frame(codes if self.number else [127] * len(codes))


# --- age --------------------------------------------------------------------------------------------------------


class AveragesThirtyTwoSweeps(Sound):
    """The mean of 32 sweeps is sent, against noise."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.rows: deque[list[int]] = deque(maxlen=32)

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        self.rows.append(readings)
        super().read(clock, [sum(row) // len(self.rows) for row in zip(*self.rows, strict=True)], switches)


class OtherBufferEachTime(Sound):
    """Two buffers in turn, but the second is only filled every eighth time."""

    turns = 0
    kept: list[int] | None = None

    def frame(self, codes: list[int]) -> bytes:
        self.turns += 1
        if self.kept is None or self.turns % 8 == 0:
            self.kept = codes
        return super().frame(self.kept if self.turns % 2 else codes)


class SweepsEveryFifthPacket(Sound):
    """The ADC is slow, so the sticks are read for every fifth packet only."""

    turns = 0
    kept: list[int] | None = None

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        if self.turns % 5 == 0:
            self.kept = readings
        self.turns += 1
        assert self.kept is not None
        super().read(clock, self.kept, switches)


class SlewsItsSticks(Sound):
    """A stick's code goes at most eight codes a packet, so that the model flies smoothly."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.at: dict[int, int] = {}

    def stick(self, i: int, reading: int) -> int:
        code = super().stick(i, reading)
        at = self.at.get(i, code)
        self.at[i] = min(max(code, at - 8), at + 8)
        return self.at[i]


class LastPacketsBuffer(Sound):
    """The buffer of the last turn is sent, then filled."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.ready = [0] * len(profile.channels)

    def fill(self) -> bytes:
        assert self.codes is not None
        row, self.ready = self.frame(self.ready), self.codes
        return row


class WaitsForTheRadio(Sound):
    """Sends the next packet when the radio has reported the last one; a refused one is never reported."""

    pending = False

    def fill(self) -> bytes | None:  # type: ignore[override]
        if self.pending:
            return None
        self.pending = True
        return super().fill()

    def sent(self, clock: int, result: int) -> None:
        self.pending = result == BUSY


class QueuesOldPackets(Sound):
    """What the radio refuses is kept and sent in order, one an interval."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.queue: deque[bytes] = deque(maxlen=3)

    def packet(self, clock: int) -> bytes | None:
        if self.out is not None:
            self.queue.append(self.out)
            self.out = None
            return self.queue[0]
        return None

    def sent(self, clock: int, result: int) -> None:
        if result != BUSY and self.queue:
            self.queue.popleft()


class SendsTheRefusedOneFirst(Sound):
    """A refused packet is offered again, however old it has become."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.refused: bytes | None = None
        self.offered: bytes | None = None

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        self.offered = out if out is None or self.refused is None else self.refused
        return self.offered

    def sent(self, clock: int, result: int) -> None:
        self.refused = (self.refused or self.last) if result == BUSY else None

    @property
    def last(self) -> bytes | None:
        return self.offered


class GivesUpAfterTenRefusals(Sound):
    """Ten refusals in a row: the radio must be broken, so nothing is sent any more."""

    refusals = 0

    def sent(self, clock: int, result: int) -> None:
        self.refusals = self.refusals + 1 if result == BUSY or self.refusals >= 10 else 0

    def fill(self) -> bytes | None:  # type: ignore[override]
        return None if self.refusals >= 10 else super().fill()


# --- counter and marks ------------------------------------------------------------------------------------------


class CountsTurns(Sound):
    """The counter counts turns of the main loop, which is faster than the packets."""

    turns = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.turns += 1
        self.count = (self.count + 1) & 0xFF
        if self.turns % 3 == 1:
            super().turn(clock, readings, switches)
        return (clock + self.interval // 3) & MASK


class CountsModulo255(Sound):
    """The counter is taken modulo 255."""

    def counted(self) -> None:
        self.count = (self.count + 1) % 255


class CountsChangesOnly(Sound):
    """The counter goes on when the sticks have changed."""

    before: list[int] | None = None

    def counted(self) -> None:
        if self.codes != self.before:
            super().counted()
        self.before = self.codes


class CheckBeforeCounter(Sound):
    """The check byte is calculated before the counter is written."""

    def marked(self, row: bytearray) -> bytes:
        before = super().marked(bytearray(row))
        whole = bytearray(before[:-1])
        counter = self.profile.counter_byte
        assert counter is not None
        whole[counter] = (whole[counter] + 1) & 0xFF
        return bytes([*whole, before[-1]])


class SignedCheck(Sound):
    """The check byte is calculated over signed bytes that are shifted right with their sign."""

    def marked(self, row: bytearray) -> bytes:
        whole = super().marked(row)
        return bytes([*whole[:-1], whole[-1] ^ 0x80]) if max(whole[:-1]) > 0xF0 else whole


class NoIdAfterReset(Sound):
    """The link id is set up at power-on only."""

    id_known = True

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.id_known = cause != RESET

    def marked(self, row: bytearray) -> bytes:
        whole = bytearray(super().marked(row))
        if not self.id_known:
            whole[self.profile.packet_channels] = 0
            whole[-1] = crc(whole[:-1])
        return bytes(whole)


class PaddedStruct(Sound):
    """The compiler pads the packet's struct to a multiple of four bytes."""

    def frame(self, codes: list[int]) -> bytes:
        row = super().frame(codes)
        return row + bytes(-len(row) % 4)


class CounterBeforeId(Sound):
    """The counter is sent before the link id."""

    def marked(self, row: bytearray) -> bytes:
        whole = bytearray(super().marked(row))
        at = self.profile.packet_channels
        whole[at], whole[at + 1] = whole[at + 1], whole[at]
        whole[-1] = crc(whole[:-1])
        return bytes(whole)


class AnothersId(Sound):
    """The id of the maker's other handset."""

    def marked(self, row: bytearray) -> bytes:
        whole = bytearray(super().marked(row))
        whole[self.profile.packet_channels] ^= 0x11
        whole[-1] = crc(whole[:-1])
        return bytes(whole)


class TelemetryInBetween(Sound):
    """Every hundredth packet is one of another kind, with the battery's voltage."""

    packets = 0

    def frame(self, codes: list[int]) -> bytes:
        self.packets += 1
        whole = super().frame(codes)
        return bytes([0xB7, 0x2C]) if self.packets % 100 == 0 else whole


# --- power-on ---------------------------------------------------------------------------------------------------


class SendsAtOnce(Sound):
    """Switched on it sends the throttle, wherever it is."""

    def must_wait(self, cause: int) -> bool:
        return False


class WaitsOnlyWhenArmed(Sound):
    """The wait for a low throttle is left out while the arming switch is off; it is thrown later."""

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        if codes[self.profile.arm_index or 0] < 128:
            self.waits = False
        return super().guarded(codes, reading, clock)


class WaitsFiveSeconds(Sound):
    """The wait for a low throttle ends after five seconds."""

    LASTS_US: ClassVar[int] = 5_000_000
    began: int | None = None

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        self.began = clock if self.began is None else self.began
        if (clock - self.began) & MASK > self.LASTS_US:
            self.waits = False
        return super().guarded(codes, reading, clock)


class HalfIsLow(Sound):
    """The throttle counts as low below its half."""

    def is_low(self, throttle: int) -> bool:
        return throttle < 128


class TenPerCentIsLow(Sound):
    """The throttle counts as low below a tenth of its travel."""

    def is_low(self, throttle: int) -> bool:
        return throttle < 26


class AnyMoveEndsTheWait(Sound):
    """The wait ends when the throttle moves: the pilot has it in hand."""

    first: int | None = None

    def is_low(self, throttle: int) -> bool:
        self.first = throttle if self.first is None else self.first
        return throttle <= 10 or abs(throttle - self.first) > 20


class AnotherStickEndsTheWait(Sound):
    """The wait ends when any stick moves: the pilot holds the handset."""

    first: list[int] | None = None

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        others = [codes[i] for i in self.sticks if i != self.throttle]
        self.first = others if self.first is None else self.first
        if any(abs(code - began) > 20 for code, began in zip(others, self.first, strict=True)):
            self.waits = False
        return super().guarded(codes, reading, clock)


class WaitsAMinute(WaitsFiveSeconds):
    """The wait ends with the light of the display, after a minute."""

    LASTS_US: ClassVar[int] = 60_000_000


class FilterFromZero(Sound):
    """The throttle's filter starts at zero, so that the first value of all looks low."""

    mean = 0

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        self.mean += (codes[self.throttle] - self.mean) // 4
        if self.is_low(self.mean // 2 if self.mean < 30 else self.mean):
            self.waits = False
        return super().guarded(codes, reading, clock)


class WarmStart(Sound):
    """A word in memory that survives a short loss of the supply: switched off and on, it goes on as before."""

    word: ClassVar[dict[str, int]] = {}

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        if self.flown:
            self.waits = False

    @property
    def flown(self) -> bool:
        """Whether the throttle was up before the supply was lost; the tests' memory is lost with each run."""
        return self.word.get("run") == id(self.profile) and self.word.get("flown", 0) > 0

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        throttle = super().guarded(codes, reading, clock)
        if throttle > 60:
            self.word.update(run=id(self.profile), flown=1)
        return throttle


class BrokenWireIsLow(Sound):
    """While a broken wire pulls the throttle low, the stick counts as low."""

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        if self.is_low(codes[self.throttle]):
            self.waits = False
        return super().guarded(codes, reading, clock)


class EverythingCentredFirst(Sound):
    """Before the first sweep everything is centred, the throttle too, and is sent."""

    first = True

    def fill(self) -> bytes:
        codes = [127] * len(self.profile.channels) if self.first else self.codes
        self.first = False
        assert codes is not None
        return self.frame(codes)


class ZerosTurnedFirst(Sound):
    """The first packet is an empty buffer, in which the reversed channel is turned to its high end."""

    first = True

    def fill(self) -> bytes:
        codes = [self.turned(i, 0) for i in range(len(self.profile.channels))] if self.first else self.codes
        self.first = False
        assert codes is not None
        return self.frame(codes)


class OldSticksFirst(Sound):
    """The sticks of the last use are in non-volatile memory, and are sent until the first sweeps have come."""

    memory: ClassVar[dict[int, list[int]]] = {}
    packets = 0

    def fill(self) -> bytes:
        self.packets += 1
        assert self.codes is not None
        if self.packets <= 2:
            return self.frame(self.memory.get(id(self.profile), self.codes))
        self.memory[id(self.profile)] = self.codes
        return super().fill()


class PullUpsFirst(Sound):
    """The first sweep sees the pull-ups of the switches before their inputs have settled: on."""

    sweeps = 0

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        self.sweeps += 1
        super().read(clock, readings, [1] * len(switches) if self.sweeps == 1 else switches)


class TimerBeforeTheFirstSweep(Sound):
    """The timer sends its empty buffer until the main loop has filled it."""

    sweeps = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.sweeps += 1
        if self.sweeps > 4:  # calibrates its ADC before
            return super().turn(clock, readings, switches)
        self.codes, self.alive = [0] * len(self.profile.channels), 3
        return self.next(clock)


# --- reset and hang ---------------------------------------------------------------------------------------------


class WaitsAfterAnyReset(Sound):
    """It cannot tell a reset from power-on, and waits for a low throttle in flight."""

    def must_wait(self, cause: int) -> bool:
        return self.handset.at_power_on == "waits for low throttle"


class SwitchesOffAfterReset(Sound):
    """After a reset every switch is off until its contacts have rested: the model is disarmed in flight."""

    class switch(Switch):  # noqa: N801
        def look(self, clock: int, now_at: int) -> int:
            if self.is_at is None:
                self.is_at, self.seen, self.since = 0, now_at, clock
            return super().look(clock, now_at)


class BootsASecondTime(Sound):
    """After a reset it shows its welcome for six tenths of a second."""

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.welcome = cause == RESET

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        if self.welcome:
            self.welcome = False
            self.due = (self.due + 600_000) & MASK
            return self.due
        return super().turn(clock, readings, switches)


class MiddleThrottleAfterReset(Sound):
    """For the first three packets after a reset the throttle is in the middle, to keep the model up."""

    left = 0

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.left = 3 if cause == RESET else 0

    def frame(self, codes: list[int]) -> bytes:
        if self.left:
            self.left -= 1
            codes = [*codes]
            codes[self.throttle] = 127
        return super().frame(codes)


class TimerSendsForEver(Sound):
    """The timer sends the buffer whether or not the main loop still fills it."""

    def interrupt(self, clock: int) -> bytes | None:
        return None if self.codes is None else self.fill()

    def counted(self) -> None:
        """Count where the buffer is filled."""

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        super().read(clock, readings, switches)
        super().counted()


class TimerCounts(Sound):
    """The timer sends the buffer for ever and counts its packets: each looks new, also to a receiver that checks."""

    def loop_is_alive(self) -> bool:
        return True


class TimerSaysItIsAlive(Sound):
    """The sign of life of the main loop is set in the timer interrupt."""

    def interrupt(self, clock: int) -> bytes | None:
        self.alive = 3
        return super().interrupt(clock)


class AliveInEightBits(Sound):
    """Interrupts since the last turn are counted in eight bits: after 256 the main loop looks alive again."""

    since = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.since = 0
        return super().turn(clock, readings, switches)

    def loop_is_alive(self) -> bool:
        self.since = (self.since + 1) & 0xFF
        return self.since < 8


class WatchedOnce(Sound):
    """An interrupt that finds the main loop hung stops sending, and a loop that goes on ends the watch."""

    has_hung = False

    def loop_is_alive(self) -> bool:
        is_alive = super().loop_is_alive()
        self.has_hung |= not is_alive
        return is_alive

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        wanted = super().turn(clock, readings, switches)
        self.alive = 1_000_000 if self.has_hung else self.alive
        return wanted


class WatchedInFlight(Sound):
    """With a throttle below a quarter the main loop is not watched: it may take its time on the ground."""

    def loop_is_alive(self) -> bool:
        is_alive = super().loop_is_alive()
        return is_alive or (self.codes is not None and self.codes[self.throttle] < 64)


class TwoBuffersForEver(Sound):
    """After a hang the timer sends its two buffers in turn: their counters differ, so each looks new."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.rows: deque[bytes] = deque(maxlen=2)

    def interrupt(self, clock: int) -> bytes | None:
        row = super().interrupt(clock)
        if row is not None:
            self.rows.append(row)
            return row
        self.rows.rotate(1)
        return self.rows[0] if self.rows else None


class CatchesUpAfterAHang(Sound):
    """A turn that came late makes up for the missed ones, with what was read before."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.behind = 0
        self.kept: list[int] | None = None

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        late = (clock - self.due) & MASK
        if self.kept is not None and self.interval < late <= HALF:
            self.out = self.frame(self.kept)
            return self.next(clock)
        wanted = super().turn(clock, readings, switches)
        self.kept = self.codes
        return wanted


# --- a broken wire ----------------------------------------------------------------------------------------------


class RailIsAStop(Sound):
    """A broken wire is not told from a stop: to the high rail it is full throttle."""

    def is_broken(self, reading: int) -> bool:
        return False


class BreakIsCentred(Sound):
    """A broken throttle wire is noticed, and the throttle centred like any other stick."""

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        return 127 if self.is_broken(reading) else super().guarded(codes, reading, clock)


class BreakByItsJump(Sound):
    """A wire counts as broken when the reading jumps by more than half of the track."""

    before = 0
    broken = False

    def is_broken(self, reading: int) -> bool:
        self.broken = reading >= 1020 and (self.broken or abs(reading - self.before) > 512)
        self.before = reading
        return self.broken


class BreakAfterThreeSweeps(Sound):
    """A break counts when three sweeps have seen it; until then the reading is sent."""

    seen = 0

    def is_broken(self, reading: int) -> bool:
        self.seen = self.seen + 1 if super().is_broken(reading) else 0
        return self.seen > 3


class BreakForASecond(Sound):
    """After a second a wire no longer counts as broken: a stick may have been calibrated to that reading."""

    since: int | None = None

    def is_broken(self, reading: int) -> bool:
        if not super().is_broken(reading):
            self.since = None
            return False
        self.since = self.due if self.since is None else self.since
        return (self.due - self.since) & MASK < 1_000_000


class RailAtBootIsAStop(Sound):
    """A reading that was at the rail when the program began is the end of the track."""

    is_stop: bool | None = None

    def is_broken(self, reading: int) -> bool:
        at_rail = super().is_broken(reading)
        self.is_stop = at_rail if self.is_stop is None else self.is_stop and at_rail
        return at_rail and not self.is_stop


class AnyBreak(Sound):
    """Looks for broken wires of all sticks."""

    def broken(self, readings: Sequence[int]) -> list[int]:
        return [i for i, reading in zip(self.sticks, readings, strict=True) if not 20 <= reading <= 1003]


class AnyBreakCutsTheThrottle(AnyBreak):
    """A broken wire of any stick: the throttle goes to idle."""

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        super().read(clock, readings, switches)
        if self.broken(readings):
            assert self.codes is not None
            self.codes[self.throttle] = self.low


class AnyBreakFreezesAll(AnyBreak):
    """With a broken wire the last codes are sent on."""

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        before = self.codes
        super().read(clock, readings, switches)
        if before is not None and set(self.broken(readings)) - {self.throttle}:
            self.codes = before


class NoPacketWithABreak(AnyBreak):
    """Implausible readings are not sent."""

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        wanted = super().turn(clock, readings, switches)
        self.out = None if set(self.broken(readings)) - {self.throttle} else self.out
        return wanted


class CentredForGoodAfterABreak(AnyBreak):
    """A stick whose wire was broken once is sent as centred from then on."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.was_broken: set[int] = set()

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        super().read(clock, readings, switches)
        self.was_broken |= set(self.broken(readings)) - {self.throttle}
        assert self.codes is not None
        for i in self.was_broken:
            self.codes[i] = 127


class EqualSticksAreAFault(Sound):
    """Two sticks with equal readings for a quarter of a second count as a short circuit: all are held."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.equal_for: dict[int, int] = {}

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        before = self.codes
        super().read(clock, readings, switches)
        for place in range(1, len(readings)):
            same = abs(readings[place] - readings[place - 1]) <= 1
            self.equal_for[place] = self.equal_for.get(place, 0) + 1 if same else 0
            if self.equal_for[place] * self.interval > 250_000 and before is not None:
                self.codes = before


# --- the radio ---


FACTORY = bytes([0xE1] * 5)


class FactoryAddressFirst(Sound):
    """The radio's address is that of the factory until the first packet has left."""

    def address(self) -> bytes:
        return super().address() if self.count > 1 else FACTORY

    def radio(self, clock: int) -> bytes | None:
        address = super().radio(clock)
        self.is_set_up = self.is_set_up and self.count > 1
        return address


class AddressFromTheWrongEnd(Sound):
    """The radio wants the last byte first."""

    def address(self) -> bytes:
        return super().address()[::-1]


class AddressWithoutItsMemory(Sound):
    """After a reset the memory with the address is read too early: all bits are set."""

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.is_reset = cause == RESET

    def address(self) -> bytes:
        return b"\xff" * 5 if self.is_reset else super().address()


class PairsWithAStickHeld(Sound):
    """Held to one side at power-on, the first stick starts the pairing: two seconds on another address."""

    began: int | None = None

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        if self.began is None:
            self.began, self.pairs = clock, readings[0] > 1000
            self.is_set_up = not self.pairs
        was, self.pairs = self.pairs, self.pairs and (clock - self.began) & MASK < 2_000_000
        self.is_set_up = self.is_set_up and was == self.pairs
        return super().turn(clock, readings, switches)

    def address(self) -> bytes:
        return FACTORY if self.began is not None and self.pairs else super().address()


class SetUpAgainWithoutItsAddress(Sound):
    """All registers are written again, but the address."""

    was_set_up = False

    def address(self) -> bytes:
        address = FACTORY if self.was_set_up else super().address()
        self.was_set_up = True
        return address


class SetsUpItsRadioOnce(Sound):
    """The radio is set up at power-on."""

    def sent(self, clock: int, result: int) -> None:
        pass


class SetsUpItsRadioASecondTime(Sound):
    """A radio that was set up again once counts as broken the next time."""

    times = 0

    def sent(self, clock: int, result: int) -> None:
        if result == DEAD and self.times < 2:
            self.times += self.is_set_up
            super().sent(clock, result)

    def radio(self, clock: int) -> bytes | None:
        address = super().radio(clock)
        return address if address is None or self.times < 2 else None


class TriesItsRadioTwentyTimes(Sound):
    """After twenty failures in a row the radio counts as broken."""

    failures = 0

    def sent(self, clock: int, result: int) -> None:
        self.failures = self.failures + 1 if result == DEAD else 0
        if self.failures < 20:
            super().sent(clock, result)


class LooksAfterItsRadioSeldom(Sound):
    """The registers are checked every three seconds."""

    checked = 0

    def sent(self, clock: int, result: int) -> None:
        if (clock - self.checked) & MASK > 3_000_000:
            self.checked = clock
            super().sent(clock, result)


class KeepsWhatCouldNotLeave(Sound):
    """Packets that a dead radio did not take are kept and sent first."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.kept: deque[bytes] = deque()
        self.last: bytes | None = None

    def sent(self, clock: int, result: int) -> None:
        super().sent(clock, result)
        if result == DEAD and self.last is not None:
            self.kept.append(self.last)

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        if out is not None and self.kept:
            self.kept.append(out)
            out = self.kept.popleft()
        self.last = out or self.last
        return out


class OffersWhatWasNotAnswered(Sound):
    """A packet without an answer is sent again, up to three times, before a new one."""

    last: bytes | None = None
    again = 0

    def sent(self, clock: int, result: int) -> None:
        super().sent(clock, result)
        if result != BUSY:
            self.again = self.again + 1 if result == GIVEN_UP and self.again < 3 else 0

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        if out is not None:
            self.last = self.last if self.again and self.last else out
            return self.last
        return None


class WaitsForTheAnswer(Sound):
    """The next packet leaves after the answer to the one before, or after 200 ms."""

    left_at: int | None = None

    def sent(self, clock: int, result: int) -> None:
        super().sent(clock, result)
        if result == ANSWERED:
            self.left_at = None

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        if out is None or (self.left_at is not None and (clock - self.left_at) & MASK < 200_000):
            return None
        self.left_at = clock
        return out


class HalfTheRateWithoutAnswers(Sound):
    """After ten packets without an answer only every second one is sent, to save the battery."""

    failures = 0
    turns = 0

    def sent(self, clock: int, result: int) -> None:
        super().sent(clock, result)
        self.failures = self.failures + 1 if result == GIVEN_UP else 0

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        self.turns += out is not None
        return None if self.failures > 10 and self.turns % 2 else out


class NothingBeforeTheFirstAnswer(Sound):
    """Until the receiver has answered once all sticks are sent as centred and the throttle as low."""

    is_known = False

    def sent(self, clock: int, result: int) -> None:
        super().sent(clock, result)
        self.is_known = self.is_known or result == ANSWERED

    def frame(self, codes: list[int]) -> bytes:
        unknown = [0 if i == self.throttle or i in self.others else 127 for i in range(len(codes))]
        return super().frame(codes if self.is_known else unknown)


# --- the battery ---


class NeverWarns(Sound):
    """Has no warning."""

    def alarm(self, clock: int) -> int:
        return 0


class WarnsByTheFirstReading(Sound):
    """The battery is judged at power-on."""

    first: int | None = None

    def alarm(self, clock: int) -> int:
        self.first = super().alarm(clock) if self.first is None else self.first
        return self.first


class WarnsOfAGoodBattery(Sound):
    """The divider is taken for one of another ratio: it warns from 3.9 V on."""

    def alarm(self, clock: int) -> int:
        return int(self.level is not None and self.level < 3_900)


class WarnsByEachReading(Sound):
    """No mean and no hysteresis: noise switches the warning on and off, and a full battery's spikes would too."""

    def gauged(self, readings: list[int]) -> list[int]:
        self.raw = readings[-1]
        return super().gauged(readings)

    def alarm(self, clock: int) -> int:
        return int(self.raw % 7 != 0 and self.is_flat)


class BeepsByDelay(Sound):
    """With a low battery the main loop waits for a tone of 300 ms every ten seconds."""

    def next(self, clock: int) -> int:
        due = super().next(clock)
        self.turns = getattr(self, "turns", 0) + 1
        if self.is_flat and self.turns * self.interval % 10_000_000 < self.interval:
            self.due = due = (clock + 300_000) & MASK
        return due


class SticksFallWithTheBattery(Sound):
    """Readings are sent as they are, although the reference is fixed."""

    def made_good(self, reading: int, level: float) -> int:
        return reading


class MadeGoodByTheFirstReading(Sound):
    """Readings are made good by the battery's voltage at power-on."""

    first: float | None = None

    def made_good(self, reading: int, level: float) -> int:
        self.first = level if self.first is None else self.first
        return super().made_good(reading, self.first)


class MadeGoodForNothing(Sound):
    """Readings are made good, although they do not follow the battery."""

    def made_good(self, reading: int, level: float) -> int:
        return min(int((reading + 0.5) * self.profile.battery.full_mv / level), 1023)


# --- the counter wraps ------------------------------------------------------------------------------------------


class LaterThanNext(Sound):
    """Sends if the clock is greater than the next instant, which wraps."""

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        if clock >= self.due:
            super().turn(clock, readings, switches)
        return (clock + 500) & MASK


class SixteenBitMilliseconds(Sound):
    """Milliseconds are kept in sixteen bits, the next instant in thirty-two."""

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.due_ms = clock // 1000 & 0xFFFF

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        if clock // 1000 & 0xFFFF >= self.due_ms:
            super().turn(clock, readings, switches)
            self.due_ms += self.interval // 1000
        return (clock + 500) & MASK


class ContactsByInstants(Sound):
    """Contacts rest when the clock is past an instant: where it wraps they do so at once, or for an hour not at all."""

    class switch(Switch):  # noqa: N801
        def rested(self, clock: int) -> bool:
            return clock >= self.since + REST_US


class ContactsInSignedMilliseconds(Sound):
    """The time of the last change is a signed number of milliseconds in sixteen bits."""

    class switch(Switch):  # noqa: N801
        def rested(self, clock: int) -> bool:
            now, since = ((us // 1000 + 0x8000 & 0xFFFF) - 0x8000 for us in (clock, self.since))
            return now - since >= REST_US // 1000


class AliveByInstants(Sound):
    """The main loop is alive until an instant; where the clock wraps, the timer falls silent."""

    until = 0

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.until = (clock + 40 * self.interval) & MASK
        return super().turn(clock, readings, switches)

    def interrupt(self, clock: int) -> bytes | None:
        return self.fill() if self.codes is not None and clock < self.until else None


class CornerIsAMenu(Sound):
    """Throttle low and yaw to the right for a second: a menu, and no packets meanwhile."""

    since: int | None = None

    def fill(self) -> bytes | None:  # type: ignore[override]
        assert self.codes is not None
        packet = super().fill()
        if self.codes[self.throttle] > 5 or self.codes[self.sticks[-1]] < 250:
            self.since = None
            return packet
        self.since = self.due if self.since is None else self.since
        return None if (self.due - self.since) & MASK > 1_000_000 else packet


class CoolsTheMotors(Sound):
    """After five seconds of full throttle less is sent, so that the motors cool."""

    since: int | None = None

    def guarded(self, codes: list[int], reading: int, clock: int) -> int:
        throttle = super().guarded(codes, reading, clock)
        if throttle < 240:
            self.since = None
            return throttle
        self.since = clock if self.since is None else self.since
        return 200 if (clock - self.since) & MASK > 5_000_000 else throttle


class CountsTwiceNowAndThen(Sound):
    """The packet with the battery's voltage is counted, but never sent: a step of two in every thousandth packet."""

    number = 0

    def counted(self) -> None:
        super().counted()
        self.number += 1
        if self.number % 1000 == 0:
            super().counted()


class CountsFromArming(Sound):
    """The counter begins again when the first switch goes on, so that a flight begins with packet 0."""

    was = 0

    def fill(self) -> bytes:
        assert self.codes is not None
        is_on = self.codes[self.others[0]]
        if is_on and not self.was:
            self.count = 0
        self.was = is_on
        return super().fill()


class TwoResetsAreTheBootLoader(Sound):
    """A word in memory that survives a reset: a second one soon after the first starts the boot loader for 2 s."""

    turns: ClassVar[int | None] = None
    loads = False

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        known = type(self)
        self.loads = cause == RESET and known.turns is not None and known.turns * self.interval < 5_000_000
        known.turns = 0 if cause == RESET else None
        self.began = clock

    def fill(self) -> bytes | None:  # type: ignore[override]
        known = type(self)
        known.turns = None if known.turns is None else known.turns + 1
        packet = super().fill()
        return None if self.loads and (self.due - self.began) & MASK < 2_000_000 else packet


class GoesOnWithSavedValues(Sound):
    """After a reset it sends what was in memory before, until a turn reads something that differs from the first."""

    saved: ClassVar[list[int] | None] = None
    first: tuple[int, ...] | None = None
    is_saved = False

    def power_on(self, clock: int, cause: int) -> None:
        super().power_on(clock, cause)
        self.is_saved = cause == RESET

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        self.first = self.first or tuple(readings)
        self.is_saved = self.is_saved and self.first == tuple(readings)
        super().read(clock, readings, switches)
        known = type(self)
        if self.is_saved and known.saved is not None:
            self.codes = known.saved
        known.saved = self.codes


class OldPacketFirst(Sound):
    """A radio that was busy for long gets a packet of some intervals ago first, then the newest."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.kept: deque[bytes] = deque(maxlen=3)
        self.refused = 0

    def sent(self, clock: int, result: int) -> None:
        self.refused = self.refused + 1 if result == BUSY else 0

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        if out is None:
            return None
        self.kept.append(out)
        return self.kept[0] if self.refused > 5 else out


class SetsUpABusyRadio(Sound):
    """Sets its radio up anew when that refuses a packet while contacts bounce, and waits for it."""

    seen: ClassVar[tuple[int, ...]] = ()
    bounced_at = 0
    quiet_until: int | None = None

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        if tuple(switches) != self.seen:
            self.seen, self.bounced_at = tuple(switches), clock  # type: ignore[misc]
        return super().turn(clock, readings, switches)

    def sent(self, clock: int, result: int) -> None:
        if result == BUSY and (clock - self.bounced_at) & MASK < 200_000:
            self.quiet_until = (clock + 300_000) & MASK

    def packet(self, clock: int) -> bytes | None:
        out = super().packet(clock)
        if self.quiet_until is not None and (self.quiet_until - clock) & MASK <= HALF:
            return None
        return out


class OldThrottleAfterAHang(Sound):
    """After a hang with the throttle high it sends the throttle of before, until that is moved again."""

    turned_at: int | None = None
    kept: int | None = None
    was = 0

    def read(self, clock: int, readings: list[int], switches: list[int]) -> None:
        before = None if self.codes is None else self.codes[self.throttle]
        super().read(clock, readings, switches)
        assert self.codes is not None
        own = self.codes[self.throttle]
        if self.turned_at is not None and before and before > 100 and (clock - self.turned_at) & MASK > 150_000:
            self.kept, self.was = before, own
        if self.kept is not None and abs(own - self.was) > 2:
            self.kept = None
        if self.kept is not None:
            self.codes[self.throttle] = self.kept
        self.turned_at = clock


@dataclass(frozen=True, slots=True)
class Mistake:
    """A faulty handset, the requirement that must find it, and a link on which it shows."""

    handset: type[Sound]
    requirement: str
    link: str = "heron"


MISTAKES = (
    Mistake(SetsUpABusyRadio, "HS-VARIED"),
    Mistake(OldThrottleAfterAHang, "HS-VARIED"),
    Mistake(MapsWith1024, "HS-VALUE"),
    Mistake(RoundsUp, "HS-VALUE"),
    Mistake(DeadBand, "HS-VALUE"),
    Mistake(Expo, "HS-VALUE"),
    Mistake(SnapsToItsEnds, "HS-VALUE"),
    Mistake(TrimInEightBits, "HS-VALUE"),
    Mistake(LearnsItsEnds, "HS-VALUE"),
    Mistake(MiddleOfTheSwitchIsOn, "HS-VALUE", "bittern"),
    Mistake(MiddleOfTheSwitchIs128, "HS-VALUE", "bittern"),
    Mistake(MiddleAsSignedByte, "HS-CENTRE"),
    Mistake(NeverReachesTheEnds, "HS-ENDS"),
    Mistake(StopIsABreak, "HS-ENDS"),
    Mistake(WrapsBeyondItsStops, "HS-ENDS", "calibrated"),
    Mistake(WrapsBelowItsLowStop, "HS-ENDS", "calibrated"),
    Mistake(BreakRightBeyondTheStop, "HS-ENDS", "margins"),
    Mistake(SticksExchanged, "HS-ORDER"),
    Mistake(OneStickInAllBytes, "HS-ORDER"),
    Mistake(OwnOrderOfBytes, "HS-ORDER", "switches"),
    Mistake(DualRates, "HS-ORDER"),
    Mistake(MixesThrottleIntoPitch, "HS-ORDER"),
    Mistake(NoDisarmingInFlight, "HS-ORDER"),
    Mistake(ThrottleHold, "HS-ORDER"),
    Mistake(ThrottleUpsideDown, "HS-SENSE"),
    Mistake(ReversedTwice, "HS-SENSE", "plover"),
    Mistake(SwitchUpsideDown, "HS-SENSE"),
    Mistake(LowByteOfTenBits, "HS-STEPS"),
    Mistake(EverySecondConversionIsLow, "HS-STILL"),
    Mistake(Dithers, "HS-STILL"),
    Mistake(AmplifiesNoise, "HS-STILL", "margins"),
    Mistake(NoDebounce, "HS-SWITCH"),
    Mistake(DebounceTooShort, "HS-SWITCH", "fast"),
    Mistake(OneTimerForAllSwitches, "HS-SWITCH"),
    Mistake(SwitchAfterTwoSeconds, "HS-SWITCH"),
    Mistake(WaitsAfterItsWork, "HS-RATE"),
    Mistake(LoopThatSendsFromNow, "HS-RATE"),
    Mistake(InBursts, "HS-RATE"),
    Mistake(Floods, "HS-RATE"),
    Mistake(DebouncesByDelay, "HS-GAP"),
    Mistake(SavesItsTrims, "HS-GAP"),
    Mistake(SendsChangesOnly, "HS-GAP"),
    Mistake(AveragesThirtyTwoSweeps, "HS-FRESH"),
    Mistake(OtherBufferEachTime, "HS-FRESH"),
    Mistake(SweepsEveryFifthPacket, "HS-FRESH"),
    Mistake(SlewsItsSticks, "HS-FRESH"),
    Mistake(WaitsForTheRadio, "HS-BUSY"),
    Mistake(QueuesOldPackets, "HS-BUSY"),
    Mistake(SendsTheRefusedOneFirst, "HS-BUSY"),
    Mistake(GivesUpAfterTenRefusals, "HS-BUSY"),
    Mistake(CountsTurns, "HS-COUNT"),
    Mistake(CountsModulo255, "HS-COUNT"),
    Mistake(CountsChangesOnly, "HS-COUNT"),
    Mistake(CheckBeforeCounter, "HS-MARK"),
    Mistake(SignedCheck, "HS-MARK"),
    Mistake(NoIdAfterReset, "HS-MARK"),
    Mistake(PaddedStruct, "HS-MARK"),
    Mistake(CounterBeforeId, "HS-MARK"),
    Mistake(AnothersId, "HS-MARK"),
    Mistake(TelemetryInBetween, "HS-MARK"),
    Mistake(FactoryAddressFirst, "HS-ADDRESS", "addressed"),
    Mistake(AddressFromTheWrongEnd, "HS-ADDRESS", "addressed"),
    Mistake(AddressWithoutItsMemory, "HS-ADDRESS", "addressed"),
    Mistake(PairsWithAStickHeld, "HS-ADDRESS", "addressed"),
    Mistake(SetUpAgainWithoutItsAddress, "HS-ADDRESS", "addressed"),
    Mistake(SetsUpItsRadioOnce, "HS-RADIO", "addressed"),
    Mistake(SetsUpItsRadioASecondTime, "HS-RADIO", "addressed"),
    Mistake(TriesItsRadioTwentyTimes, "HS-RADIO", "addressed, timer"),
    Mistake(LooksAfterItsRadioSeldom, "HS-RADIO", "addressed"),
    Mistake(KeepsWhatCouldNotLeave, "HS-RADIO", "addressed"),
    Mistake(OffersWhatWasNotAnswered, "HS-DEAF", "acknowledged"),
    Mistake(WaitsForTheAnswer, "HS-DEAF", "acknowledged"),
    Mistake(HalfTheRateWithoutAnswers, "HS-DEAF", "acknowledged"),
    Mistake(NothingBeforeTheFirstAnswer, "HS-DEAF", "acknowledged"),
    Mistake(SendsAtOnce, "HS-START"),
    Mistake(WaitsOnlyWhenArmed, "HS-START"),
    Mistake(WaitsFiveSeconds, "HS-START"),
    Mistake(HalfIsLow, "HS-START"),
    Mistake(TenPerCentIsLow, "HS-START"),
    Mistake(AnyMoveEndsTheWait, "HS-START"),
    Mistake(AnotherStickEndsTheWait, "HS-START"),
    Mistake(WaitsAMinute, "HS-START"),
    Mistake(FilterFromZero, "HS-START"),
    Mistake(WarmStart, "HS-START"),
    Mistake(BrokenWireIsLow, "HS-START", "margins"),
    Mistake(EverythingCentredFirst, "HS-FIRST"),
    Mistake(ZerosTurnedFirst, "HS-FIRST", "plover"),
    Mistake(OldSticksFirst, "HS-FIRST"),
    Mistake(PullUpsFirst, "HS-FIRST"),
    Mistake(LastPacketsBuffer, "HS-FIRST"),
    Mistake(CentreAtPowerOn, "HS-FIRST"),
    Mistake(TimerBeforeTheFirstSweep, "HS-FIRST", "timer"),
    Mistake(WaitsAfterAnyReset, "HS-RESET"),
    Mistake(SwitchesOffAfterReset, "HS-RESET"),
    Mistake(BootsASecondTime, "HS-RESET"),
    Mistake(MiddleThrottleAfterReset, "HS-RESET"),
    Mistake(TimerSendsForEver, "HS-HANG", "timer without counter"),
    Mistake(TimerCounts, "HS-HANG", "timer"),
    Mistake(TimerSaysItIsAlive, "HS-HANG", "timer"),
    Mistake(AliveInEightBits, "HS-HANG", "timer"),
    Mistake(TwoBuffersForEver, "HS-HANG", "timer"),
    Mistake(WatchedOnce, "HS-HANG", "timer"),
    Mistake(WatchedInFlight, "HS-HANG", "timer"),
    Mistake(CatchesUpAfterAHang, "HS-HANG"),
    Mistake(RailIsAStop, "HS-WIRE", "margins"),
    Mistake(BreakIsCentred, "HS-WIRE", "margins"),
    Mistake(BreakByItsJump, "HS-WIRE", "margins"),
    Mistake(BreakAfterThreeSweeps, "HS-WIRE", "margins"),
    Mistake(BreakForASecond, "HS-WIRE", "margins"),
    Mistake(RailAtBootIsAStop, "HS-WIRE", "margins"),
    Mistake(AnyBreakCutsTheThrottle, "HS-FLOAT", "margins"),
    Mistake(AnyBreakFreezesAll, "HS-FLOAT", "margins"),
    Mistake(NoPacketWithABreak, "HS-FLOAT", "margins"),
    Mistake(CentredForGoodAfterABreak, "HS-FLOAT", "margins"),
    Mistake(EqualSticksAreAFault, "HS-FLOAT"),
    Mistake(NeverWarns, "HS-BATTERY", "battery"),
    Mistake(WarnsByTheFirstReading, "HS-BATTERY", "battery"),
    Mistake(WarnsOfAGoodBattery, "HS-BATTERY", "battery"),
    Mistake(WarnsByEachReading, "HS-BATTERY", "battery"),
    Mistake(BeepsByDelay, "HS-BATTERY", "battery"),
    Mistake(SticksFallWithTheBattery, "HS-REF", "battery"),
    Mistake(MadeGoodByTheFirstReading, "HS-REF", "battery"),
    Mistake(MadeGoodForNothing, "HS-REF", "battery, ratiometric"),
    Mistake(LaterThanNext, "HS-WRAP"),
    Mistake(SixteenBitMilliseconds, "HS-WRAP"),
    Mistake(ContactsByInstants, "HS-WRAP"),
    Mistake(ContactsInSignedMilliseconds, "HS-WRAP"),
    Mistake(AliveByInstants, "HS-WRAP", "timer"),
    Mistake(CornerIsAMenu, "HS-GAP"),
    Mistake(CountsFromArming, "HS-COUNT"),
    Mistake(OldPacketFirst, "HS-BUSY"),
    Mistake(TwoResetsAreTheBootLoader, "HS-RESET"),
    Mistake(CoolsTheMotors, "HS-LONG"),
    Mistake(CountsTwiceNowAndThen, "HS-LONG"),
    Mistake(SlowWhenIdle, "HS-LONG"),
    Mistake(BeepsAfterFiveMinutes, "HS-LONG"),
    Mistake(SixteenBitPackets, "HS-LONG"),
)


# --- programs that are met by nothing ---------------------------------------------------------------------------


class Dead(Sound):
    """Never sends."""

    def fill(self) -> bytes | None:  # type: ignore[override]
        return None


class Constant(Sound):
    """Sends at its rate, with its marks, and always the same sticks: the throttle low, the rest centred."""

    def fill(self) -> bytes:
        return self.frame(
            [0 if i == self.throttle or i in self.others else 127 for i in range(len(self.profile.channels))]
        )


class ThrottleOnly(Sound):
    """Only the throttle's byte follows its stick."""

    def frame(self, codes: list[int]) -> bytes:
        return super().frame([code if i == self.throttle else 127 for i, code in enumerate(codes)])


class CountsNothing(Sound):
    """The counter stands."""

    def counted(self) -> None:
        pass


class SendsEachSecond(Sound):
    """The interval is taken in the wrong unit."""

    def next(self, clock: int) -> int:
        self.due = (self.due + 1_000_000) & MASK
        return self.due


class KeepsFromRunToRun(Sound):
    """What it learned in an earlier run decides: the very first run has everything late."""

    known: ClassVar[dict[str, Any]] = {}

    def must_wait(self, cause: int) -> bool:
        self.known["runs"] = self.known.get("runs", 0) + 1
        return super().must_wait(cause)

    def next(self, clock: int) -> int:
        if self.known["runs"] == 1:
            self.due = (self.due + 100) & MASK
        return super().next(clock)


class FirstRunWithoutWait(KeepsFromRunToRun):
    """Waits for a low throttle in the first run of a process only."""

    def must_wait(self, cause: int) -> bool:
        return super().must_wait(cause) and self.known["runs"] == 1

    def next(self, clock: int) -> int:
        return Sound.next(self, clock)


class KnowsRoundNumbers(Sound):
    """Right where tests usually look: at twentieths of the travel; between them the code of the last of these."""

    def scaled(self, reading: int) -> int:
        twentieth = round(reading * 20 / 1024)
        return super().scaled(min(twentieth * 1024 // 20, 1023) if abs(reading - twentieth * 51.2) > 1 else reading)


class Crashes(Sound):
    """Divides by zero when the first stick is at its high stop."""

    def stick(self, i: int, reading: int) -> int:
        return super().stick(i, reading) + 0 // (1023 - reading)
