"""Runs timelines, judges them, remembers what came of each, and counts what was tried."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from lostlink.errors import ReceiverCrashError
from lostlink.hunt.attribution import Broken
from lostlink.hunt.events import World
from lostlink.hunt.invariants import judge_facts, strain
from lostlink.hunt.timelines import LONGEST_US, Timeline, fitted, laid, scenario, span_us
from lostlink.hunt.windows import Facts
from lostlink.rigs import Rig, SimRig
from lostlink_sims import Profile, Receiver, Trace
from lostlink_sims.receiver import MASK, ReceiverFactory

Opens = Callable[[], Rig]
"""Gives a rig on which nothing was run before; the receiver's file is read anew."""


MOST_TURNS: Final = 400_000
"""Turns of the main loop in one run."""
SPINS: Final = 100
"""Turns asked for at once, one after the other, from which on a main loop spins."""
SPIN_US: Final = 50
CRASH_COST: Final = 15
"""Runs that a crash counts for while shrinking: compiled firmware that hangs is waited for, and begun anew."""
SHORTEST_US: Final = 4_000_000


class SpentError(BaseException):
    """The budget is used up. Not an `Exception`, so that it passes through a search that catches those."""


class BusyError(BaseException):
    """The receiver's main loop wants more turns than a run can give. Not an `Exception`: the world catches those."""


@dataclass(slots=True)
class Budget:
    """How much may be tried.

    Attributes
    ----------
    runs : int or None
    seconds : float or None
        Wall time.
    """

    runs: int | None = None
    seconds: float | None = None


@dataclass(slots=True)
class Tried:
    """What was tried.

    Attributes
    ----------
    runs, shrinking : int
        Runs in all, and how many of them served to make a finding smaller.
    simulated_us : int
    kinds : Counter of str
        How many runs each kind of event was in.
    most_events : int
    longest_us : int
        Of all timelines, from the first piece to the end of the last.
    seconds : float
        Wall time.
    afresh : bool
        Whether the receiver had to be loaded anew for every run, because it remembers earlier ones.
    busy : int
        Runs that were given up because the receiver's main loop spun.
    """

    runs: int = 0
    shrinking: int = 0
    simulated_us: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    most_events: int = 0
    longest_us: int = 0
    seconds: float = 0.0
    afresh: bool = False
    busy: int = 0


@dataclass(frozen=True, slots=True)
class TimelineResult:
    """What came of a timeline.

    Attributes
    ----------
    broken : tuple of Broken
    strain : float
        How close the run came to breaking a limit; 1 is the limit.
    """

    broken: tuple[Broken, ...] = ()
    strain: float = 0.0


