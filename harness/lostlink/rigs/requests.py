"""What the process of a receiver is asked for, and the memory that it shares with its parent."""

from __future__ import annotations

import mmap
import sys
from dataclasses import dataclass
from typing import Any, Final

from lostlink.errors import LostlinkError
from lostlink.rigs.firmware import HANDSET, RECEIVER
from lostlink_sims import Profile, Scenario
from lostlink_sims.batch.trials import FlightTrials

SHARED_WORDS: Final = 4
"""The number of calls so far, the step of the current one (-1: none), whether a pipe is lost (0: not), and which trial
of a `TrialsRun` is flown (from 1; 0: none)."""


@dataclass(frozen=True)
class ReceiverFile:
    """The receiver to load.

    Attributes
    ----------
    receiver : str or None
        As in ``--receiver``; None for the reference receiver.
    profile : Profile
    scratch : str
        Folder for copies of a library, where the system needs files for them.
    handset : str or None
        As in ``--handset``.
    driver : bytes
        For a receiver's library, as `lostlink.rigs.native.compiled_driver` returns it.
    is_apart : bool
        Whether each run has a process of its own (`lostlink.rigs.firmware.why_apart`).
    """

    receiver: str | None
    profile: Profile
    scratch: str
    handset: str | None = None
    driver: bytes = b""
    is_apart: bool = False


def refused(file: ReceiverFile, problem: str) -> LostlinkError:
    """Return the error of a program that cannot be used."""
    if file.handset is not None:
        return HANDSET.refused(file.handset, problem)
    return RECEIVER.refused(file.receiver or "", problem)


@dataclass(frozen=True)
class ScenarioRun:
    """A scenario to run.

    Attributes
    ----------
    scenario : Scenario
    limits_loop : bool
        Whether to limit a spinning main loop (`lostlink.rigs.main_loop.limited`).
    stop_at : int
        Number of the call that is known not to return (0: none).
    why : str
        Reason for that.
    finds_loss : bool
        Whether to end in the call that loses a pipe.
    """

    scenario: Scenario
    limits_loop: bool = False
    stop_at: int = 0
    why: str = ""
    finds_loss: bool = False


@dataclass(frozen=True)
class TrialsRun:
    """Trials to fly: `first` .. `first` + `count` - 1.

    Attributes
    ----------
    flights : FlightTrials
        For which `lostlink_sims.batch.arrivals.unfit_arrivals` gives no reason.
    first, count : int
    """

    flights: FlightTrials
    first: int
    count: int


def words(handle: str) -> Any:
    """Map the memory that parent and child share, by an inherited file descriptor or, on some systems, a name."""
    size = SHARED_WORDS * 8
    if sys.platform == "win32":
        return memoryview(mmap.mmap(-1, size, handle)).cast("q")
    return memoryview(mmap.mmap(int(handle), size)).cast("q")
