"""A rig of our own: the simulation, seen through an instrument that knows instants to some microseconds only."""

from lostlink.errors import RigError
from lostlink.rigs import Rig, SimRig
from lostlink_sims import Profile, Scenario, Trace


class CoarseRig(SimRig):
    """Gives every trace an uncertainty."""

    def __init__(self, profile: Profile, uncertainty_us: int) -> None:
        super().__init__(profile)
        self.name = f"coarse:{uncertainty_us}"
        self._uncertainty_us = uncertainty_us
        self.about = {"instrument": f"instants known to ± {uncertainty_us} µs"}

    def run(self, scenario: Scenario) -> Trace:
        trace = super().run(scenario)
        trace.uncertainty_us = self._uncertainty_us
        return trace


def open_coarse(profile: Profile, rest: str) -> Rig:
    """Open it for what follows the colon in ``--rig coarse:REST``: the uncertainty in microseconds."""
    if not rest.isdecimal():
        raise RigError(f"--rig coarse:{rest}: allowed: a whole number of microseconds, such as coarse:500")
    return CoarseRig(profile, int(rest))
