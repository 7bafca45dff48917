"""Receivers with one realistic mistake each, and the requirement that must find it.

`Sound` is a receiver as a maker might write it, without a mistake; every other one changes a line or two of it.
The mistakes are common practice, no source: slips of C on a small microcontroller, and decisions that look
reasonable until the link goes away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lostlink_sims import Profile
from lostlink_sims.codes import crc8, pulse_table

MASK = 0xFFFF_FFFF


class Sound:
    """No mistake: checks packets, times out, returns with care, watches itself from the pulse interrupt."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.lost = True
        self.timeout_us = profile.cut_delay_us
        self.count = len(profile.channels)
        self.throttle = profile.throttle_index
        self.arm = profile.arm_index or 0
        self.table = pulse_table(profile.receiver.mapping, profile.receiver.low_us, profile.receiver.high_us)
        self.widths = self.preset()
        self.heard = 0
        self.failed = 0
        self.good = 0
        self.counter = -1

    @property
    def failsafe(self) -> bool:
        return self.lost

    def preset(self) -> list[int]:
        padding = [self.profile.output.unused_us] * (self.profile.output.channels - self.count)
        return [channel.failsafe_us for channel in self.profile.channels] + padding

    def power_on(self, clock_us: int) -> None:
        self.failed = clock_us

    # --- packets ---

    def whole(self, payload: bytes) -> bool:
        return len(payload) == self.profile.payload_bytes

    def undamaged(self, payload: bytes) -> bool:
        return not self.profile.handset.check_byte or crc8(payload) == 0

    def ours(self, payload: bytes) -> bool:
        return self.profile.handset.link_id in (None, payload[self.count])

    def fresh(self, payload: bytes) -> bool:
        if not self.profile.handset.packet_counter:
            return True
        before = self.counter
        self.counter = payload[self.count + (self.profile.handset.link_id is not None)]
        return self.counter != before

    def accepts(self, payload: bytes) -> bool:
        return self.whole(payload) and self.undamaged(payload) and self.ours(payload) and self.fresh(payload)

    def packet(self, clock_us: int, payload: bytes) -> None:
        if self.accepts(payload):
            self.take(clock_us, payload)

    def take(self, clock_us: int, payload: bytes) -> None:
        if self.lost:
            in_a_row = (clock_us - self.heard) & MASK < 2 * self.profile.handset.packet_interval_us
            self.good = self.good + 1 if in_a_row else 1
            if self.returns(clock_us):
                self.lost = False
        self.heard = clock_us
        if not self.lost:
            self.widths = self.decode(payload)

    def returns(self, clock_us: int) -> bool:
        enough = self.good >= self.profile.receiver.recovery_packets
        return enough and (clock_us - self.failed) & MASK >= self.profile.receiver.recovery_us

    def decode(self, payload: bytes) -> list[int]:
        return [self.width(code) for code in payload[: self.count]] + self.widths[self.count :]

    def width(self, code: int) -> int:
        return self.table[code]

    # --- silence ---

    def silent(self, clock_us: int) -> bool:
        return (clock_us - self.heard) & MASK >= self.timeout_us

    def watch(self, clock_us: int) -> None:
        if not self.lost and self.silent(clock_us):
            self.enter(clock_us)

    def enter(self, clock_us: int) -> None:
        self.lost = True
        self.failed = clock_us
        self.good = 0
        self.widths = self.preset()

    def poll(self, clock_us: int) -> int | None:
        self.watch(clock_us)
        return None if self.lost else (self.heard + self.timeout_us) & MASK

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        self.watch(clock_us)
        return self.widths


# --- what happens when the link goes away --------------------------------------------------------------------


class HoldsForEver(Sound):
    """Has no timeout at all: the last throttle stays for ever."""

    def watch(self, clock_us: int) -> None:
        pass

    def poll(self, clock_us: int) -> int | None:
        return None


