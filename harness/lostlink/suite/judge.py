"""Compares measurements with limits in a test, looks at every run by the invariants, and describes findings."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from lostlink.errors import ReceiverCrashError, RigError
from lostlink.evidence.run_writer import JudgedMeasurement, file_name, save
from lostlink.evidence.timeline import timeline
from lostlink.invariants import Broken, judge_trace
from lostlink.requirements import CATALOGUE
from lostlink.rigs import Rig
from lostlink.suite.ahead import Ahead, DoneRun, done_run
from lostlink.suite.answer import changed_answer
from lostlink.varied import Flown
from lostlink.verdicts import WAIVED_REASON, Limit, Measurement, Outcome, Requirement, Severity, Side, Verdict
from lostlink_sims import Scenario, Trace

AROUND_US = 300_000
"""Part of a run shown before and after the moment of interest."""


class NotMetError(AssertionError):
    """A measurement breaks its limit."""


class InconclusiveError(AssertionError):
    """No limit was broken, but this does not show that it is kept."""


class OthersBrokenError(AssertionError):
    """The test's requirement is met, but its runs break others."""


CRASHED = "a program under test crashed"
REPEATED_US = 10_000_000
"""Longest run that is repeated."""
OTHERS = "others"
"""Subfolder of ``runs`` and ``failing`` for runs of one requirement's test that break others."""
FINDINGS = (NotMetError, InconclusiveError, ReceiverCrashError, OthersBrokenError)