class Runner:
    """Runs timelines of one world on a receiver.

    Parameters
    ----------
    world : World
    opens : callable
    budget : Budget
        For the search; what serves to make a finding smaller has its own limit, see `shrinks`.
    seed : int
        Of all random streams in the scenarios.
    told : callable, optional
        Called with the number of runs and the seconds used, after each run.
    """

    def __init__(
        self, world: World, opens: Opens, budget: Budget, seed: int, told: Callable[[int, float], None] | None = None
    ) -> None:
        self.world, self.budget, self.seed = world, budget, seed
        self.share = 1.0  # of the budget that may be used by now
        self.tried = Tried()
        self.seen: dict[Timeline, TimelineResult] = {}
        self._opens, self._told = opens, told
        self._rig: Rig | None = None
        self._begun_s = time.monotonic()
        self._longest_us = LONGEST_US
        self._shrink_left: int | None = None
        self._shrink_until_s = float("inf")

    def close(self) -> None:
        """Let go of the rig."""
        if self._rig is not None:
            self._rig.close()
            self._rig = None

    @property
    def used_s(self) -> float:
        """Wall time since the beginning."""
        return time.monotonic() - self._begun_s

    def shrinks(self, runs: int | None, seconds: float | None = None) -> None:
        """Say that from now on runs make a finding smaller, at most so many; None ends that."""
        self._shrink_left = runs
        self._shrink_until_s = float("inf") if seconds is None else self.used_s + seconds

    @property
    def is_spent(self) -> bool:
        """Whether the search may run nothing more."""
        runs, seconds = self.budget.runs, self.budget.seconds
        searched = self.tried.runs - self.tried.shrinking
        if runs is not None and searched >= runs * self.share:
            return True
        return seconds is not None and self.used_s >= seconds * self.share

    def fitted(self, timeline: Timeline) -> Timeline:
        """Return a timeline that is no longer than one may be on this receiver."""
        return fitted(self.world, timeline, self._longest_us)

    def judged(self, timeline: Timeline) -> TimelineResult:
        """Return what comes of a timeline; from memory if it was run before.

        Raises
        ------
        SpentError
            If it would have to be run and the budget is used up. While shrinking, nothing is broken then.
        """
        known = self.seen.get(timeline)
        if known is not None:
            return known
        if span_us(self.world, timeline) > self._longest_us:
            return self.seen.setdefault(timeline, TimelineResult())
        if self._shrink_left is not None:
            if self._shrink_left <= 0 or self.used_s > self._shrink_until_s:
                return TimelineResult()
            self._shrink_left -= 1
            self.tried.shrinking += 1
        elif self.is_spent:
            raise SpentError
        try:
            judged = self.judge(self.run(timeline))
        except BusyError:
            # Shorter runs only from now on: the next long one would take as long for nothing.
            self.tried.busy += 1
            self._longest_us = max(SHORTEST_US, min(self._longest_us, span_us(self.world, timeline)) // 2)
            judged = TimelineResult()
        self.seen[timeline] = judged
        if self._shrink_left is not None and any(broken.group == "crash" for broken in judged.broken):
            self._shrink_left -= CRASH_COST
        return judged

    def run(self, timeline: Timeline, *, exactly: bool = False) -> Trace:
        """Run a timeline and return its trace, also when the receiver's program dies.

        Parameters
        ----------
        exactly : bool
            On a rig on which nothing was run before, and without holding back a main loop that spins.
        """
        if self._rig is None or self.tried.afresh or exactly:
            self.close()
            self._rig = self._opens()
            if isinstance(self._rig, SimRig) and not exactly:
                self._rig.factory = limited(self._rig.factory)
        made = scenario(self.world, timeline, self.seed)
        try:
            trace: Trace = self._rig.run(made)
        except ReceiverCrashError as error:
            trace = error.trace
        finally:
            self._count(timeline, made.duration_us)
            if exactly:
                self.close()
        return trace

    @staticmethod
    def judge(trace: Trace) -> TimelineResult:
        facts = Facts(trace)
        return TimelineResult(tuple(judge_facts(facts)), strain(facts))

    def _count(self, timeline: Timeline, duration_us: int) -> None:
        tried = self.tried
        tried.runs += 1
        tried.simulated_us += duration_us
        pieces = [piece for piece in laid(self.world, timeline) if piece.is_event]
        tried.kinds.update({piece.kind.name for piece in pieces})
        tried.most_events = max(tried.most_events, len(pieces))
        tried.longest_us = max(tried.longest_us, span_us(self.world, timeline))
        tried.seconds = self.used_s
        if self._told is not None:
            self._told(tried.runs, tried.seconds)

    def is_repeatable(self, timeline: Timeline) -> bool:
        """Return whether a receiver on which nothing was run before does the same on a timeline."""
        before = self.judged(timeline)
        self.close()
        again = self.judge(self.run(timeline))
        return [broken.group for broken in again.broken] == [broken.group for broken in before.broken]

    def begin_afresh(self) -> None:
        """Forget all results and load the receiver anew for every run from now on."""
        self.tried.afresh = True
        self.seen.clear()


def limited(factory: ReceiverFactory) -> ReceiverFactory:
    """Return a factory of the same receivers, held back where their main loop spins.

    A loop that asks for its next turn at once gets one a microsecond, and seconds of that take minutes. No main loop
    is that fast, so a spinning one gets a turn every `SPIN_US`; one that still wants too many is given up with
    `BusyError`. A finding is run again without any of this.
    """

    def build(profile: Profile) -> Receiver:
        program: Any = factory(profile)
        poll, left, spins = program.poll, MOST_TURNS, 0

        def counted(clock_us: int) -> int | None:
            nonlocal left, spins
            left -= 1
            if left < 0:
                raise BusyError
            wanted: int | None = poll(clock_us)
            if wanted is None or 0 < (wanted - clock_us) & MASK <= MASK >> 1:
                spins = 0
                return wanted
            spins += 1
            return wanted if spins < SPINS else (clock_us + SPIN_US) & MASK

        try:
            program.poll = counted
        except AttributeError:  # a class with slots: it goes without a limit
            return factory(profile)
        made: Receiver = program
        return made

    build.live_output = bool(getattr(factory, "live_output", False))  # type: ignore[attr-defined]
    return build