class LooksOnlyWhenPacketsCome(HoldsForEver):
    """Judges the silence in the packet handler, which is not called in silence."""

    def packet(self, clock_us: int, payload: bytes) -> None:
        if not self.lost and self.silent(clock_us):
            self.enter(clock_us)
        super().packet(clock_us, payload)


class LateByOneSecond(Sound):
    """Counts the timeout in a wrong unit: a second too late."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.timeout_us += 1_000_000


class TimeoutGrows(Sound):
    """Adds the packets it has handled to the timeout, by a slip in an expression."""

    def take(self, clock_us: int, payload: bytes) -> None:
        super().take(clock_us, payload)
        self.timeout_us += 10


class WrongPreset(Sound):
    """Centres everything in failsafe, the throttle too."""

    def preset(self) -> list[int]:
        return [1500] * self.profile.output.channels


class PresetForgetsOthers(Sound):
    """Puts the throttle to idle and leaves the other sticks where they were."""

    def enter(self, clock_us: int) -> None:
        held = list(self.widths)
        super().enter(clock_us)
        self.widths = [
            value if index in (self.throttle, self.arm) else held[index] for index, value in enumerate(self.widths)
        ]


class RampsDown(Sound):
    """Lowers the throttle gently, over four seconds."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        before = self.widths[self.throttle]
        self.watch(clock_us)
        if self.lost and before > 1000:
            self.widths[self.throttle] = max(1000, before - 4)
        return self.widths

    def poll(self, clock_us: int) -> int | None:
        return None


class HoldsAgain(Sound):
    """Sends the failsafe values for a second, then takes up the last ones again."""

    def enter(self, clock_us: int) -> None:
        self.held = list(self.widths)
        super().enter(clock_us)

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        self.watch(clock_us)
        over = self.lost and hasattr(self, "held") and (clock_us - self.failed) & MASK > 1_000_000
        return self.held if over else self.widths


class AgeInSixteenBits(Sound):
    """Keeps the age in 16 bits of milliseconds: after 65.5 s of silence it looks fresh again."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        age_ms = ((clock_us - self.heard) & MASK) // 1000 & 0xFFFF
        self.lost = age_ms >= self.timeout_us // 1000 or not self.good
        return self.preset() if self.lost else self.widths

    def watch(self, clock_us: int) -> None:
        pass

    def take(self, clock_us: int, payload: bytes) -> None:
        self.good += 1
        self.heard = clock_us
        self.widths = self.decode(payload)


class FlagLies(Sound):
    """Cuts the throttle, but its flag says that all is well."""

    @property
    def failsafe(self) -> bool:
        return False


class ForgetsTheSecondLoss(Sound):
    """A flag that is set in the first failsafe and never taken back."""

    done = False

    def watch(self, clock_us: int) -> None:
        if not self.done:
            super().watch(clock_us)

    def enter(self, clock_us: int) -> None:
        super().enter(clock_us)
        self.done = True


class FullThrottleForOneFrame(Sound):
    """Puts out one frame from a buffer that was never filled when failsafe begins."""

    unfilled = False

    def enter(self, clock_us: int) -> None:
        super().enter(clock_us)
        self.unfilled = True

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.unfilled:
            self.unfilled = False
            widths[self.throttle] = 2000
        return widths


class ArmsInFailsafe(Sound):
    """After three seconds of failsafe the arming switch goes on (a timeout that was meant for something else)."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.lost and self.heard and (clock_us - self.failed) & MASK > 3_000_000:
            widths[self.arm] = 2000
        return widths


# --- the counter wraps -----------------------------------------------------------------------------------------


class ComparesInstants(Sound):
    """Asks whether now is later than the deadline, which fails when the counter wraps."""

    def silent(self, clock_us: int) -> bool:
        return clock_us > self.heard + self.timeout_us


class ComparesSigned(Sound):
    """The same in signed 32-bit numbers: fails when the counter passes its middle."""

    def silent(self, clock_us: int) -> bool:
        return signed32(clock_us) > signed32(self.heard) + self.timeout_us


