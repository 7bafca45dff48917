"""Where a scenario is run: simulation, a serial board, an emulated board. Each has ``run(scenario) -> Trace``.

A test asks for what it needs by way of the profile, the scenario and the rig's abilities, never for a rig's name.
"""

from __future__ import annotations

from lostlink.rigs.base import Rig
from lostlink.rigs.opening import SIM, drives_hardware, open_rig, receiver_file
from lostlink.rigs.sim import SimRig

__all__ = ["SIM", "Rig", "SimRig", "drives_hardware", "open_rig", "receiver_file"]