class Judge:
    """One test's measurements, and what the invariants find in its runs.

    Calling it judges a measurement and raises `NotMetError` at the first that breaks its limit. The measurement
    closest to its limit represents the test.

    Attributes
    ----------
    broken : dict of str to (Broken, Trace)
        By requirement, the first invariant that a run of this test breaks.
    flown : Flown
        The varied flights of this test.

    Parameters
    ----------
    ask : callable, optional
        Called before the requirement is met; returns why the wire does not answer, empty if it does.
    share : callable, optional
        Lets other processes fly runs ahead of the test.
    """

    def __init__(
        self, requirement: Requirement | None, rig: Rig, repeat: str, replay: str = "",
        ask: Callable[[], str] | None = None, share: Callable[[Sequence[Scenario]], Ahead] | None = None,
    ) -> None:  # fmt: skip
        self.requirement = requirement or Requirement("", Severity.MAJOR, "", "")
        self._rig = rig
        self._runs_before = rig.runs
        self.repeat, self.replay, self._ask = repeat, replay, ask
        self.checks = 0
        self.worst: JudgedMeasurement | None = None
        self._margin = 0.0  # of `worst`
        self._worst_trace: Trace | None = None
        self._doubt = ""
        self._broken = ""
        self._is_concluded = False
        self._trace: Trace | None = None
        self._measurement: Measurement | None = None
        self.broken: dict[str, tuple[Broken, Trace]] = {}
        self.flown = Flown()
        self._inspected: tuple[Trace, list[Broken]] | None = None
        self._first: Trace | None = None
        self._silence = ""  # why the wire did not answer after a run
        self._asked: set[bool] = set()  # whether runs were asked, of those so far
        self._share = share
        self._ahead: Ahead | None = None

    @contextlib.contextmanager
    def inspecting(self) -> Iterator[None]:
        """Look at every run of the rig in this context."""
        run = self._rig.run

        def fly(scenario: Scenario) -> DoneRun:
            return done_run(self._rig, scenario, run)

        def inspected(scenario: Scenario) -> Trace:
            ahead = self._ahead
            if ahead is not None and ahead.is_next(scenario):
                trace = self._taken(ahead.take(fly))
            else:
                trace = self._taken(fly(scenario))
            if self._first is None and self._repeats_exactly and scenario.duration_us <= REPEATED_US:
                self._first = trace
            return trace

        vars(self._rig)["run"] = inspected
        try:
            yield
        finally:
            del vars(self._rig)["run"]
            if self._ahead is not None:
                self._ahead.close()

    def expects(self, scenarios: Sequence[Scenario]) -> None:
        """Announce the next runs of the test, in order, so that other processes may fly some; no result depends on it.

        The test must run these very objects.
        """
        if self._share is not None:
            self._ahead = self._share(scenarios)

    def _taken(self, run: DoneRun) -> Trace:
        """Note a run, whoever flew it and when, as made now."""
        run.counted(self._rig)
        self._silence = self._silence or run.silence or ""
        if run.trace is not None:
            self._note(run.trace, run.broken)
        if run.error is not None:
            raise run.error
        self._asked.add(run.silence is not None)
        assert run.trace is not None
        return run.trace

    def inspect(self, trace: Trace) -> None:
        """Note which invariants a run breaks."""
        self._note(trace, judge_trace(trace, self._rig.sides))

    def _note(self, trace: Trace, found: list[Broken]) -> None:
        self._inspected = trace, found
        for broken in found:
            self.broken.setdefault(broken.requirement_id, (broken, trace))

    def invariants(self, trace: Trace) -> list[Broken]:
        """Return the invariants that the newest run breaks."""
        if self._inspected is None or self._inspected[0] is not trace:
            self.inspect(trace)
        assert self._inspected is not None
        return self._inspected[1]

    @property
    def by_invariant(self) -> tuple[Broken, Trace] | None:
        """The broken invariant that decides this requirement; a broken limit comes first."""
        return None if self._broken else self.broken.get(self.requirement.id)

    @property
    def others(self) -> list[tuple[Broken, Trace]]:
        """Broken invariants of other requirements."""
        return [found for name, found in self.broken.items() if name != self.requirement.id]

    @property
    def runs(self) -> int:
        """Scenarios run in this test."""
        return self._rig.runs - self._runs_before

    def __call__(
        self,
        trace: Trace,
        measurement: Measurement,
        *,
        at_most: float | None = None,
        at_least: float | None = None,
        guard: bool = False,
    ) -> None:
        """Judge a measurement.

        Parameters
        ----------
        guard : bool
            True for a check that only makes the others meaningful: it represents the test only when it fails.

        Raises
        ------
        NotMetError
            If it breaks a limit by more than its uncertainty.
        """
        if trace.doubt:
            self.doubt(trace, trace.doubt)
            return
        self.checks += 1
        limit = Limit(at_most=at_most, at_least=at_least, unit=measurement.unit)
        outcome, margin = limit.decide(measurement), limit.margin(measurement)
        closest = self.worst is None or margin < self._margin
        if outcome is Outcome.NOT_MET or (closest and not guard):
            self.worst, self._margin, self._worst_trace = JudgedMeasurement(measurement, limit), margin, trace
        if outcome is Outcome.MET:
            return
        self._trace, self._measurement = trace, measurement
        finding = f"{measurement.name}: {measurement}, limit {limit}"
        if outcome is Outcome.NOT_MET:
            self._broken = self._broken or finding
            raise NotMetError(finding)
        self._doubt = self._doubt or finding

    def doubt(self, trace: Trace, reason: str) -> None:
        """Note that a run is inconclusive; without a failure, so is the verdict."""
        self._doubt = self._doubt or reason
        self._trace = self._trace or trace

    def conclude(self) -> None:
        """End the test.

        Raises
        ------
        NotMetError
            If a limit was broken and the test continued, or a run breaks an invariant of this requirement.
        InconclusiveError
            If a run is inconclusive, or nothing was judged.
        OthersBrokenError
            If only other requirements are broken.
        """
        if self._broken:
            raise NotMetError(self._broken)
        if self.by_invariant is not None:
            raise NotMetError(self.by_invariant[0].message)
        if self._doubt:
            raise InconclusiveError(self._doubt)
        if not self.checks:
            raise InconclusiveError("the test judged no measurement")
        self._ask_the_wire()
        self._is_concluded = True
        if self.others:
            raise OthersBrokenError(", ".join(broken.requirement_id for broken, _ in self.others))

    @property
    def is_settled(self) -> bool:
        """Whether nothing was broken or left in doubt after `conclude`."""
        return not self._is_concluded or not (self._broken or self._doubt or self.by_invariant)

    @property
    def unsettled(self) -> AssertionError:
        """What was broken or left in doubt after `conclude`."""
        if self._broken or self.by_invariant is None:
            return NotMetError(self._broken) if self._broken else InconclusiveError(self._doubt)
        return NotMetError(self.by_invariant[0].message)

    def _ask_the_wire(self) -> None:
        """Raise `InconclusiveError` unless the wire answers; the run for it is none of the test's."""
        if self._ask is None:
            return
        runs = self._rig.runs
        self._trace = None
        silence = self._silence or ("" if self._asked == {True} else self._ask()) or self._changed()
        self._runs_before += self._rig.runs - runs
        if self.by_invariant is not None:
            raise NotMetError(self.by_invariant[0].message)
        if silence:
            raise InconclusiveError(silence)

    @property
    def _repeats_exactly(self) -> bool:
        """Whether only a handset is under test, in virtual time: the same run then gives the same packets."""
        return Side.RECEIVER not in self._rig.sides and self._rig.asks_each_run

    def _changed(self) -> str:
        """Return why the packets of a handset do not depend on the run alone; empty if they do."""
        return "" if self._first is None else changed_answer(self._rig, self._first)

    # --- in words -------------------------------------------------------------------------------------------

    def _moment(self, error: BaseException) -> tuple[Trace | None, int]:
        if isinstance(error, ReceiverCrashError):
            trace, measured_us = error.trace, None if error.trace is None else error.trace.crash_us
        elif isinstance(error, NotMetError) and self.by_invariant is not None:
            broken, trace = self.by_invariant
            measured_us = broken.at_us
        else:
            trace, measured_us = self._trace, self._measurement.at_us if self._measurement else None
        if trace is None:
            return None, 0
        return trace, trace.scenario.duration_us if measured_us is None else measured_us

    def explain(self, error: BaseException) -> str:
        """Return the finding: fault, measured value, limit, timeline, seed, command that reproduces it."""
        if isinstance(error, OthersBrokenError):
            met = f"{self.requirement.id}: met, but its runs break other requirements"
            return "\n\n".join([met, *(self.explain_other(*found) for found in self.others)])
        lines = _head(self.requirement, failed=not isinstance(error, InconclusiveError))
        if isinstance(error, ReceiverCrashError):
            lines.append(f"  {CRASHED}: {error}")
        elif isinstance(error, NotMetError) and self.by_invariant is not None:
            lines += [f"  measured  {error}", f"  evidence  {self.by_invariant[1].how_seen.value}"]
        elif self.worst is not None and isinstance(error, NotMetError):
            measurement = self.worst.measurement
            lines += [f"  measured  {measurement.name}: {measurement}", f"  limit     {self.worst.limit}"]
            lines.append(f"  evidence  {measurement.how_seen.value}")
        else:
            lines.append(f"  inconclusive: {error}")
        trace, moment_us = self._moment(error)
        if trace is not None:
            lines += _around(trace, moment_us)
            if self.replay:
                lines.append(f"  replay    {self.replay}")
        return "\n".join([*lines, f"  repeat    {self.repeat}", *_explained(self.requirement)])

    def explain_other(self, broken: Broken, trace: Trace) -> str:
        """Return the finding about another requirement in a run of this test."""
        lines = _head(broken.requirement, failed=True)
        lines += [f"  measured  {broken.message}", f"  in a run of {self.requirement.id or 'this test'}"]
        lines += [f"  evidence  {trace.how_seen.value}", *_around(trace, broken.at_us), f"  repeat    {self.repeat}"]
        return "\n".join([*lines, *_explained(broken.requirement)])

    def save(self, folder: str, error: BaseException) -> None:
        """Write the run of the finding as CSV, VCD and scenario file."""
        from lostlink.evidence.exports import save_run

        trace, _ = self._moment(error)
        if trace is not None:
            save_run(trace, Path(folder), self.requirement.id or "test")

    def keep(self, folder: str, error: BaseException | None) -> None:
        """Write the decisive run, met or not, as data for the report."""
        trace, judged = (self._worst_trace, self.worst) if self.worst is not None else (self._trace, None)
        if isinstance(error, ReceiverCrashError):
            trace, judged = error.trace, None
        elif isinstance(error, NotMetError) and self.by_invariant is not None:
            trace, judged = self.by_invariant[1], None
        if trace is not None:
            save(Path(folder), self.requirement.id, trace, judged)


