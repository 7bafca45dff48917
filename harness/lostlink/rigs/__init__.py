"""Rigs run scenarios: simulation, a board on a serial port, an emulated board. Each has ``run(scenario) -> Trace``.

Code and tests test a rig's abilities, never its name.
"""

from __future__ import annotations

from lostlink.rigs.base import Rig
from lostlink.rigs.opening import (
    SIM,
    check_options,
    drives_hardware,
    is_handset_board,
    open_rig,
    receiver_file,
    rig_file,
    sides_of,
)
from lostlink.rigs.sim import SimRig

__all__ = [
    "SIM",
    "Rig",
    "SimRig",
    "check_options",
    "drives_hardware",
    "is_handset_board",
    "open_rig",
    "receiver_file",
    "rig_file",
    "sides_of",
]
