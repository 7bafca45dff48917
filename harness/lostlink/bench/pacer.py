"""Lets virtual time pass in step with the host's clock.

Waiting is done by reading the line, so that what the board says is stamped when it comes; the last fraction of a
millisecond is spun away, because a sleeping process wakes late.
"""

from __future__ import annotations

import contextlib
import gc
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
    """Keep the collector of garbage, and where it can be asked for, lazy timers, from making the pacer late."""
    was_on = gc.isenabled()
    gc.collect()
    gc.freeze()
    gc.disable()
    _timer_slack()
    try:
        yield
    finally:
        gc.unfreeze()
        if was_on:
            gc.enable()


def _timer_slack() -> None:
    if sys.platform == "linux":
        import ctypes

        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).prctl(29, 1000, 0, 0, 0)  # PR_SET_TIMERSLACK, in nanoseconds
