"""Runs and judges timelines, caches the results, and counts the coverage."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from lostlink.errors import ReceiverCrashError
from lostlink.hunt.events import World
from lostlink.hunt.timelines import LONGEST_US, Timeline, fitted, placed_pieces, scenario, span_us
from lostlink.invariants.attribution import Broken
from lostlink.invariants.rules import judge_run
from lostlink.rigs import Rig, SimRig
from lostlink.rigs.main_loop import BusyError, limited
from lostlink.rigs.own_process import OwnProcessRig
from lostlink_sims import Trace

Opens = Callable[[], Rig]
"""Returns a fresh rig; the receiver's file is loaded again."""
CRASH_COST: Final = 15
"""Runs that a crash counts as while shrinking: compiled firmware that hangs must time out and restart."""
CRASHES: Final = ("crash", "handset crash")
SHORTEST_US: Final = 4_000_000


class SpentError(BaseException):
    """The budget is used up. Not an `Exception`, so that it passes through Hypothesis."""


@dataclass(slots=True)
class Budget:
    """Limits of a search: runs, and wall time in seconds."""

    runs: int | None = None
    seconds: float | None = None


@dataclass(slots=True)
class Coverage:
    """The coverage of a hunt.

    Attributes
    ----------
    runs, shrinking : int
        All runs, and those used to shrink a finding.
    kinds : Counter of str
        Runs with each kind of event.
    longest_us : int
        Longest timeline, from the first piece to the end of the last.
    seconds : float
        Wall time.
    reloads : bool
        Whether the file under test is reloaded for every run, because it keeps state between runs.
    busy : int
        Runs aborted because the receiver's main loop spun.
    """

    runs: int = 0
    shrinking: int = 0
    simulated_us: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    most_events: int = 0
    longest_us: int = 0
    seconds: float = 0.0
    reloads: bool = False
    busy: int = 0


@dataclass(frozen=True, slots=True)
class TimelineResult:
    """The broken invariants of a timeline, and its `strain`: the time to the cut as a share of the limit."""

    broken: tuple[Broken, ...] = ()
    strain: float = 0.0


class Runner:
    """Runs timelines of one world on a receiver.

    Parameters
    ----------
    world : World
    opens : callable
    budget : Budget
        For the search; shrinking has its own limit, see `shrinks`.
    seed : int
        Of all random streams in the scenarios.
    on_run : callable, optional
        Called with the number of runs and the seconds used, after each run.
    """

    def __init__(
        self, world: World, opens: Opens, budget: Budget, seed: int, on_run: Callable[[int, float], None] | None = None
    ) -> None:
        self.world, self.budget, self.seed = world, budget, seed
        self.share = 1.0  # of the budget that may be used by now
        self.coverage = Coverage()
        self.seen: dict[Timeline, TimelineResult] = {}
        self._opens, self._on_run = opens, on_run
        self._rig: Rig | None = None
        self._begun_s = time.monotonic()
        self._longest_us = LONGEST_US
        self._shrink_left: int | None = None
        self._shrink_until_s = float("inf")

    def close(self) -> None:
        """Close the rig."""
        if self._rig is not None:
            self._rig.close()
            self._rig = None

    @property
    def used_s(self) -> float:
        """Wall time since the start, in seconds."""
        return time.monotonic() - self._begun_s

    def shrinks(self, runs: int | None, seconds: float | None = None) -> None:
        """Count runs from now on as shrinking, at most `runs` of them; None ends that."""
        self._shrink_left = runs
        self._shrink_until_s = float("inf") if seconds is None else self.used_s + seconds

    def _is_spent(self) -> bool:
        runs, seconds = self.budget.runs, self.budget.seconds
        if runs is not None and self.coverage.runs - self.coverage.shrinking >= runs * self.share:
            return True
        return seconds is not None and self.used_s >= seconds * self.share

    def fitted(self, timeline: Timeline) -> Timeline:
        """Return a timeline, shortened to the maximum for this receiver."""
        return fitted(self.world, timeline, self._longest_us)

    def judged(self, timeline: Timeline) -> TimelineResult:
        """Return the result of a timeline, from the cache if it was run before.

        Raises
        ------
        SpentError
            If it must be run and the budget is used up. While shrinking, an empty result is returned instead.
        """
        cached = self.seen.get(timeline)
        if cached is not None:
            return cached
        if span_us(self.world, timeline) > self._longest_us:
            return self.seen.setdefault(timeline, TimelineResult())
        if self._shrink_left is not None:
            if self._shrink_left <= 0 or self.used_s > self._shrink_until_s:
                return TimelineResult()
            self._shrink_left -= 1
            self.coverage.shrinking += 1
        elif self._is_spent():
            raise SpentError
        try:
            judged = self.judge(self.run(timeline))
        except BusyError:
            # Only shorter runs from now on: the next long one would be aborted as well.
            self.coverage.busy += 1
            self._longest_us = max(SHORTEST_US, min(self._longest_us, span_us(self.world, timeline)) // 2)
            judged = TimelineResult()
        self.seen[timeline] = judged
        if self._shrink_left is not None and any(broken.group in CRASHES for broken in judged.broken):
            self._shrink_left -= CRASH_COST
        return judged

    def run(self, timeline: Timeline, *, exactly: bool = False) -> Trace:
        """Run a timeline and return its trace, also if the receiver crashes.

        Parameters
        ----------
        exactly : bool
            On a fresh rig, without throttling a main loop that spins.
        """
        if self._rig is None or self.coverage.reloads or exactly:
            self.close()
            self._rig = self._opens()
            if isinstance(self._rig, SimRig) and not exactly:
                self._rig.factory = limited(self._rig.factory)
            elif isinstance(self._rig, OwnProcessRig):
                self._rig.limits_loop = not exactly
        run_scenario = scenario(self.world, timeline, self.seed)
        try:
            trace: Trace = self._rig.run(run_scenario)
        except ReceiverCrashError as error:
            trace = error.trace
        finally:
            self._count(timeline, run_scenario.duration_us)
            if exactly:
                self.close()
        return trace

    def judge(self, trace: Trace) -> TimelineResult:
        """Return the broken invariants of a run on what is under test."""
        broken, near = judge_run(trace, self.world.sides)
        return TimelineResult(tuple(broken), near)

    def _count(self, timeline: Timeline, duration_us: int) -> None:
        coverage = self.coverage
        coverage.runs += 1
        coverage.simulated_us += duration_us
        pieces = [piece for piece in placed_pieces(self.world, timeline) if piece.is_event]
        coverage.kinds.update({piece.kind.name for piece in pieces})
        coverage.most_events = max(coverage.most_events, len(pieces))
        coverage.longest_us = max(coverage.longest_us, span_us(self.world, timeline))
        coverage.seconds = self.used_s
        if self._on_run is not None:
            self._on_run(coverage.runs, coverage.seconds)

    def is_repeatable(self, timeline: Timeline) -> bool:
        """Return whether a fresh receiver gives the same result on a timeline."""
        before = self.judged(timeline)
        self.close()
        again = self.judge(self.run(timeline))
        return [broken.group for broken in again.broken] == [broken.group for broken in before.broken]

    def reload_always(self) -> None:
        """Clear the cache and reload the receiver for every run from now on."""
        self.coverage.reloads = True
        self.seen.clear()
