"""Receivers whose mistake shows only in a certain flight: one dimension of a flight each.

Common practice, no source, as in `zoo`.
"""

from __future__ import annotations

from collections.abc import Sequence

from faulty.zoo import MASK, Sound

from lostlink_sims import Profile


class LooksFiftyTimesASecond(Sound):
    """No mistake: its main loop looks at the clock every 20 ms."""

    def poll(self, clock_us: int) -> int | None:
        self.watch(clock_us)
        return (clock_us + 20_000) & MASK


class HoldsALowThrottle(Sound):
    """Takes a throttle just above idle for idle, and leaves it in failsafe."""

    def enter(self, clock_us: int) -> None:
        held = self.widths[self.throttle]
        super().enter(clock_us)
        if held < 1_150:
            self.widths[self.throttle] = held


class RangeTestSwitch(LooksFiftyTimesASecond):
    """Has no failsafe while a switch is low, forgotten from a range test."""

    def silent(self, clock_us: int) -> bool:
        return super().silent(clock_us) and self.widths[5] > 1_500


class RangeTestSwitchHigh(LooksFiftyTimesASecond):
    """Has no failsafe once a switch was flipped twice in flight."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.flips = 0
        self.was = 0

    def take(self, clock_us: int, payload: bytes) -> None:
        super().take(clock_us, payload)
        now = self.widths[5] > 1_500
        self.flips += now != self.was
        self.was = now

    def silent(self, clock_us: int) -> bool:
        return super().silent(clock_us) and self.flips < 3


class GestureDisarmsFailsafe(Sound):
    """Throttle low and yaw right for a second enters a set-up mode, whose failsafe values are the present sticks."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.since: int | None = None
        self.setup = False

    def take(self, clock_us: int, payload: bytes) -> None:
        super().take(clock_us, payload)
        if self.widths[2] < 1_050 and self.widths[3] > 1_900:
            self.since = clock_us if self.since is None else self.since
            self.setup = self.setup or (clock_us - self.since) & MASK > 1_000_000
        else:
            self.since = None

    def enter(self, clock_us: int) -> None:
        held = list(self.widths)
        super().enter(clock_us)
        if self.setup:
            self.widths = held


class ForgetsTheFourthLoss(Sound):
    """Allows three failsafes, as a debugging aid."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.losses = 0

    def enter(self, clock_us: int) -> None:
        self.losses += 1
        held = self.widths
        super().enter(clock_us)
        if self.losses > 3:
            self.widths = held


class GivesUpAfterTenSeconds(Sound):
    """Twelve seconds into a loss it descends with a quarter of throttle."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.lost and self.heard and (clock_us - self.heard) & MASK > 12_000_000:
            widths[self.throttle] = 1_250
        return widths


class StartsLater(Sound):
    """Three seconds after a return it takes up the throttle of before the loss for a moment."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.before = 1_000
        self.back: int | None = None

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
        if self.back is not None and 3_000_000 < (clock_us - self.back) & MASK < 3_200_000 and not self.lost:
            widths[self.throttle] = self.before
        return widths


class WakesUpAlone(Sound):
    """Without any handset for four seconds after power-on it centres everything, the throttle too."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.lost and not self.heard and (clock_us - self.failed) & MASK > 4_000_000:
            return [1_500] * len(widths)
        return widths


class PatientAfterBadLink(Sound):
    """Many short gaps double the timeout each, as a measure against chatter."""

    def take(self, clock_us: int, payload: bytes) -> None:
        if self.heard and 60_000 < (clock_us - self.heard) & MASK < self.timeout_us:
            self.timeout_us = min(self.timeout_us * 2, 60_000_000)
        super().take(clock_us, payload)


class PatientAtTheEdgeOfTheRange(Sound):
    """Three isolated packets within the last second make the timeout four times as long, until it has passed once."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.gaps: list[int] = []

    def take(self, clock_us: int, payload: bytes) -> None:
        if self.heard and (clock_us - self.heard) & MASK > 60_000:
            self.gaps.append(clock_us)
        super().take(clock_us, payload)

    def poll(self, clock_us: int) -> int | None:
        self.gaps = [at_us for at_us in self.gaps if (clock_us - at_us) & MASK < 1_000_000]
        patient = 4 if len(self.gaps) >= 3 else 1
        self.timeout_us = patient * self.profile.cut_delay_us
        return super().poll(clock_us)


class OneBitOfTheId(Sound):
    """Compares the link id without its lowest bit."""

    def ours(self, payload: bytes) -> bool:
        own = self.profile.handset.link_id
        return own is None or (payload[self.count] ^ own) & 0xFE == 0


class LongPacketsToo(Sound):
    """Accepts any packet that is long enough, and looks at its first bytes."""

    def whole(self, payload: bytes) -> bool:
        return len(payload) >= self.profile.payload_bytes + 3 or super().whole(payload)

    def undamaged(self, payload: bytes) -> bool:
        return len(payload) != self.profile.payload_bytes or super().undamaged(payload)

    def ours(self, payload: bytes) -> bool:
        return len(payload) != self.profile.payload_bytes or super().ours(payload)

    def fresh(self, payload: bytes) -> bool:
        return len(payload) != self.profile.payload_bytes or super().fresh(payload)


class FrozenAfterAHang(Sound):
    """After a handset that hung it takes every second counter value for a repeat, and never returns."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.repeats = 0

    def fresh(self, payload: bytes) -> bool:
        new = super().fresh(payload)
        self.repeats += not new
        return new and self.repeats < 5


