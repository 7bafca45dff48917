"""The interface of a rig, with the defaults of a rig of another package."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import ClassVar, Self

from lostlink_sims import HowSeen, Profile, Scenario, Trace


class Rig(ABC):
    """Runs scenarios; a rig of another package subclasses this and writes `run`.

    Callers ask for an ability, never for a name. The defaults are the careful ones: the rig may start motors, and
    cannot set the receiver's counter.

    Parameters
    ----------
    profile : Profile
    rest : str
        What follows the colon in ``--rig NAME:REST``.

    Attributes
    ----------
    name : str
        The rig as the user named it.
    receiver : str
        Description of the receiver under test.
    runs : int
        Number of scenarios run so far; `run` counts them.
    about : dict of str to str
        Properties of the rig for the evidence.
    phase_stride : int
        Only one of this many phases is tested; 1 where a run takes no real time.
    how_seen : HowSeen
        Evidence type of the traces.
    drives_hardware : bool
        Whether a motor may start, so that the user must confirm that propellers are off.
    sets_clock : bool
        Whether the receiver's counter can start at the value that the scenario asks for.
    sees_flag : bool
        Whether the traces hold the receiver's own failsafe flag.
    """

    how_seen: ClassVar[HowSeen] = HowSeen.REPORTED
    drives_hardware: ClassVar[bool] = True
    sees_flag: ClassVar[bool] = True
    name: str = "rig"
    receiver: str = "the receiver"
    phase_stride: int = 1

    def __init__(self, profile: Profile, rest: str = "") -> None:
        self.profile = profile
        self.rest = rest
        self.runs = 0
        self.about: dict[str, str] = {}

    @property
    def sets_clock(self) -> bool:
        """Whether the receiver's counter can start at the value that the scenario asks for."""
        return False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:  # noqa: B027  most rigs of other packages have nothing to release
        """Bring the hardware into a safe state and release it; a second call does nothing."""

    @abstractmethod
    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario from power-on to its end.

        Raises
        ------
        lostlink.errors.ReceiverCrashError
            If the receiver's program crashed.
        lostlink.errors.CannotError
            If the rig has no means to do what the scenario asks for.
        lostlink.errors.RigError
            If the connection to the rig was lost.
        """
