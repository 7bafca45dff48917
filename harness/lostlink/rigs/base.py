"""What every rig offers."""

from __future__ import annotations

from typing import Protocol

from lostlink_sims import HowSeen, Profile, Scenario, Trace


class Rig(Protocol):
    """A place where a scenario is run; a rig of a package subclasses this and writes `run`.

    Attributes
    ----------
    name : str
        As the user named it.
    profile : Profile
    how_seen : HowSeen
        Evidence type of its traces.
    receiver : str
        What is under test, in words.
    runs : int
        Scenarios run so far.
    about : dict
        What the evidence reports of the rig besides its name.
    phase_stride : int
        Tests run one in so many of the phases that they would in simulation; 1 where time costs nothing.
    drives_hardware : bool
        Whether it may set something in motion, so that the user must confirm that propellers are off.
    sets_clock : bool
        Whether the receiver's counter starts where the scenario says.
    """

    name: str
    profile: Profile
    how_seen: HowSeen
    receiver: str = "the receiver"
    runs: int
    about: dict[str, str]
    phase_stride: int = 1
    drives_hardware: bool = True

    @property
    def sets_clock(self) -> bool:
        """Whether the receiver's counter starts where the scenario says."""
        return False

    def close(self) -> None:
        """Leave everything safe and release it; closing again does nothing."""

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario from power-on to its end.

        Raises
        ------
        lostlink.errors.ReceiverCrashError
            If the receiver's program crashed.
        lostlink.errors.RigError
            If the connection to the rig was lost.
        """
        ...
