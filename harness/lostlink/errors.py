"""Errors that the user can correct, by what the user must do next, and the exit codes of all commands.

::

    LostlinkError
    ├── UsageError          correct the command line, or choose another file or folder
    ├── ProfileError        correct the file (a profile or a scenario)
    ├── ReceiverError       correct the name or the file given by --receiver
    ├── ReceiverCrashError  correct the receiver's program (a finding, not bad input)
    ├── RigError            check the cable
    ├── CannotError         use another rig, or leave the test out
    ├── CaptureError        check the recording
    ├── EvidenceError       name a folder that holds evidence
    ├── WorkersError        check the worker processes (campaigns.workers)
    └── ExtensionError      correct or remove the package that adds something (extensions)

Each text says where, what is wrong, and what to do. A requirement that is not met is a verdict, not an error.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, ClassVar, Final


class ExitCode(IntEnum):
    """Exit codes of all commands."""

    MET = 0  # every requirement met, no finding, nothing worse
    NOT_MET = 1
    BAD_INPUT = 2
    RIG_LOST = 3
    UNDECIDED = 4  # none failed, but at least one is inconclusive or not tested
    HUNG_UP = 129  # 128 + SIGHUP, as in shells: the terminal was closed
    INTERRUPTED = 130  # 128 + SIGINT
    OUTPUT_CLOSED = 141  # 128 + SIGPIPE
    TERMINATED = 143  # 128 + SIGTERM
    BROKEN_OFF = 149  # 128 + SIGBREAK, of Windows only


COMPLETE: Final = frozenset({ExitCode.MET, ExitCode.NOT_MET, ExitCode.UNDECIDED})
"""Exit codes that the verdicts decide; all others are of runs that ended early."""


class LostlinkError(Exception):
    """Root of all errors that the tool raises on purpose."""

    exit_code: ClassVar[ExitCode] = ExitCode.BAD_INPUT


class UsageError(LostlinkError):
    """An option, or a file or folder that it names, cannot be used."""


class ProfileError(LostlinkError):
    """A profile or scenario file has a value that is not allowed."""


class ReceiverError(LostlinkError):
    """A receiver could not be loaded."""


class RigError(LostlinkError):
    """A rig is missing, not responding or lost."""

    exit_code = ExitCode.RIG_LOST


class CannotError(LostlinkError):
    """The rig cannot run a scenario; the requirement that needs it is not tested."""


class CaptureError(LostlinkError):
    """A recording cannot be read."""


class EvidenceError(LostlinkError):
    """A folder holds no evidence that can be read."""


class ReceiverCrashError(LostlinkError):
    """The receiver's program crashed: a finding about the receiver, with the trace up to the crash."""

    def __init__(self, text: str, trace: Any = None) -> None:
        super().__init__(text)
        self.trace = trace