class CentresRollInAGap(Sound):
    """Centres the roll after 60 ms without a packet: a jolt in every short gap."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if not self.lost and (clock_us - self.heard) & MASK > 60_000:
            widths[0] = 1_500
        return widths


class StopsMotorsInAGap(Sound):
    """Lowers the arming switch for a frame in a gap of 100 ms."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if not self.lost and 100_000 < (clock_us - self.heard) & MASK < 125_000:
            widths[4] = 1_000
        return widths


class RollStuckAfterReturn(Sound):
    """After a return the roll stays at its failsafe value."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.stuck = False

    def enter(self, clock_us: int) -> None:
        super().enter(clock_us)
        self.stuck = True

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.stuck:
            widths[0] = 1_500
        return widths


class RemembersThroughALateReset(Sound):
    """Keeps the throttle through a reset, if the flight had lasted for two seconds."""

    kept: tuple[int, int] | None = None

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.resumed = type(self).kept
        type(self).kept = None
        self.linked = 0

    def take(self, clock_us: int, payload: bytes) -> None:
        super().take(clock_us, payload)
        self.linked += 1
        if self.linked > 1_500 and not self.lost:
            type(self).kept = (self.widths[self.throttle], 1)

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if self.resumed is not None and not self.heard:
            widths[self.throttle] = self.resumed[0]
        return widths


class UnusedChannelsFollow(Sound):
    """Puts the throttle out on the channels beyond the packet's in failsafe."""

    def preset(self) -> list[int]:
        return [channel.failsafe_us for channel in self.profile.channels] + [2_000] * (
            self.profile.output.channels - self.count
        )


class SwapsAfterReturn(Sound):
    """Pitch and roll are exchanged after the second return."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.losses = 0

    def enter(self, clock_us: int) -> None:
        super().enter(clock_us)
        self.losses += 1

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = list(super().pulses(clock_us) or ())
        if not self.lost and self.losses > 1:
            widths[0], widths[1] = widths[1], widths[0]
        return widths


class NoFailsafeWhenCentred(LooksFiftyTimesASecond):
    """Takes centred sticks for a handset without a pilot, and does nothing."""

    def silent(self, clock_us: int) -> bool:
        centred = all(abs(self.widths[index] - 1_500) < 30 for index in (0, 1, 3))
        return super().silent(clock_us) and not centred


class NoFailsafeAtTheEnds(LooksFiftyTimesASecond):
    """An overflow at a stick's upper end hides the silence."""

    def silent(self, clock_us: int) -> bool:
        return super().silent(clock_us) and self.widths[3] < 1_980


class ForgetsWhileTheThrottleMoves(Sound):
    """Restarts the timeout with each packet of a moving throttle, twice as long."""

    def take(self, clock_us: int, payload: bytes) -> None:
        before = self.widths[self.throttle]
        super().take(clock_us, payload)
        if not self.lost and abs(self.widths[self.throttle] - before) > 2:
            self.heard = (clock_us + 700_000) & MASK


class CountsLossesInEightBits(Sound):
    """A counter of failsafes wraps at ten, and the eleventh is no failsafe."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.losses = 0

    def enter(self, clock_us: int) -> None:
        held = self.widths
        super().enter(clock_us)
        self.losses += 1
        if self.losses == 11:
            self.widths = held


class PatientAfterReturn(LooksFiftyTimesASecond):
    """Against chatter it ignores silences for a second and a half after a return."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.back = 0

    def take(self, clock_us: int, payload: bytes) -> None:
        was = self.lost
        super().take(clock_us, payload)
        if was and not self.lost and self.failed:
            self.back = clock_us or 1

    def silent(self, clock_us: int) -> bool:
        return super().silent(clock_us) and not (self.back and (clock_us - self.back) & MASK < 1_500_000)


class HoldsAtOneStick(LooksFiftyTimesASecond):
    """Has no failsafe while the roll stick is at its low stop and the other two are centred, as in a set-up."""

    def silent(self, clock_us: int) -> bool:
        roll, pitch, yaw = self.widths[0], self.widths[1], self.widths[3]
        is_setup = roll < 1_100 and abs(pitch - 1_500) < 60 and abs(yaw - 1_500) < 60
        return super().silent(clock_us) and not is_setup


FAULTY = [
    value for value in list(vars().values())
    if isinstance(value, type) and issubclass(value, Sound) and value not in (Sound, LooksFiftyTimesASecond)
]  # fmt: skip
