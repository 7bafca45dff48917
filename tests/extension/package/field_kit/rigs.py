"""A rig of our own: the simulation, seen through an instrument that knows instants to some microseconds only."""

from typing import ClassVar

from lostlink.errors import RigError
from lostlink.rigs import Rig, SimRig
from lostlink_sims import HowSeen, Profile, Scenario, Trace


class CoarseRig(Rig):
    """Gives every trace the uncertainty that follows the colon in ``--rig coarse:REST``, in microseconds.

    A rig needs `run` only. This one declares in addition that it moves nothing, and describes its instrument.
    """

    how_seen: ClassVar[HowSeen] = HowSeen.SIMULATED
    drives_hardware = False

    def __init__(self, profile: Profile, rest: str) -> None:
        super().__init__(profile, rest)
        if not rest.isdecimal():
            raise RigError(f"--rig coarse:{rest}: allowed: a whole number of microseconds, such as coarse:500")
        self.about["instrument"] = f"instants known to ± {rest} µs"

    def run(self, scenario: Scenario) -> Trace:
        self.runs += 1
        trace = SimRig(self.profile).run(scenario)
        trace.uncertainty_us = int(self.rest)
        return trace
