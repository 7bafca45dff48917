"""Lets virtual time pass in step with the host's clock.

Waiting is done by reading the line, so that what the board says is stamped when it comes; the last fraction of a
millisecond is spun away, because a sleeping process wakes late.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
import time
from collections.abc import Callable, Iterator
from typing import Final

from lostlink_sims.clock import World

SPIN_NS: Final = 200_000
_NAP_NS: Final = 20_000_000

Wait = Callable[[int], None]
"""Called with how many nanoseconds are free; returns within that time."""


def pace(env: World, end_us: int, start_ns: int, wait: Wait) -> None:
    """Process all entries before `end_us`, each when its time has come, and return at `end_us`.

    Parameters
    ----------
    start_ns : int
        The host's monotonic clock at virtual time 0.
    """
    while (at_us := env.peek()) < end_us:
        _until(start_ns + int(at_us) * 1000, wait)
        env.step()
    _until(start_ns + end_us * 1000, wait)
    env.run_until(end_us)


def _until(due_ns: int, wait: Wait) -> None:
    while (ahead_ns := due_ns - time.monotonic_ns()) > SPIN_NS:
        wait(min(ahead_ns - SPIN_NS, _NAP_NS))
    while time.monotonic_ns() < due_ns:
        pass


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Keep from being late what can be kept: no garbage collector, no lazy timers, and first in line if permitted."""
    was_on = gc.isenabled()
    gc.collect()
    gc.disable()
    _timer_slack()
    first_in_line(on=True)
    try:
        yield
    finally:
        first_in_line(on=False)
        if was_on:
            gc.enable()


def first_in_line(*, on: bool) -> bool:
    """Ask for real-time scheduling, or give it back; return whether it was granted.

    Most systems grant it to few. What runs so spins for a fraction of a millisecond at most, and children of this
    process do not inherit it.
    """
    if sys.platform != "linux":
        return False
    policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK if on else os.SCHED_OTHER
    try:
        os.sched_setscheduler(0, policy, os.sched_param(1 if on else 0))
    except OSError:
        return False
    return True


def _timer_slack() -> None:
    if sys.platform == "linux":
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(29, 1000, 0, 0, 0)  # PR_SET_TIMERSLACK, in nanoseconds
