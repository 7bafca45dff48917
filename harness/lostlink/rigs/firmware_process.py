"""A process of its own for compiled firmware: runs scenarios, so that a crash in it is a finding and no more.

Reads pickles from standard input, writes pickles to standard output. What the firmware itself prints goes to
standard error. The first thing read is an `Order`; then each scenario gives a trace.
"""

from __future__ import annotations

import mmap
import os
import pickle
import signal
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from lostlink.errors import LostlinkError
from lostlink.rigs.firmware import Image, factory
from lostlink_sims import Profile, Scenario, simulate

SHARED_WORDS = 2
"""Number of calls into the firmware so far; which one is under way."""


@dataclass(frozen=True)
class Order:
    """What to run.

    Attributes
    ----------
    library, shared : str
        The firmware, and a file that both processes map.
    profile : Profile
    """

    library: str
    shared: str
    profile: Profile


@dataclass(frozen=True)
class Job:
    """A scenario, and at which call the firmware is known to stop (0: at none)."""

    scenario: Scenario
    stop_at: int = 0
    why: str = ""


def words(file: BinaryIO) -> Any:
    """Map the shared words of a file."""
    return memoryview(mmap.mmap(file.fileno(), SHARED_WORDS * 8)).cast("q")


def _serve(read: BinaryIO, write: BinaryIO, scratch: Path) -> None:
    order: Order = pickle.load(read)
    with open(order.shared, "r+b") as file:
        calls = words(file)
    try:
        image = Image(Path(order.library), scratch)
    except LostlinkError as error:
        _say(write, error)
        return
    _say(write, None)
    while True:
        try:
            job: Job = pickle.load(read)
        except EOFError:
            return
        calls[0], calls[1] = 0, -1
        built = factory(image, calls, job.stop_at, job.why)
        _say(write, simulate(order.profile, job.scenario, built))


def _say(write: BinaryIO, thing: Any) -> None:
    pickle.dump(thing, write, pickle.HIGHEST_PROTOCOL)
    write.flush()


def main() -> None:
    """Serve until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that watches over this one
    out = os.dup(1)
    os.dup2(2, 1)  # the firmware's own printing must not disturb the answers
    with tempfile.TemporaryDirectory() as scratch, os.fdopen(out, "wb") as write:
        _serve(sys.stdin.buffer, write, Path(scratch))


if __name__ == "__main__":
    main()
