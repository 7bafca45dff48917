"""Wires on which no receiver of the link under test works: what a bench shows with a wrong or broken connection."""

from __future__ import annotations

import random
from collections.abc import Sequence

from lostlink_sims import Profile, ReferenceReceiver


class Wire(ReferenceReceiver):
    """Pulses that do not depend on any packet."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._throttle, self._outputs = profile.throttle_index, profile.output.channels


class NoPulses(Wire):
    """The wire is not connected."""

    def pulses(self, clock_us: int) -> None:
        """Return no frame."""


class SteadyServo(Wire):
    """All channels stay centred, as from a servo tester."""

    def pulses(self, clock_us: int) -> list[int]:
        return [1500] * self._outputs


class OthersFailsafe(Wire):
    """Another receiver, without its handset: failsafe values for ever."""

    def pulses(self, clock_us: int) -> list[int]:
        return [1000 if i == self._throttle else 1500 for i in range(self._outputs)]


class OthersSticks(Wire):
    """Another receiver whose pilot moves every stick but the throttle, four times a second."""

    def pulses(self, clock_us: int) -> list[int]:
        draw = random.Random(clock_us // 250_000)
        widths_us = [draw.choice((1250, 1750)) for _ in range(self._outputs)]
        widths_us[self._throttle] = 1000
        return widths_us


IMPOSTORS = (NoPulses, SteadyServo, OthersFailsafe, OthersSticks)


class Breaks(Wire):
    """A sound receiver, until its first failsafe in flight: then its output fails for good, throttle at idle."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._flew = False
        self.broken = False

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        """Return the widths of the receiver, or what is there in place of them."""
        widths_us = super().pulses(clock_us)
        self.broken = self.broken or (self._flew and self.failsafe)
        self._flew = self._flew or not self.failsafe
        return self.instead(clock_us) if self.broken else widths_us

    def instead(self, clock_us: int) -> Sequence[int] | None:
        """Return what is on the wire once the output has failed."""
        raise NotImplementedError


class OutputDies(Breaks):
    """The wire breaks."""

    def instead(self, clock_us: int) -> None:
        """Return no frame."""


class OutputFreezes(Breaks):
    """The output timer goes on with the failsafe values."""

    def instead(self, clock_us: int) -> list[int]:
        return [1000 if i == self._throttle else 1500 for i in range(self._outputs)]


class OutputOfAnother(Breaks):
    """The plug is now in another receiver, whose pilot moves every stick but the throttle."""

    def instead(self, clock_us: int) -> list[int]:
        draw = random.Random(clock_us // 250_000)
        widths_us = [draw.choice((1250, 1750)) for _ in range(self._outputs)]
        widths_us[self._throttle] = 1000
        return widths_us


BROKEN_IN_FLIGHT = (OutputDies, OutputFreezes, OutputOfAnother)
