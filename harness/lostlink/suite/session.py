"""What the pytest plugin and the runner of `lostlink prove` pass to each other through pytest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from lostlink.verdicts import Requirement

PROPERTY: Final = "lostlink"
"""Name of the report property that carries a verdict as JSON; it passes through xdist and into junit."""

ALSO: Final = "lostlink also"
"""Name of the report property with a verdict on another requirement that a run breaks, and the finding."""

LATE: Final = "lostlink late"
"""Name of the report property with the verdict on what a test judged, or how it failed, in its tear-down."""

FLOWN: Final = "lostlink flown"
"""Name of the report property with the varied flights of a test, for the runner only."""

PROFILE: Final = pytest.StashKey[Any]()  # a Profile
"""On the config: the profile that the runner has read; without it the plugin reads ``--lostlink-profile``."""
RIG: Final = pytest.StashKey[Any]()  # a Rig
"""On the config: the rig that the runner has opened and will close; without it the plugin opens ``--lostlink-rig``."""
RIG_LOST: Final = pytest.StashKey[str]()
"""On the config: how the connection to the rig was lost; no further test is run."""
EVIDENCE: Final = pytest.StashKey[str]()
"""On the config: the evidence folder as the user named it; the runs are written elsewhere until it is complete."""
NOT_WRITTEN: Final = pytest.StashKey[OSError]()
"""On the config: why a run could not be written; the requirements are tested all the same."""

SHARE: Final = pytest.StashKey[Any]()  # a callable of the judge
"""On the config: lets other processes fly runs ahead of a test; without it there are none."""

KEPT: Final = pytest.StashKey[dict[str, int]]()
"""On the config: by requirement, the rank of the outcome whose run is kept."""

JUDGE: Final = pytest.StashKey[Any]()  # a Judge
"""On a test: its judge."""
UNSETTLED: Final = pytest.StashKey[Any]()  # a Judge
"""On a test: its judge, if it judged after the verdict."""
WAIVED: Final = pytest.StashKey[bool]()
"""On a test: set where the profile's owner has waived its requirement."""


def decides(phase: str | None, *, passed: bool) -> bool:
    """Return whether a phase of a test settles its outcome: the call, or a set-up that did not reach it."""
    return phase == "call" or (phase == "setup" and not passed)


def required_by(item: pytest.Item) -> Requirement | None:
    """Return the requirement that a test judges; None if it judges none."""
    marker = item.get_closest_marker("requirement")
    return marker.args[0] if marker else None
