"""The process that runs compiled firmware, so that a crash of the firmware does not end the tool.

It reads pickles from standard input and writes pickles to standard output. Output of the firmware itself goes to
standard error. The first request is a `FirmwareFile`; each `ScenarioRun` after it is answered by a trace.
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
"""The number of calls into the firmware so far, and the index of the current one."""


@dataclass(frozen=True)
class FirmwareFile:
    """The firmware to load.

    Attributes
    ----------
    library, shared : str
        Path of the firmware, and of a file that both processes map.
    profile : Profile
    """

    library: str
    shared: str
    profile: Profile


@dataclass(frozen=True)
class ScenarioRun:
    """A scenario, and the number of the call at which the firmware is known to stop (0: none)."""

    scenario: Scenario
    stop_at: int = 0
    why: str = ""


def words(file: BinaryIO) -> Any:
    """Map the shared words of a file."""
    return memoryview(mmap.mmap(file.fileno(), SHARED_WORDS * 8)).cast("q")


def _serve(read: BinaryIO, write: BinaryIO, scratch: Path) -> None:
    firmware: FirmwareFile = pickle.load(read)
    with open(firmware.shared, "r+b") as file:
        calls = words(file)
    try:
        image = Image(Path(firmware.library), scratch)
    except LostlinkError as error:
        _answer(write, error)
        return
    _answer(write, None)
    while True:
        try:
            run: ScenarioRun = pickle.load(read)
        except EOFError:
            return
        calls[0], calls[1] = 0, -1
        built = factory(image, calls, run.stop_at, run.why)
        _answer(write, simulate(firmware.profile, run.scenario, built))


def _answer(write: BinaryIO, answer: Any) -> None:
    pickle.dump(answer, write, pickle.HIGHEST_PROTOCOL)
    write.flush()


def main() -> None:
    """Serve until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is handled by the parent process
    out = os.dup(1)
    os.dup2(2, 1)  # the firmware's own printing must not disturb the answers
    with tempfile.TemporaryDirectory() as scratch, os.fdopen(out, "wb") as write:
        _serve(sys.stdin.buffer, write, Path(scratch))


if __name__ == "__main__":
    main()
