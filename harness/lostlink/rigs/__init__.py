"""Places where a scenario is run. Each has one method, ``run(scenario) -> Trace``.

A rig that must be opened and closed is a context manager as well. A test asks for what it needs by way of the
profile and the scenario, never for a rig's name.
"""

from lostlink.rigs.base import Rig
from lostlink.rigs.sim import SimRig

__all__ = ["Rig", "SimRig"]