def _head(required: Requirement, *, failed: bool) -> list[str]:
    lines = [f"{required.id} ({required.severity.value}): {required.fault if failed else required.sentence}"]
    return [*lines, f"  required  {required.sentence}"] if failed else lines


def _explained(required: Requirement) -> list[str]:
    """Return the command that says why a requirement of the catalogue is there, and what to change."""
    return [f"  explain   lostlink explain {required.id}"] if required.id in CATALOGUE else []


def _around(trace: Trace, moment_us: int) -> list[str]:
    """Return the scenario and the timeline around a moment."""
    scenario = trace.scenario
    faults_us = [fault.at_us for fault in scenario.faults if fault.at_us <= moment_us]
    from_us = max([moment_us - 3 * AROUND_US, *(at_us - AROUND_US // 3 for at_us in faults_us[-1:])])
    return [
        f"  scenario  {scenario.name}, seed {scenario.seed}, trial {scenario.trial}",
        timeline(trace, from_us, moment_us + AROUND_US),
    ]


def verdict_of(
    requirement: Requirement, judge: Judge | None, error: BaseException | None, *, waived: bool = False
) -> Verdict:
    """Return the verdict on the end of a test; `waived` if the owner waived the requirement."""
    runs, checks, replay = (judge.runs, judge.checks, judge.repeat) if judge else (0, 0, "")
    measured, limit, seen = "", "", ""
    numbers: dict[str, Any] = {}
    if judge is not None and judge.worst is not None:
        measurement, limit = judge.worst.measurement, str(judge.worst.limit)
        if not measurement.only_at_least and math.isfinite(measurement.value):
            numbers = {
                "value": float(measurement.value), "uncertainty": float(measurement.uncertainty),
                "unit": measurement.unit,
            }  # fmt: skip
        measured, seen = f"{measurement.name}: {measurement}", measurement.how_seen.value
    outcome, reason = Outcome.MET, ""
    if error is not None and not isinstance(error, OthersBrokenError):
        reason = str(error)
        match error:
            case NotMetError():
                outcome = Outcome.NOT_MET
                if judge is not None and judge.by_invariant is not None:
                    measured, limit, numbers = reason, "", {}
            case ReceiverCrashError():
                outcome, measured, limit = Outcome.NOT_MET, CRASHED, "runs to the end"
            case InconclusiveError() | RigError():
                outcome = Outcome.INCONCLUSIVE
            case pytest.skip.Exception():
                outcome = Outcome.NOT_TESTED
            case _:
                outcome, reason = Outcome.INCONCLUSIVE, f"the test itself failed: {type(error).__name__}: {error}"
    if waived:
        outcome, reason = Outcome.WAIVED, WAIVED_REASON
    elif outcome is Outcome.MET and not checks:
        outcome, reason = Outcome.INCONCLUSIVE, "the test judged no measurement"
    return Verdict(
        requirement=requirement, outcome=outcome, measured=measured, limit=limit, how_seen=seen,
        runs=runs, checks=checks, reason=reason, replay=replay, **numbers,
    )  # fmt: skip


def verdict_on_other(judge: Judge, broken: Broken, trace: Trace) -> Verdict:
    """Return the verdict on another requirement that a run of a test breaks."""
    return Verdict(
        requirement=broken.requirement, outcome=Outcome.NOT_MET, measured=broken.message,
        how_seen=trace.how_seen.value, runs=1, checks=1, reason=f"in a run of {judge.requirement.id or 'a test'}",
        replay=judge.repeat,
    )  # fmt: skip


def save_other(broken: Broken, trace: Trace, own: str, *, runs: str | None, failing: str | None) -> None:
    """Write the run of the test of `own` that breaks another requirement, as `Judge.keep` and `Judge.save` do."""
    from lostlink.evidence.exports import save_run

    if runs:
        save(Path(runs) / in_runs_of(own), broken.requirement_id, trace)
    if failing:
        save_run(trace, Path(failing) / in_runs_of(own), broken.requirement_id)


def in_runs_of(own: str) -> Path:
    """Return the subfolder for runs of one requirement's test that break others."""
    return Path(OTHERS) / Path(file_name(own or "test")).stem
