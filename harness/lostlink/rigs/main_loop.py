"""Holds a main loop back that spins: what it does is then found out in less time."""

from __future__ import annotations

from typing import Any, Final

from lostlink_sims import Profile
from lostlink_sims.receiver import MASK, Receiver, ReceiverFactory

MOST_TURNS: Final = 400_000
"""Turns of the main loop in one run."""
SPINS: Final = 100
"""Turns asked for at once, one after the other, from which on a main loop spins."""
SPIN_US: Final = 50


class BusyError(BaseException):
    """The receiver's main loop wants more turns than a run can give. Not an `Exception`: the world catches those."""


def limited(factory: ReceiverFactory) -> ReceiverFactory:
    """Return a factory of the same receivers, held back where their main loop spins.

    A loop that asks for its next turn at once gets one a microsecond, and seconds of that take minutes. No main loop
    is that fast, so a spinning one gets a turn every `SPIN_US`; one that still wants too many is given up with
    `BusyError`. A finding is run again without any of this.
    """

    def build(profile: Profile) -> Receiver:
        program: Any = factory(profile)
        poll, left, spins = program.poll, MOST_TURNS, 0

        def counted(clock_us: int) -> int | None:
            nonlocal left, spins
            left -= 1
            if left < 0:
                raise BusyError
            wanted: int | None = poll(clock_us)
            if wanted is None or 0 < (wanted - clock_us) & MASK <= MASK >> 1:
                spins = 0
                return wanted
            spins += 1
            return wanted if spins < SPINS else (clock_us + SPIN_US) & MASK

        try:
            program.poll = counted
        except AttributeError:  # a class with slots: it goes without a limit
            return factory(profile)
        made: Receiver = program
        return made

    build.live_output = bool(getattr(factory, "live_output", False))  # type: ignore[attr-defined]
    return build
