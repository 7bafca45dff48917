"""Limits the rate of a spinning main loop, so that a search takes less time."""

from __future__ import annotations

from typing import Any, Final, cast

from lostlink_sims import Profile
from lostlink_sims.receiver import MASK, Receiver, ReceiverFactory

MOST_TURNS: Final = 400_000
"""Main-loop iterations in one run."""
SPINS: Final = 100
"""Consecutive iterations without a delay from which a main loop counts as spinning."""
SPIN_US: Final = 50


class BusyError(BaseException):
    """The main loop wants more than `MOST_TURNS` iterations. Not an `Exception`: the simulation catches those."""


def limited(factory: ReceiverFactory) -> ReceiverFactory:
    """Return a factory of the same receivers, with the rate of a spinning main loop limited.

    A loop that requests its next iteration at once gets one per microsecond, and simulating seconds of that takes
    minutes. No real loop is that fast, so a spinning one gets an iteration every `SPIN_US`, and `BusyError` ends one
    that still wants too many. A finding is repeated without limits.
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
        except AttributeError:  # a class with slots: no limit
            return factory(profile)
        return cast(Receiver, program)

    build.live_output = bool(getattr(factory, "live_output", False))  # type: ignore[attr-defined]
    return build
