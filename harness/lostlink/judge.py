"""Holds measurements against limits inside a test, and says in words what was found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from lostlink.errors import ReceiverCrashError, RigError
from lostlink.report.keep import Judged, save
from lostlink.rigs import Rig
from lostlink.timeline import timeline
from lostlink.verdicts import Measurement, Outcome, Requirement, Severity, Verdict, decide, quantity
from lostlink_sims import Trace

AROUND_US = 300_000
"""How much of a run is shown before and after the moment of interest."""


class NotMetError(AssertionError):
    """A measurement breaks its limit."""


class InconclusiveError(AssertionError):
    """Nothing broke a limit, but nothing shows that it is kept."""


FINDINGS = (NotMetError, InconclusiveError, ReceiverCrashError)


class Judge:
    """One test's measurements.

    Calling it judges a measurement and raises `NotMetError` at the first that breaks its limit. The one that
    came closest to its limit stands for the test.
    """

    def __init__(self, requirement: Requirement | None, rig: Rig, replay: str) -> None:
        self.requirement = requirement or Requirement("", Severity.MAJOR, "", "")
        self._rig = rig
        self._runs_before = rig.runs
        self.replay = replay
        self.checks = 0
        self.worst: tuple[float, Measurement, str] | None = None
        self._doubt = ""
        self._broken = ""
        self._trace: Trace | None = None
        self._decisive: tuple[Trace, Judged] | None = None  # the run of `worst`
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
            True for a check that only makes the others meaningful: it stands for the test only when it fails.

        Raises
        ------
        NotMetError
            If it breaks a limit by more than its uncertainty.
        """
        if trace.doubt:
            self.doubt(trace, trace.doubt)
            return
        self.checks += 1
        outcome = decide(measurement, at_most=at_most, at_least=at_least)
        limit = self._limit(measurement, at_most, at_least)
        margin = self._margin(measurement, at_most, at_least)
        closest = self.worst is None or margin < self.worst[0]
        if outcome is Outcome.NOT_MET or (closest and not guard):
            self.worst = (margin, measurement, limit)
            judged = Judged(measurement=measurement, at_most=at_most, at_least=at_least)
            self._decisive = (trace, judged)
        if outcome is Outcome.MET:
            return
        self._trace, self._measurement = trace, measurement
        said = f"{measurement.name}: {measurement}, limit {limit}"
        if outcome is Outcome.NOT_MET:
            self._broken = self._broken or said
            raise NotMetError(said)
        self._doubt = self._doubt or said

    def doubt(self, trace: Trace, reason: str) -> None:
        """Say that a run does not show what it should; without a failure the verdict is inconclusive."""
        self._doubt = self._doubt or reason
        self._trace = self._trace or trace

    @staticmethod
    def _margin(measurement: Measurement, at_most: float | None, at_least: float | None) -> float:
        """Return how much of the limit is left, as a share of it, so that times and counts compare."""
        shares = []
        for limit, sign in ((at_most, 1), (at_least, -1)):
            if limit is not None:
                shares.append((sign * (limit - measurement.value) - measurement.uncertainty) / max(1.0, abs(limit)))
        return min(shares)

    @staticmethod
    def _limit(measurement: Measurement, at_most: float | None, at_least: float | None) -> str:
        parts = []
        if at_most is not None:
            parts.append(f"at most {quantity(at_most, measurement.unit)}")
        if at_least is not None:
            parts.append(f"at least {quantity(at_least, measurement.unit)}")
        return " and ".join(parts)

    def conclude(self) -> None:
        """End the test.

        Raises
        ------
        NotMetError
            If a limit was broken and the test went on all the same.
        InconclusiveError
            If there was a doubt, or nothing was judged at all.
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
        if isinstance(error, ReceiverCrashError) and trace.notes:
            measured_us = trace.notes[-1][0]
        return trace, trace.scenario.duration_us if measured_us is None else measured_us

    def explain(self, error: BaseException) -> str:
        """Return what was found: requirement, measured value, limit, timeline, seed, replay."""
        required = self.requirement
        lines = [f"{required.id} ({required.severity.value}): {required.sentence}"]
        if isinstance(error, ReceiverCrashError):
            lines.append(f"  the receiver's program died: {error}")
        elif self.worst is not None and isinstance(error, NotMetError):
            _, measurement, limit = self.worst
            lines += [f"  measured  {measurement.name}: {measurement}", f"  limit     {limit}"]
            lines.append(f"  seen      {measurement.how_seen.value}")
        else:
            lines.append(f"  inconclusive: {error}")
        trace, moment_us = self._moment(error)
        if trace is not None:
            scenario = trace.scenario
            faults_us = [fault.at_us for fault in scenario.faults if fault.at_us <= moment_us]
            from_us = max([moment_us - 3 * AROUND_US, *(at_us - AROUND_US // 3 for at_us in faults_us[-1:])])
            lines.append(f"  scenario  {scenario.name}, seed {scenario.seed}, trial {scenario.trial}")
            lines.append(timeline(trace, from_us, moment_us + AROUND_US))
        lines.append(f"  replay    {self.replay}")
        return "\n".join(lines)

    def save(self, folder: str, error: BaseException) -> None:
        """Write the run that was found as CSV, VCD and scenario file."""
        from lostlink.exports import save_run

        trace, _ = self._moment(error)
        if trace is not None:
            save_run(trace, Path(folder), self.requirement.id or "test")

    def keep(self, folder: str, error: BaseException | None) -> None:
        """Write the run that decided, met or not, as data for the report."""
        trace, judged = self._decisive or (self._trace, None)
        if isinstance(error, ReceiverCrashError):
            trace, judged = error.trace, None
        if trace is not None:
            save(Path(folder), self.requirement.id, trace, judged)


def verdict_of(
    requirement: Requirement, judge: Judge | None, error: BaseException | None, *, waived: bool = False
) -> Verdict:
    """Return the verdict that a test's end means; a requirement that the owner waived is waived, whatever it says."""
    runs, checks, replay = (judge.runs, judge.checks, judge.replay) if judge else (0, 0, "")
    measured, limit, seen = "", "", ""
    numbers: dict[str, Any] = {}
    if judge is not None and judge.worst is not None:
        _, measurement, limit = judge.worst
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
                outcome, measured, limit = Outcome.NOT_MET, "the receiver's program died", "runs to the end"
            case InconclusiveError():
                outcome = Outcome.INCONCLUSIVE
            case RigError():
                outcome = Outcome.INCONCLUSIVE
            case _ if type(error).__name__ == "Skipped":
                outcome = Outcome.NOT_TESTED
            case _:
                outcome, reason = Outcome.INCONCLUSIVE, f"the test itself failed: {type(error).__name__}: {error}"
    if waived:
        outcome = Outcome.WAIVED
    elif outcome is Outcome.MET and not checks:
        outcome, reason = Outcome.INCONCLUSIVE, "the test judged no measurement"
    return Verdict(
        requirement=requirement, outcome=outcome, measured=measured, limit=limit, how_seen=seen,
        runs=runs, checks=checks, reason=reason, replay=replay, **numbers,
    )  # fmt: skip