class MillisecondsInSixteenBits(Sound):
    """Compares instants in 16 bits of milliseconds."""

    def silent(self, clock_us: int) -> bool:
        now_ms, heard_ms = clock_us // 1000 & 0xFFFF, self.heard // 1000 & 0xFFFF
        return now_ms > heard_ms + self.timeout_us // 1000


class MillisecondsFromMicroseconds(Sound):
    """Divides the microsecond counter before subtracting: at its wrap the difference is huge for a moment."""

    def silent(self, clock_us: int) -> bool:
        return (clock_us // 1000 - self.heard // 1000) & MASK >= self.timeout_us // 1000


# --- packets that are none -------------------------------------------------------------------------------------


class RefreshedByForeign(Sound):
    """Restarts its timer for every packet that comes, before it looks whose it is."""

    def packet(self, clock_us: int, payload: bytes) -> None:
        if not self.lost and self.whole(payload) and self.undamaged(payload):
            self.heard = clock_us
        super().packet(clock_us, payload)


class TakesAnyLength(Sound):
    """Does not look at the length of a packet nor whose it is, and uses what is there."""

    def accepts(self, payload: bytes) -> bool:
        return True

    def decode(self, payload: bytes) -> list[int]:
        return super().decode((payload + bytes(self.count))[: self.count])


class CrashesOnShortPacket(Sound):
    """Reads behind the end of a short packet."""

    def whole(self, payload: bytes) -> bool:
        return payload[self.profile.payload_bytes - 1] >= 0


class ObeysForeign(Sound):
    """Does not look whose packet it is."""

    def ours(self, payload: bytes) -> bool:
        return True


class BindsToTheFirst(Sound):
    """Belongs to whichever handset it hears first after power-on."""

    bound: int | None = None

    def ours(self, payload: bytes) -> bool:
        if self.bound is None:
            self.bound = payload[self.count]
        return payload[self.count] == self.bound


class NoTimerAfterReset(Sound):
    """Starts its timer in code that a reset by the watchdog or the supply jumps over."""

    is_warm = False

    def power_on(self, clock_us: int) -> None:
        # Only a reset starts the counter at 0.
        self.is_warm = not clock_us
        super().power_on(clock_us)

    def silent(self, clock_us: int) -> bool:
        return not self.is_warm and super().silent(clock_us)


class LearnsItsPreset(Sound):
    """Takes the first packet that it hears for the pilot's failsafe values."""

    learned: list[int] | None = None

    def take(self, clock_us: int, payload: bytes) -> None:
        if self.learned is None:
            self.learned = self.decode(payload)
        super().take(clock_us, payload)

    def preset(self) -> list[int]:
        return self.learned or super().preset()


class SleepsAfterALongLoss(Sound):
    """Saves the battery after five seconds without a packet, and never listens again."""

    def packet(self, clock_us: int, payload: bytes) -> None:
        if not self.lost or (clock_us - self.failed) & MASK < 5_000_000 or self.heard == 0:
            super().packet(clock_us, payload)


class SilentOverForeign(Sound):
    """Makes no pulses for a while when a packet is not as long as it should be, then goes on."""

    silent_since: int | None = None

    def packet(self, clock_us: int, payload: bytes) -> None:
        if not self.lost and not self.whole(payload):
            self.silent_since = clock_us
        super().packet(clock_us, payload)

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = super().pulses(clock_us)
        is_silent = self.silent_since is not None and (clock_us - self.silent_since) & MASK < 300_000
        return None if is_silent else widths


class RefreshedByDamaged(Sound):
    """Restarts its timer before it looks whether the packet is whole."""

    def packet(self, clock_us: int, payload: bytes) -> None:
        if not self.lost and self.whole(payload):
            self.heard = clock_us
        super().packet(clock_us, payload)


class ObeysDamaged(Sound):
    """Never looks at the check byte."""

    def undamaged(self, payload: bytes) -> bool:
        return True


class RefreshedByRepeats(Sound):
    """Takes a repeated packet for a new one."""

    def fresh(self, payload: bytes) -> bool:
        return True


# --- the hardware ----------------------------------------------------------------------------------------------


class WatchesInMainLoopOnly(Sound):
    """Judges the silence in the main loop; when that hangs, the pulse interrupt goes on with the last values."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        return self.widths


class FullThrottleAtBoot(Sound):
    """Starts with every channel at its high end."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.widths = [2000] * profile.output.channels


class CentredAtBoot(Sound):
    """Starts with every channel centred, the throttle too."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.widths = [1500] * profile.output.channels


class OthersLowAtBoot(Sound):
    """Starts with every channel at its low end, and sets the failsafe values at the first failsafe only."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.widths = [profile.receiver.low_us] * profile.output.channels


class OthersCentredUntilTheTimeout(Sound):
    """Starts with the sticks centred, throttle and arming switch low, until the timeout has passed."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.started = 0
        self.at_first = [1500] * profile.output.channels
        self.at_first[self.throttle] = self.at_first[self.arm] = profile.receiver.low_us

    def power_on(self, clock_us: int) -> None:
        super().power_on(clock_us)
        self.started = clock_us

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        early = self.lost and (clock_us - self.started) & MASK < self.timeout_us
        return self.at_first if early else super().pulses(clock_us)


class HoldsWhatItNeverHad(Sound):
    """Takes its hold time for passed since the counter began, and holds an empty packet for it."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        holds = not self.heard and self.profile.receiver.timeout_us <= clock_us < self.profile.cut_delay_us
        return [self.profile.receiver.low_us] * self.profile.output.channels if holds else super().pulses(clock_us)


class RemembersThroughReset(Sound):
    """Keeps the channel table in memory that a reset does not clear."""

    kept: dict[str, list[int]] = {}  # noqa: RUF012

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.widths = self.kept.get("widths", self.widths)

    def power_on(self, clock_us: int) -> None:
        # A first power-on, with cold memory, is told by the counter: only a reset starts it at 0.
        if clock_us:
            self.widths = self.preset()
        super().power_on(clock_us)

    def decode(self, payload: bytes) -> list[int]:
        self.kept["widths"] = widths = super().decode(payload)
        return widths


class ArmedAtBoot(Sound):
    """Begins with the arming switch on, so that the flight controller arms before the first packet."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.on_then_off = 12
        self.low = list(self.widths)

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = super().pulses(clock_us)
        if self.lost and self.on_then_off:
            self.on_then_off -= 1
            if self.on_then_off < 6:
                self.low[self.arm] = 2000
            return self.low
        return widths


# --- the link comes back ---------------------------------------------------------------------------------------


class KeepsArmed(Sound):
    """Cuts the throttle in failsafe but leaves the arming switch on: the stick is live when the link returns."""

    def enter(self, clock_us: int) -> None:
        armed = self.widths[self.arm]
        super().enter(clock_us)
        self.widths[self.arm] = armed


class NeverReturns(Sound):
    """Stays in failsafe until it is reset."""

    def returns(self, clock_us: int) -> bool:
        return not hasattr(self, "entered") and super().returns(clock_us)

    def enter(self, clock_us: int) -> None:
        super().enter(clock_us)
        self.entered = True


class ReturnsSlowly(Sound):
    """Wants three seconds of packets before it believes that the link is back."""

    def returns(self, clock_us: int) -> bool:
        first = not hasattr(self, "entered")
        return super().returns(clock_us) and (first or (clock_us - self.failed) & MASK > 3_500_000)

    def enter(self, clock_us: int) -> None:
        super().enter(clock_us)
        self.entered = True


class ReturnsAtOnce(Sound):
    """Believes the first packet that comes."""

    def returns(self, clock_us: int) -> bool:
        return True


class ForgivesAfterALongLoss(Sound):
    """Believes the first packet once failsafe has lasted two seconds."""

    def returns(self, clock_us: int) -> bool:
        return super().returns(clock_us) or (not self.good < 1 and (clock_us - self.failed) & MASK > 2_000_000)


class OldSticksAtReturn(Sound):
    """Puts out one frame with the values from before the loss when the link comes back."""

    old: Sequence[int] = ()
    was_lost = True

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        back, self.was_lost = self.was_lost and not self.lost, self.lost
        if back and self.old:
            return self.old
        if not self.lost:
            self.old = widths
        return widths


class Chatters(Sound):
    """Cuts after a few packets and returns with the first: throttle on and off in quick succession."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.timeout_us = 8 * profile.handset.packet_interval_us

    def returns(self, clock_us: int) -> bool:
        return True


class NoMinimumTime(Sound):
    """Returns as soon as there are enough good packets, however short the failsafe was."""

    def returns(self, clock_us: int) -> bool:
        return self.good >= self.profile.receiver.recovery_packets


class TooEager(Sound):
    """Gives up after a few lost packets."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.timeout_us = 4 * profile.handset.packet_interval_us


# --- channels --------------------------------------------------------------------------------------------------


class SwapsChannels(Sound):
    """Throttle and yaw in the wrong order."""

    def decode(self, payload: bytes) -> list[int]:
        widths = super().decode(payload)
        other = self.throttle + 1
        widths[self.throttle], widths[other] = widths[other], widths[self.throttle]
        return widths


class CrossTalk(Sound):
    """A channel reads its neighbour's byte when that one is at its end (an index that runs over)."""

    def decode(self, payload: bytes) -> list[int]:
        widths = super().decode(payload)
        if payload[0] == 255:
            widths[1] = widths[0]
        return widths


class ReversesRoll(Sound):
    """Roll turned round."""

    def decode(self, payload: bytes) -> list[int]:
        return super().decode(bytes([255 - payload[0]]) + payload[1:])


class OverflowsSigned(Sound):
    """Multiplies in signed 16 bits: from code 33 on the product is wrong."""

    def width(self, code: int) -> int:
        product = ((code * 1000 + 0x8000) & 0xFFFF) - 0x8000
        return 1000 + int(product / 255)


class OverflowsUnsigned(Sound):
    """Multiplies in unsigned 16 bits: from code 66 on the product is wrong."""

    def width(self, code: int) -> int:
        return 1000 + (code * 1000 & 0xFFFF) // 255


class ScalesBy256(Sound):
    """Divides by 256 in place of 255: full throttle is 4 µs short."""

    def width(self, code: int) -> int:
        return 1000 + code * 1000 // 256


class ScalesByFour(Sound):
    """Multiplies by four: full throttle is 20 µs beyond the end."""

    def width(self, code: int) -> int:
        return 1000 + 4 * code


class CoarseSteps(Sound):
    """Drops the lowest two bits: neighbouring positions look alike."""

    def width(self, code: int) -> int:
        return self.table[code & 0xFC | code >> 6]


class OffCentre(Sound):
    """Adds a trim that was left in from an experiment."""

    def width(self, code: int) -> int:
        return min(2000, self.table[code] + 20)


# --- the pulse train -------------------------------------------------------------------------------------------


class LiveRead(Sound):
    """Its pulse routine reads the channel table while a frame goes out."""

    live_output = True


class OneChannelTooMany(Sound):
    """Puts out a channel more than it should."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        return [*(super().pulses(clock_us) or ()), 1000]


class NoRoomForSync(Sound):
    """Three channels more than the frame has room for: with sticks up the gap is too short."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        return [*(super().pulses(clock_us) or ()), 2000, 2000, 2000]


class Sluggish(Sound):
    """Smooths the sticks so much that they act too late."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        wanted = super().pulses(clock_us) or ()
        if self.lost or not hasattr(self, "shown"):
            self.shown = list(wanted)
        self.shown = [
            old + (new - old) // 2 if abs(new - old) > 3 else new for old, new in zip(self.shown, wanted, strict=True)
        ]
        return self.shown


def signed32(value: int) -> int:
    return (value + 0x8000_0000 & MASK) - 0x8000_0000


class BelievesManyRepeats(Sound):
    """Takes a packet that has come a thousand times for a pilot who holds still."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.repeats = 0

    def fresh(self, payload: bytes) -> bool:
        new = super().fresh(payload)
        self.repeats = 0 if new else self.repeats + 1
        return new or self.repeats > 1_000


class SwellsLongAfterReturn(Sound):
    """Twenty seconds after a return it outputs the throttle from before the loss for a second."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.before, self.back = 1_000, -1

    def enter(self, clock_us: int) -> None:
        self.before = self.widths[self.throttle]
        super().enter(clock_us)

    def take(self, clock_us: int, payload: bytes) -> None:
        was = self.lost
        super().take(clock_us, payload)
        if was and not self.lost and self.before > 1_000:
            self.back = clock_us

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.back >= 0 and 20_000_000 < (clock_us - self.back) & MASK < 21_000_000:
            widths[self.throttle] = self.before
        return widths


class TestsTheMotors(Sound):
    """Without a packet for a minute after power-on it shows that the motors turn."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if not self.heard and 60_000_000 < (clock_us - self.failed) & MASK < 61_000_000:
            widths[self.throttle] = 1_200
        return widths


class CountsPacketsInSixteenBits(Sound):
    """Has no failsafe after 65 535 good packets: its counter of packets stands."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.packets = 0

    def take(self, clock_us: int, payload: bytes) -> None:
        self.packets += 1
        super().take(clock_us, payload)

    def silent(self, clock_us: int) -> bool:
        return super().silent(clock_us) and self.packets < 0xFFFF


class FailsafeAtThePacket(Sound):
    """On a link with a hold time: a packet that ends a silence longer than the timeout begins a failsafe."""

    def take(self, clock_us: int, payload: bytes) -> None:
        if not self.lost and (clock_us - self.heard) & MASK > self.profile.receiver.timeout_us:
            self.enter(clock_us)
        super().take(clock_us, payload)


class SwellsAlone(Sound):
    """A test of the output that was meant for the bench: after nine seconds with the throttle low it runs it up."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.low_since = 0

    def take(self, clock_us: int, payload: bytes) -> None:
        super().take(clock_us, payload)
        if self.lost or self.widths[self.throttle] > 1_000:
            self.low_since = clock_us

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if not self.lost and 9_000_000 < (clock_us - self.low_since) & MASK < 9_300_000:
            widths[self.throttle] = 1_400
        return widths


class HoldsHalfInAGap(Sound):
    """In a gap the first two sticks go to their centres, to level the model."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if not self.lost and (clock_us - self.heard) & MASK > 60_000:
            widths[:2] = [1_500, 1_500]
        return widths


class TakesTwiceTheLength(Sound):
    """Compares the length in the low four bits: a payload sixteen bytes longer is taken for its own."""

    def accepts(self, payload: bytes) -> bool:
        own = self.profile.payload_bytes
        if len(payload) == own + 16:
            return True
        return super().accepts(payload)


class ComparesHalfOfTheId(Sound):
    """Compares the low six bits of the link id."""

    def ours(self, payload: bytes) -> bool:
        own = self.profile.handset.link_id
        return own is None or not (own ^ payload[self.count]) & 0x3F


@dataclass(frozen=True)
class Mistake:
    """A receiver, the requirement that must find it, and the profile in which it can show."""

    receiver: type[Sound]
    requirement: str
    profile: str = "heron"


MISTAKES = (
    Mistake(HoldsForEver, "FS-CUT"),
    Mistake(LooksOnlyWhenPacketsCome, "FS-CUT"),
    Mistake(LateByOneSecond, "FS-CUT"),
    Mistake(TimeoutGrows, "FS-LONG"),
    Mistake(WrongPreset, "FS-VALUE"),
    Mistake(PresetForgetsOthers, "FS-PRESET"),
    Mistake(RampsDown, "FS-CUT"),
    Mistake(HoldsAgain, "FS-STAY"),
    Mistake(AgeInSixteenBits, "FS-STAY"),
    Mistake(ForgetsTheSecondLoss, "FS-AGAIN"),
    Mistake(NoTimerAfterReset, "FS-AGAIN"),
    Mistake(LearnsItsPreset, "FS-PRESET"),
    Mistake(FullThrottleForOneFrame, "FS-RISE"),
    Mistake(ArmsInFailsafe, "FS-PRESET"),
    Mistake(OthersLowAtBoot, "FS-PRESET"),
    Mistake(OthersCentredUntilTheTimeout, "FS-PRESET"),
    Mistake(HoldsWhatItNeverHad, "FS-PRESET", "lapwing"),
    Mistake(FlagLies, "FS-SAYS"),
    Mistake(ComparesInstants, "FS-WRAP"),
    Mistake(ComparesSigned, "FS-WRAP"),
    Mistake(MillisecondsInSixteenBits, "FS-WRAP"),
    Mistake(MillisecondsFromMicroseconds, "LK-WRAP"),
    Mistake(RefreshedByForeign, "FS-FOREIGN"),
    Mistake(TakesAnyLength, "FS-FOREIGN"),
    Mistake(CrashesOnShortPacket, "FS-FOREIGN"),
    Mistake(ObeysForeign, "FS-INTRUDER"),
    Mistake(SilentOverForeign, "FS-INTRUDER"),
    Mistake(BindsToTheFirst, "FS-INTRUDER"),
    Mistake(RefreshedByDamaged, "FS-DAMAGED", "bittern"),
    Mistake(ObeysDamaged, "FS-DAMAGED", "bittern"),
    Mistake(RefreshedByRepeats, "FS-STALE"),
    Mistake(WatchesInMainLoopOnly, "FS-HANG"),
    Mistake(FullThrottleAtBoot, "PW-IDLE"),
    Mistake(CentredAtBoot, "PW-IDLE"),
    Mistake(RemembersThroughReset, "PW-RESET"),
    Mistake(ArmedAtBoot, "PW-STICK"),
    Mistake(KeepsArmed, "RC-LIVE"),
    Mistake(NeverReturns, "RC-TIME"),
    Mistake(ReturnsSlowly, "RC-TIME"),
    Mistake(SleepsAfterALongLoss, "RC-TIME"),
    Mistake(ReturnsAtOnce, "RC-STRAY"),
    Mistake(ForgivesAfterALongLoss, "RC-STRAY"),
    Mistake(OldSticksAtReturn, "RC-GLITCH"),
    Mistake(Chatters, "RC-CHATTER"),
    Mistake(NoMinimumTime, "RC-CHATTER"),
    Mistake(TooEager, "LK-GAP"),
    Mistake(HoldsHalfInAGap, "LK-GAP"),
    Mistake(FailsafeAtThePacket, "LK-GAP", "lapwing"),
    Mistake(SwellsAlone, "LK-START"),
    Mistake(SwellsLongAfterReturn, "LK-START"),
    Mistake(TestsTheMotors, "PW-IDLE"),
    Mistake(CountsPacketsInSixteenBits, "FS-LONG"),
    Mistake(BelievesManyRepeats, "FS-STALE"),
    Mistake(TakesTwiceTheLength, "FS-FOREIGN"),
    Mistake(ComparesHalfOfTheId, "FS-FOREIGN"),
    Mistake(SwapsChannels, "CH-ORDER"),
    Mistake(CrossTalk, "CH-ORDER"),
    Mistake(ReversesRoll, "CH-SENSE"),
    Mistake(OverflowsSigned, "CH-VALUE"),
    Mistake(OverflowsUnsigned, "CH-VALUE"),
    Mistake(ScalesBy256, "CH-VALUE"),
    Mistake(ScalesByFour, "CH-ENDS"),
    Mistake(CoarseSteps, "CH-STEPS"),
    Mistake(OffCentre, "CH-CENTRE"),
    Mistake(LiveRead, "FR-TORN"),
    Mistake(OneChannelTooMany, "FR-COUNT"),
    Mistake(NoRoomForSync, "FR-SYNC"),
    Mistake(Sluggish, "LT-STICK"),
)
