"""Durations of a piece of a timeline: some packets, some frames, around the timeout, round seconds.

A piece holds the index of a duration: a smaller index is a shorter duration, and every shrunk one has a meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lostlink.verdicts import counted
from lostlink_sims import Profile

_PACKETS: Final = (1, 2, 3, 4, 6, 8, 12, 20, 40)
_FRAMES: Final = (1, 2, 4, 8)
_BESIDE: Final = (-6, -5, -4, -3, -2, -1, 0, 1, 2, 3, 5, 8)
_SECONDS: Final = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 10.0, 15.0, 20.0, 30.0, 45.0)
_LONG_S: Final = 70.0
"""Past the wrap of a 16-bit counter of milliseconds."""


@dataclass(frozen=True, slots=True)
class Duration:
    """A duration and its meaning (empty for round seconds).

    Attributes
    ----------
    enters_failsafe : bool
        A loss of this duration is just long enough for failsafe to be active.
    restores_control : bool
        A good link of this duration is just long enough for control to be restored.
    """

    us: int
    meaning: str = ""
    enters_failsafe: bool = False
    restores_control: bool = False

    def __str__(self) -> str:
        shown = f"{self.us / 1_000_000:g} s" if self.us >= 1_000_000 else f"{self.us / 1_000:g} ms"
        return f"{shown} ({self.meaning})" if self.meaning else shown


def link_durations(profile: Profile) -> tuple[Duration, ...]:
    """Return the durations for a link, each once, the shortest first."""
    packet_us, frame_us = profile.handset.packet_interval_us, profile.output.frame_period_us
    receiver, limits = profile.receiver, profile.requirements
    durations = [Duration(round(seconds * 1_000_000)) for seconds in (*_SECONDS, _LONG_S)]
    durations += [Duration(count * packet_us, counted(count, "packet")) for count in _PACKETS]
    durations += [Duration(count * frame_us, counted(count, "frame")) for count in _FRAMES]
    for base_us, name in ((receiver.timeout_us, "timeout"), (profile.cut_delay_us, "timeout + hold")):
        if name == "timeout" or receiver.hold_us:
            for count in _BESIDE:
                beside = f" {'+' if count > 0 else '-'} {counted(abs(count), 'packet')}" if count else ""
                durations.append(Duration(base_us + count * packet_us, name + beside))
    durations += [
        Duration(limits.cut_within_us + 4 * frame_us, "throttle cut + 4 frames", enters_failsafe=True),
        Duration(limits.motor_cut_within_us + 8 * frame_us, "motor cut + 8 frames", enters_failsafe=True),
        Duration(receiver.recovery_us + 4 * packet_us, "recovery + 4 packets", restores_control=True),
        Duration(
            limits.recovery_within_us + receiver.recovery_us + 8 * packet_us, "recovery limit + 8 packets",
            restores_control=True,
        ),
    ]  # fmt: skip
    by_us = {duration.us: duration for duration in reversed(durations) if 0 < duration.us <= _LONG_S * 1_000_000}
    return tuple(by_us[us] for us in sorted(by_us))
