"""Compares measurements with limits in a test, and describes the finding."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lostlink.errors import ReceiverCrashError, RigError
from lostlink.evidence.run_writer import JudgedMeasurement, save
from lostlink.evidence.timeline import timeline
from lostlink.rigs import Rig
from lostlink.verdicts import WAIVED_REASON, Limit, Measurement, Outcome, Requirement, Severity, Verdict
from lostlink_sims import Trace

AROUND_US = 300_000
"""Part of a run shown before and after the moment of interest."""


class NotMetError(AssertionError):
    """A measurement breaks its limit."""


class InconclusiveError(AssertionError):
    """No limit was broken, but this does not show that it is kept."""


CRASHED = "the receiver's program crashed"
FINDINGS = (NotMetError, InconclusiveError, ReceiverCrashError)


class Judge:
    """One test's measurements.

    Calling it judges a measurement and raises `NotMetError` at the first that breaks its limit. The measurement
    closest to its limit represents the test.
    """

    def __init__(self, requirement: Requirement | None, rig: Rig, repeat: str, replay: str = "") -> None:
        self.requirement = requirement or Requirement("", Severity.MAJOR, "", "")
        self._rig = rig
        self._runs_before = rig.runs
        self.repeat, self.replay = repeat, replay
        self.checks = 0
        self.worst: JudgedMeasurement | None = None
        self._margin = 0.0  # of `worst`
        self._worst_trace: Trace | None = None
        self._doubt = ""
        self._broken = ""
        self._trace: Trace | None = None
        self._measurement: Measurement | None = None

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
            If a limit was broken and the test continued.
        InconclusiveError
            If a run is inconclusive, or nothing was judged.
        """
        if self._broken:
            raise NotMetError(self._broken)
        if self._doubt:
            raise InconclusiveError(self._doubt)
        if not self.checks:
            raise InconclusiveError("the test judged no measurement")

    # --- in words -------------------------------------------------------------------------------------------

    def _moment(self, error: BaseException) -> tuple[Trace | None, int]:
        trace = error.trace if isinstance(error, ReceiverCrashError) else self._trace
        if trace is None:
            return None, 0
        measured_us = self._measurement.at_us if self._measurement else None
        if isinstance(error, ReceiverCrashError):
            measured_us = trace.crash_us
        return trace, trace.scenario.duration_us if measured_us is None else measured_us

    def explain(self, error: BaseException) -> str:
        """Return the finding: fault, measured value, limit, timeline, seed, command that reproduces it."""
        required = self.requirement
        failed = not isinstance(error, InconclusiveError)
        lines = [f"{required.id} ({required.severity.value}): {required.fault if failed else required.sentence}"]
        if failed:
            lines.append(f"  required  {required.sentence}")
        if isinstance(error, ReceiverCrashError):
            lines.append(f"  {CRASHED}: {error}")
        elif self.worst is not None and isinstance(error, NotMetError):
            measurement = self.worst.measurement
            lines += [f"  measured  {measurement.name}: {measurement}", f"  limit     {self.worst.limit}"]
            lines.append(f"  evidence  {measurement.how_seen.value}")
        else:
            lines.append(f"  inconclusive: {error}")
        trace, moment_us = self._moment(error)
        if trace is not None:
            scenario = trace.scenario
            faults_us = [fault.at_us for fault in scenario.faults if fault.at_us <= moment_us]
            from_us = max([moment_us - 3 * AROUND_US, *(at_us - AROUND_US // 3 for at_us in faults_us[-1:])])
            lines.append(f"  scenario  {scenario.name}, seed {scenario.seed}, trial {scenario.trial}")
            lines.append(timeline(trace, from_us, moment_us + AROUND_US))
            if self.replay:
                lines.append(f"  replay    {self.replay}")
        lines.append(f"  repeat    {self.repeat}")
        return "\n".join(lines)

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
        if trace is not None:
            save(Path(folder), self.requirement.id, trace, judged)


def verdict_of(
    requirement: Requirement, judge: Judge | None, error: BaseException | None, *, waived: bool = False
) -> Verdict:
    """Return the verdict on the end of a test; `waived` if the owner waived the requirement."""
    runs, checks, replay = (judge.runs, judge.checks, judge.repeat) if judge else (0, 0, "")
    measured, limit, seen = "", "", ""
    numbers: dict[str, Any] = {}
    if judge is not None and judge.worst is not None:
        measurement, limit = judge.worst.measurement, str(judge.worst.limit)
        if not measurement.only_at_least:
            numbers = {
                "value": float(measurement.value), "uncertainty": float(measurement.uncertainty),
                "unit": measurement.unit,
            }  # fmt: skip
        measured, seen = f"{measurement.name}: {measurement}", measurement.how_seen.value
    outcome, reason = Outcome.MET, ""
    if error is not None:
        reason = str(error)
        match error:
            case NotMetError():
                outcome = Outcome.NOT_MET
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
