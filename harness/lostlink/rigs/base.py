"""The interface of a rig."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from types import TracebackType
from typing import Any, ClassVar, Self

from lostlink.varied.covering import PAIRS, Strength
from lostlink.verdicts import Side
from lostlink_sims import HowSeen, Profile, Scenario, Trace


class Rig(ABC):
    """Runs scenarios; a rig of another package subclasses this and implements `run`.

    Callers test abilities, never names. The defaults are conservative: the rig may start motors, and cannot set the
    receiver's counter.

    Parameters
    ----------
    profile : Profile
    rest : str
        REST in ``--rig NAME:REST``.

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
    extremes : dict of str to int
        Largest values over all runs, of which `close` tells in `about`.
    phase_stride : int
        One of this many phases is tested; 1 for all.
    varied_stride : int
        One of this many varied flights is flown, which take half an hour in real time.
    varied_strength : Strength
        Which values are combined in every way in the varied flights.
    how_seen : HowSeen
        Evidence type of the traces.
    sides : frozenset of Side
        What is under test; only the requirements about it are tested.
    drives_hardware : bool
        Whether a motor may start, so that the user must confirm that propellers are off.
    sets_clock : bool
        Whether the receiver's counter can start at the value in the scenario.
    asks_each_run : bool
        Whether each run goes on until the wire has answered, so that a test need not ask at its end.
    sees_flag : bool
        Whether the traces contain the receiver's failsafe flag.
    """

    how_seen: ClassVar[HowSeen] = HowSeen.REPORTED
    drives_hardware: ClassVar[bool] = True
    sides: frozenset[Side] = frozenset({Side.RECEIVER})
    asks_each_run: ClassVar[bool] = True
    sees_flag: ClassVar[bool] = True
    name: str = "rig"
    receiver: str = "the receiver"
    phase_stride: int = 1
    varied_stride: int = 8
    varied_strength: Strength = PAIRS

    def __init__(self, profile: Profile, rest: str = "") -> None:
        self.profile = profile
        self.rest = rest
        self.runs = 0
        self.about: dict[str, str] = {}
        self.extremes: dict[str, int] = {}

    @property
    def under_test(self) -> str:
        """The receiver under test, as a conclusion names it."""
        return self.receiver

    @property
    def opened_by(self) -> dict[str, Any] | None:
        """Arguments of `open_rig` with which other processes open the same rig; None if they cannot."""
        return None

    @property
    def sets_clock(self) -> bool:
        """Whether the receiver's counter can start at the value in the scenario."""
        return False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def note_extremes(self, found: Mapping[str, int]) -> None:
        """Keep the largest of each value, of this process and others."""
        for name, value in found.items():
            self.extremes[name] = max(value, self.extremes.get(name, value))

    def close(self) -> None:  # noqa: B027  nothing to release by default
        """Bring the hardware into a safe state and release it; a second call does nothing."""

    @abstractmethod
    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario from power-on to its end.

        Raises
        ------
        lostlink.errors.ReceiverCrashError
            If the receiver's program crashed.
        lostlink.errors.CannotError
            If the rig cannot do what the scenario requires.
        lostlink.errors.RigError
            If the connection to the rig was lost.
        """
