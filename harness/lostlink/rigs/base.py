"""What every rig offers."""

from __future__ import annotations

from typing import Protocol

from lostlink_sims import HowSeen, Profile, Scenario, Trace


class Rig(Protocol):
    """A place where a scenario is run.

    Attributes
    ----------
    name : str
        How the user asked for it.
    profile : Profile
    how_seen : HowSeen
    runs : int
        Scenarios run so far.
    thin : int
        Tests fly at one in so many of the phases that they would in simulation; 1 where time costs nothing.
    sets_clock : bool
        Whether the receiver's counter starts where the scenario says.
    about : dict
        What evidence says of the rig besides its name.
    """

    name: str
    profile: Profile
    how_seen: HowSeen
    runs: int
    thin: int
    about: dict[str, str]

    @property
    def sets_clock(self) -> bool: ...

    def close(self) -> None:
        """Leave everything safe and let go of it."""
        ...

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario from power-on to its end.

        Raises
        ------
        lostlink.errors.ReceiverCrashError
            If the receiver's program died.
        lostlink.errors.RigError
            If the rig was lost.
        """
        ...
