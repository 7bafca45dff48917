"""Receivers for a link whose pulses cease in failsafe: sound ones of another design, and faulty ones."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import NamedTuple

from lostlink.profiles.rules import longest_cut_us
from lostlink_sims import Profile, ReferenceReceiver
from lostlink_sims.receiver import MASK, State


def without_pulses(profile: Profile) -> Profile:
    """Return the link with no pulses in failsafe, and the limits that such a receiver can keep."""
    receiver = dataclasses.replace(profile.receiver, failsafe_output="no pulses")
    link = dataclasses.replace(profile, name=f"{profile.name}-without-pulses", receiver=receiver)
    cut_us, motor_us = longest_cut_us(link)
    limits = dataclasses.replace(
        profile.requirements,
        cut_within_us=max(profile.requirements.cut_within_us, cut_us),
        motor_cut_within_us=max(profile.requirements.motor_cut_within_us, motor_us),
    )
    return dataclasses.replace(link, requirements=limits)


class Counted(ReferenceReceiver):
    """Sound: the frame interrupt counts frames since the last good packet, and stops them after enough."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._most = self._cut_us // profile.output.frame_period_us + (profile.receiver.clock_error_ppm < 0)
        self._frames = 0

    def packet(self, clock_us: int, payload: bytes) -> None:
        before = self._heard_us
        super().packet(clock_us, payload)
        if self._heard_us != before:
            self._frames = 0

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        self._frames += 1
        return super().pulses(clock_us) if self._frames <= self._most + 1 else None


class Faulty(ReferenceReceiver):
    """Knows how long it has been in failsafe, and the widths before."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._last: Sequence[int] = ()
        self._idle = [*(channel.failsafe_us for channel in profile.channels), *self._padding]

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = super().pulses(clock_us)
        if widths is None and self._last:
            return self.instead(clock_us, (clock_us - self._failed_us) & MASK)
        self._last = widths or self._last
        return widths

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        """Return what is output in failsafe."""


class GivesPresets(Faulty):
    """Gives failsafe values, which the flight controller takes for a good link."""

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        return self._idle


class HoldsForEver(Faulty):
    """The pulses never cease."""

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        return self._last


class CeasesLate(Faulty):
    """Half a second of the last values first."""

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        return self._last if in_failsafe_us < 500_000 else None


class PulsesComeBack(Faulty):
    """After four seconds the timer is restarted for three frames."""

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        return self._last if 4_000_000 <= in_failsafe_us < 4_070_000 else None


class IdleComesBack(Faulty):
    """Long in failsafe it gives failsafe values now and then."""

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        return self._idle if in_failsafe_us % 3_000_000 > 2_900_000 else None


class CeasesInAGap(Faulty):
    """The pulses cease after half of the timeout."""

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        is_silent = (clock_us - self._heard_us) & MASK > self._timeout_us // 2
        return None if is_silent else super().pulses(clock_us)


class OldFramesFirst(Faulty):
    """The first frames after a return are those from before the loss."""

    _back = 0

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        was = self._last
        widths = super().pulses(clock_us)
        if widths is None:
            self._back = 5
        elif self._back and was:
            self._back -= 1
            self._last = was
            return was
        return widths


class NeverBack(Faulty):
    """Pulses do not start again after a failsafe."""

    _ended = False

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        widths = super().pulses(clock_us)
        self._ended = self._ended or (widths is None and self._state is State.FAILSAFE)
        return None if self._ended else widths


class OneStrayStartsThem(Faulty):
    """Any good packet starts the pulses again."""

    def instead(self, clock_us: int, in_failsafe_us: int) -> Sequence[int] | None:
        return self._last if self._state is State.RETURNING else None


class Mistake(NamedTuple):
    """A faulty receiver, and a requirement that it breaks."""

    receiver: type[Faulty]
    requirement: str


MISTAKES = (
    Mistake(GivesPresets, "FS-PRESET"),
    Mistake(HoldsForEver, "FS-CUT"),
    Mistake(CeasesLate, "FS-CUT"),
    Mistake(PulsesComeBack, "FS-STAY"),
    Mistake(IdleComesBack, "FS-PRESET"),
    Mistake(CeasesInAGap, "LK-GAP"),
    Mistake(OldFramesFirst, "RC-GLITCH"),
    Mistake(NeverBack, "RC-TIME"),
    Mistake(OneStrayStartsThem, "RC-STRAY"),
)
