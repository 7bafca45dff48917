"""The runs of one test, which other processes fly ahead of it.

The test takes its runs in order, and each as if it had flown it itself: what counts is when it takes one, not who flew
it. A run that it never takes, because an earlier one ended the test, leaves nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from lostlink.errors import LostlinkError, ReceiverCrashError
from lostlink.invariants import Broken, judge_trace
from lostlink.rigs import Rig
from lostlink.suite.answer import run_and_ask
from lostlink_sims import Scenario, Trace

LOOK_S: Final = 0.5  # on some systems Ctrl-C does not interrupt a longer wait
FLOWN_ALONE_US: Final = 300_000_000
"""A run that is longer is given to a process alone."""


@dataclass(frozen=True)
class DoneRun:
    """What a run gave.

    Attributes
    ----------
    trace : Trace or None
        None if the run has none.
    broken : list of Broken
        The invariants that it breaks.
    error : LostlinkError or None
        With which it ended.
    silence : str or None
        Why the wire does not answer behind the run; empty if it does, None if it was not asked.
    runs, extremes : int, dict of str to int
        As of a rig, of this run only.
    """

    trace: Trace | None
    broken: list[Broken]
    error: LostlinkError | None
    silence: str | None
    runs: int
    extremes: dict[str, int]

    def counted(self, rig: Rig) -> None:
        """Count the run as a rig's."""
        rig.runs += self.runs
        rig.note_extremes(self.extremes)


def done_run(rig: Rig, scenario: Scenario, run: Callable[[Scenario], Trace]) -> DoneRun:
    """Run a scenario with the `run` of a rig, which does not count it yet."""
    kept = rig.runs, rig.extremes
    rig.runs, rig.extremes = 0, {}
    trace: Trace | None = None
    error: LostlinkError | None = None
    silence: str | None = None
    try:
        trace, silence = run_and_ask(rig, run, scenario)
    except LostlinkError as caught:
        error = caught
        trace = caught.trace if isinstance(caught, ReceiverCrashError) else None
    finally:
        found = rig.runs, rig.extremes
        rig.runs, rig.extremes = kept
    return DoneRun(trace, [] if trace is None else judge_trace(trace, rig.sides), error, silence, *found)


class Ahead:
    """The runs of one test.

    Parameters
    ----------
    scenarios : sequence of Scenario
        In the order of the test.
    most : int
        So many runs at most are flown before the test takes them.
    changed : Condition
        Notified when there is another run to fly, or one was flown.
    """

    def __init__(self, scenarios: Sequence[Scenario], most: int, changed: threading.Condition) -> None:
        self._scenarios, self._most, self._changed = tuple(scenarios), most, changed
        self._begun = self._taken = 0
        self._done: dict[int, DoneRun | None] = {}

    def begin(self, number: int) -> list[tuple[int, Scenario]]:
        """Return so many of the next runs, or fewer, for the caller to fly; a long one alone."""
        with self._changed:
            first = self._begun
            if any(scenario.duration_us > FLOWN_ALONE_US for scenario in self._scenarios[first : first + number]):
                number = 1
            self._begun = max(first, min(first + number, self._taken + self._most, len(self._scenarios)))
            return [(index, self._scenarios[index]) for index in range(first, self._begun)]

    def put(self, index: int, found: DoneRun | None) -> None:
        """Note what a run gave; None if the test has to fly it."""
        with self._changed:
            self._done[index] = found
            self._changed.notify_all()

    def is_next(self, scenario: Scenario) -> bool:
        """Return whether this is the run that the test takes next."""
        return self._taken < len(self._scenarios) and self._scenarios[self._taken] is scenario

    def take(self, fly: Callable[[Scenario], DoneRun]) -> DoneRun:
        """Return what the test's next run gave; fly others meanwhile."""
        index = self._taken
        while index not in self._done:
            if begun := self.begin(1):
                [(number, scenario)] = begun
                self.put(number, fly(scenario) if number == index else _tried(fly, scenario))
                continue
            with self._changed:
                self._changed.wait_for(lambda: index in self._done, LOOK_S)
        with self._changed:
            found = self._done.pop(index)
            self._taken += 1
            self._changed.notify_all()
        return fly(self._scenarios[index]) if found is None else found

    def close(self) -> None:
        """Let no further run begin."""
        with self._changed:
            self._scenarios = ()


def _tried(fly: Callable[[Scenario], DoneRun], scenario: Scenario) -> DoneRun | None:
    """Fly a run whose turn has not come; an error of the program itself comes when it has."""
    try:
        return fly(scenario)
    except Exception:
        return None
