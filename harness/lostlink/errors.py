"""What can go wrong on the user's side of the tool, by what the user must do next.

::

    LostlinkError
    ├── ProfileError    mend the file (a profile or a scenario)
    ├── ReceiverError   mend the name or the file given by --receiver
    ├── ReceiverCrashError  mend the receiver's program (a finding, not bad input)
    ├── RigError        look at the cable
    ├── CannotError     use another rig, or do without
    ├── CaptureError    look at the recording
    ├── WorkersError    look at those who do the work (campaigns.jobs)
    └── ExtensionError  mend or remove the package that adds something (extensions)

The text of each says where, what, and what is allowed. A requirement that is not met is a verdict, not an error.
"""

from __future__ import annotations

from typing import Any


class LostlinkError(Exception):
    """Root of all errors that the tool raises on purpose."""


class ProfileError(LostlinkError):
    """A profile or scenario file says something that cannot be."""


class ReceiverError(LostlinkError):
    """A receiver could not be loaded."""


class RigError(LostlinkError):
    """A rig is missing, silent or lost."""


class CannotError(LostlinkError):
    """The rig has no means to do what a scenario asks for; what needs it is not tested."""


class CaptureError(LostlinkError):
    """A recording cannot be read."""


class ReceiverCrashError(LostlinkError):
    """The receiver's program died; a finding about the receiver, with the trace until then."""

    def __init__(self, text: str, trace: Any = None) -> None:
        super().__init__(text)
        self.trace = trace
