"""Virtual time: the whole link is simulated, exact to the microsecond."""

from __future__ import annotations

from lostlink.errors import ReceiverCrashError
from lostlink.rigs.base import Rig
from lostlink.verdicts import Side, sides_with
from lostlink_sims import HowSeen, Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.receiver import ReceiverFactory


class SimRig(Rig):
    """Runs scenarios in simulation with a receiver written in Python.

    Parameters
    ----------
    profile : Profile
    factory : callable, optional
        ``Name(profile)`` gives a receiver. [default: reference receiver, not under test beside a handset]
    receiver : str, optional
        Description of the receiver under test.
    handset : callable, optional
        ``Name(profile)`` gives the program of a handset under test, with a receiver the pair is.
    """

    name = "sim"
    how_seen = HowSeen.SIMULATED
    drives_hardware = False
    sets_clock = True
    varied_stride = 1

    def __init__(
        self,
        profile: Profile,
        factory: ReceiverFactory | None = None,
        receiver: str | None = None,
        handset: HandsetFactory | None = None,
    ) -> None:
        super().__init__(profile)
        self.handset = handset
        self.sides = sides_with(factory, handset)
        factory = factory or ReferenceReceiver
        self.factory = factory
        self.receiver = receiver or ("reference receiver" if factory is ReferenceReceiver else factory.__name__)

    @property
    def under_test(self) -> str:
        """What is under test, as a conclusion names it."""
        if self.handset is not None:
            name = f"the handset {getattr(self.handset, '__name__', '')}".rstrip()
            return name if self.sides == {Side.HANDSET} else f"{name} with {self.receiver}"
        return f"the {self.receiver}" if self.factory is ReferenceReceiver else self.receiver

    @property
    def opened_by(self) -> dict[str, str | None] | None:
        """As in `Rig`: a class given to the constructor has no name for another process."""
        return {"where": self.name} if self.factory is ReferenceReceiver and self.handset is None else None

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario; the same one gives the same trace, byte for byte."""
        self.runs += 1
        trace = simulate(self.profile, scenario, self.factory, self.handset)
        if trace.crash is not None:
            raise ReceiverCrashError(trace.crash, trace)
        return trace
