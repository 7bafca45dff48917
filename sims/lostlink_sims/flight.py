"""The flight controller: arming and motor command from decoded frames.

States, walked by `TRANSITIONS`::

    LOCKED   motors off; ready once the arming switch is off and the throttle idle
    READY    motors off; arms when the switch goes on with the throttle idle
    ARMED    motors follow the throttle

Without an arming channel the switch counts as always on, so an idle throttle alone arms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np

from lostlink_sims.arrays import Ints
from lostlink_sims.frames import Decoded
from lostlink_sims.profile import Profile

FULL_COMMAND = 1000
"""Motor command for full throttle; 0 is off."""


class Arming(IntEnum):
    """Whether the motors may turn."""

    LOCKED = 0
    READY = 1
    ARMED = 2


class Seen(IntEnum):
    """Content of a valid frame, or the lack of one."""

    OFF_IDLE = 0  # switch off, throttle idle
    OFF_UP = 1
    ON_IDLE = 2
    ON_UP = 3
    LOST = 4  # failsafe throttle, or signal timeout


_SEEN: Final = tuple(Seen)
_A, _S = Arming, Seen
TRANSITIONS: Final[Mapping[tuple[Arming, Seen], Arming]] = {
    (_A.LOCKED, _S.OFF_IDLE): _A.READY,
    (_A.LOCKED, _S.OFF_UP): _A.LOCKED,
    (_A.LOCKED, _S.ON_IDLE): _A.LOCKED,
    (_A.LOCKED, _S.ON_UP): _A.LOCKED,
    (_A.LOCKED, _S.LOST): _A.LOCKED,
    (_A.READY, _S.OFF_IDLE): _A.READY,
    (_A.READY, _S.OFF_UP): _A.LOCKED,
    (_A.READY, _S.ON_IDLE): _A.ARMED,
    (_A.READY, _S.ON_UP): _A.LOCKED,  # switched on with the stick up: must be switched off again
    (_A.READY, _S.LOST): _A.LOCKED,
    (_A.ARMED, _S.OFF_IDLE): _A.READY,
    (_A.ARMED, _S.OFF_UP): _A.LOCKED,
    (_A.ARMED, _S.ON_IDLE): _A.ARMED,
    (_A.ARMED, _S.ON_UP): _A.ARMED,
    (_A.ARMED, _S.LOST): _A.LOCKED,
}
#: Without an arming channel an idle throttle arms.
WITHOUT_SWITCH: Final[Mapping[tuple[Arming, Seen], Arming]] = {**TRANSITIONS, (_A.LOCKED, _S.ON_IDLE): _A.ARMED}


@dataclass(frozen=True, slots=True)
class ValidFrames:
    """What valid frames say.

    Attributes
    ----------
    number : (n,) ndarray of int64
        Index of the frame.
    done_us : (n,) ndarray of int64
        Its completion.
    seen : (n,) ndarray of int64
        `Seen`, as a number.
    command : (n,) ndarray of int64
        Motor command that it requests.
    """

    number: Ints
    done_us: Ints
    seen: Ints
    command: Ints


class FlightController:
    """Derives arming and motor command from decoded frames.

    Attributes
    ----------
    transitions : mapping
        `TRANSITIONS`, or `WITHOUT_SWITCH`.
    arming : Arming
    command : int
        0 .. 1000.
    """

    def __init__(self, profile: Profile) -> None:
        settings = profile.flight_controller
        self._settings = settings
        self._throttle, self._arm = profile.throttle_index, profile.arm_index
        self._needed = max(self._throttle, -1 if self._arm is None else self._arm) + 1
        self.transitions = TRANSITIONS if self._arm is not None else WITHOUT_SWITCH
        self._low_us, self._span_us = profile.receiver.low_us, profile.receiver.high_us - profile.receiver.low_us
        self._good_us: int | None = None  # completion of the last valid frame
        self.arming = Arming.LOCKED
        self.command = 0
        self.changes: list[tuple[int, int, int]] = []  # (instant, command, arming)

    def _note(self, at_us: int, arming: Arming, command: int) -> None:
        if arming is not self.arming or command != self.command:
            self.arming, self.command = arming, command
            self.changes.append((at_us, command, int(arming)))

    def _judge_silence(self, now_us: int) -> None:
        if self._good_us is not None and now_us - self._good_us > self._settings.signal_timeout_us:
            at_us = self._good_us + self._settings.signal_timeout_us
            self._good_us = None
            self._note(at_us, self.transitions[self.arming, Seen.LOST], 0)

    def see(self, decoded: Decoded, now_us: int) -> None:
        """Process more decoded frames, then check the signal timeout at `now_us`."""
        valid = self.valid(decoded)
        transitions, timeout_us = self.transitions, self._settings.signal_timeout_us
        seen = [_SEEN[number] for number in valid.seen.tolist()]
        for at_us, content, wanted in zip(valid.done_us.tolist(), seen, valid.command.tolist(), strict=True):
            if self._good_us is not None and at_us - self._good_us > timeout_us:
                self._judge_silence(at_us)
            self._good_us = at_us
            arming = transitions[self.arming, content]
            self._note(at_us, arming, wanted if arming is Arming.ARMED else 0)
        self._judge_silence(now_us)

    def valid(self, decoded: Decoded) -> ValidFrames:
        """Return what the valid frames say."""
        settings = self._settings
        widths, first = decoded.widths_us, np.cumsum(decoded.count) - decoded.count
        long_enough = decoded.count >= self._needed
        first = first[long_enough]
        if not len(first):
            return ValidFrames(first, first, first, first)
        throttle_us = widths[first + self._throttle]
        spoiled = (widths < settings.least_pulse_us) | (widths > settings.most_pulse_us)
        spoiled_before = np.concatenate([[0], np.cumsum(spoiled)])
        is_spoiled = spoiled_before[first + decoded.count[long_enough]] > spoiled_before[first]
        is_lost = throttle_us < settings.failsafe_below_us
        good = is_lost | ~is_spoiled
        is_up = throttle_us > settings.arm_below_us
        is_on = (
            np.ones(len(first), np.bool_) if self._arm is None else widths[first + self._arm] >= settings.switch_on_us
        )
        seen = np.where(is_lost, int(Seen.LOST), 2 * is_on + is_up)
        requested = np.clip((throttle_us - self._low_us) * FULL_COMMAND // self._span_us, 0, FULL_COMMAND)
        command = np.where(is_up & ~is_lost, requested, 0)
        number = np.flatnonzero(long_enough)[good]
        return ValidFrames(number, decoded.done_us[number], seen[good], command[good])
