"""Virtual time: the whole link is simulated, exact to the microsecond."""

from __future__ import annotations

from lostlink.errors import ReceiverCrashError
from lostlink_sims import HowSeen, Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.receiver import ReceiverFactory


class SimRig:
    """Runs scenarios in simulation with a receiver written in Python.

    Parameters
    ----------
    profile : Profile
    receiver : callable, optional
        ``Name(profile)`` gives a receiver; the well-behaved reference receiver when left out.
    """

    name = "sim"
    how_seen = HowSeen.SIMULATED
    thin = 1
    sets_clock = True

    def __init__(self, profile: Profile, receiver: ReceiverFactory = ReferenceReceiver) -> None:
        self.profile = profile
        self.receiver = receiver
        self.runs = 0
        self.about: dict[str, str] = {}

    def close(self) -> None:
        """Nothing is open."""

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario; the same one gives the same trace, byte for byte."""
        self.runs += 1
        trace = simulate(self.profile, scenario, self.receiver)
        if trace.crash is not None:
            raise ReceiverCrashError(trace.crash, trace)
        return trace
