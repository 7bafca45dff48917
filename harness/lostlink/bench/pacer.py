"""Paces virtual time by the host's clock.

It waits by reading the line, so that messages of the board are time-stamped on arrival. The last fraction of a
millisecond is a busy wait, because a sleeping process wakes late.
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
"""Called with the free time in nanoseconds; returns within that time."""


def pace(env: World, end_us: int, start_ns: int, wait: Wait) -> None:
    """Process all events before `end_us`, each at its time, and return at `end_us`.

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
def precise_timing() -> Iterator[None]:
    """Reduce scheduling delays: no garbage collection, exact timers, real-time scheduling if permitted."""
    was_on = gc.isenabled()
    gc.collect()
    gc.disable()
    _timer_slack()
    real_time_priority(on=True)
    try:
        yield
    finally:
        real_time_priority(on=False)
        if was_on:
            gc.enable()


def real_time_priority(*, on: bool) -> bool:
    """Switch real-time scheduling on or off; return whether the system permits it.

    Child processes do not inherit it.
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
