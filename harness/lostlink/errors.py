"""What can go wrong on the user's side of the tool, by what the user must do next.

::

    LostlinkError
    ├── ProfileError    mend the file (a profile or a scenario)
    ├── ReceiverError   mend the receiver named by --receiver
    ├── RigError        look at the cable
    └── CaptureError    look at the recording

The text of each says where, what, and what is allowed. A requirement that is not met is a verdict, not an error.
"""

from __future__ import annotations


class LostlinkError(Exception):
    """Root of all errors that the tool raises on purpose."""


class ProfileError(LostlinkError):
    """A profile or scenario file says something that cannot be."""


class ReceiverError(LostlinkError):
    """A receiver could not be loaded."""


class RigError(LostlinkError):
    """A rig is missing, silent or lost."""


class CaptureError(LostlinkError):
    """A recording cannot be read."""
