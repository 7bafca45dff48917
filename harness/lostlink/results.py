"""The result of a run of requirements: verdicts, the conclusion in one sentence, the exit code, the cautions."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from lostlink.errors import ExitCode
from lostlink.verdicts import Outcome, Severity, Side, Verdict, by_severity, counted

CAUTIONS: Final = (
    "Propellers off, flight battery disconnected, model restrained whenever hardware is connected.",
    "Follow the radio and aviation regulations of your country, and licensed practice.",
    "Meeting the requirements does not show that the model is safe to fly.",
)
CAPTURE_SHOWS: Final = (
    "A capture is evidence for the pulse train only. It does not show when, or whether, the link was lost."
)
WATCH_SHOWS: Final = (
    "The board printed its own values. What the wire carries was not measured, and nothing before or after the test."
)
HANDSET_ONLY: Final = "This is a proof of the handset only; the receiver was the simulated one of the profile."
ALL_WAIVED: Final = "Every requirement was waived by the owner; nothing is proven."


def exit_code(verdicts: Iterable[Verdict]) -> ExitCode:
    """Return the exit code for verdicts; neither "not tested" nor waivers alone count as met."""
    outcomes = {verdict.outcome for verdict in verdicts}
    if Outcome.NOT_MET in outcomes:
        return ExitCode.NOT_MET
    if Outcome.INCONCLUSIVE in outcomes or Outcome.NOT_TESTED in outcomes or Outcome.MET not in outcomes:
        return ExitCode.UNDECIDED
    return ExitCode.MET


def exit_code_of_trials(verdicts: Iterable[Verdict]) -> ExitCode:
    """Return the exit code for the verdicts of a campaign without a claim.

    Chance decides which requirements the trials test; at least one critical one must be met.
    """
    tested = [verdict for verdict in verdicts if verdict.outcome is not Outcome.NOT_TESTED]
    return exit_code(
        verdict
        for verdict in tested
        if verdict.requirement.severity is Severity.CRITICAL or verdict.outcome is Outcome.NOT_MET
    )


def not_under_test(proves: Iterable[str]) -> list[str]:
    """Return what a proof of some sides of a link does not show, in words."""
    sides = set(proves)
    return [HANDSET_ONLY] if sides == {Side.HANDSET} else []


def failure(verdicts: Iterable[Verdict], subject: str) -> str:
    """Return the conclusion if a requirement is not met, otherwise an empty text.

    Parameters
    ----------
    subject : str
        What was judged, such as "This link".
    """
    failed = by_severity(verdicts, Outcome.NOT_MET)
    if not failed:
        return ""
    critical = failed[0].requirement.severity is Severity.CRITICAL
    is_handset = failed[0].requirement.side is Side.HANDSET
    head = "Do not use this handset" if is_handset else "Do not fly this link"
    if not critical:
        head = f"{'This handset' if is_handset else subject} does not meet its requirements"
    more = f", and {len(failed) - 1} more" if len(failed) > 1 else ""
    return f"{head}: {failed[0].requirement.fault}{more}."


@dataclass
class Result:
    """The result of a run of the suite.

    Attributes
    ----------
    verdicts : list of Verdict
        In the suite's order.
    findings : dict of str to str
        For each requirement that is not met or inconclusive, the finding.
    found_in : dict of str to str
        For each requirement that only runs of another one's test break, that other requirement.
    interrupted : bool
    interrupted_code : ExitCode
        Exit code of an interrupted run, by the signal.
    errors : list of str
        Errors of pytest itself.
    rig_lost : str
        How the connection to the rig was lost; empty if it was not.
    rig : dict of str to str
        Facts about the rig, by name.
    under_test : str
        The receiver, as the conclusion names it.
    not_written : OSError or None
        Why evidence could not be written during the run.
    """

    verdicts: list[Verdict] = field(default_factory=list)
    findings: dict[str, str] = field(default_factory=dict)
    found_in: dict[str, str] = field(default_factory=dict)
    interrupted: bool = False
    interrupted_code: ExitCode = ExitCode.INTERRUPTED
    errors: list[str] = field(default_factory=list)
    rig_lost: str = ""
    rig: dict[str, str] = field(default_factory=dict)
    under_test: str = "the receiver"
    not_written: OSError | None = None

    def with_outcome(self, outcome: Outcome) -> list[Verdict]:
        """Return the verdicts of one outcome, the most severe first."""
        return by_severity(self.verdicts, outcome)

    @property
    def exit_code(self) -> ExitCode:
        """Exit code of the command; an incomplete run is never met."""
        if self.interrupted:
            return self.interrupted_code
        if self.rig_lost:
            return ExitCode.RIG_LOST
        code = exit_code(self.verdicts)
        if code is not ExitCode.NOT_MET and (self.errors or not self.verdicts):
            return ExitCode.BAD_INPUT
        return code

    @property
    def conclusion(self) -> str:
        """The outcome in one plain sentence."""
        total = len(self.verdicts)
        if failed := failure(self.verdicts, "This link"):
            return failed
        if self.rig_lost:
            return f"Connection to the rig lost after {counted(total, 'requirement')}; earlier results are kept."
        if self.interrupted:
            return f"Interrupted after {counted(total, 'requirement')}; nothing is proven."
        if self.errors or not self.verdicts:
            return "The suite could not be run; nothing is proven."
        counts = {outcome: len(self.with_outcome(outcome)) for outcome in Outcome}
        met = counts[Outcome.MET]
        undecided = (Outcome.INCONCLUSIVE, Outcome.NOT_TESTED)
        if texts := [f"{counts[outcome]} {outcome.value}" for outcome in undecided if counts[outcome]]:
            return f"No requirement failed, but {' and '.join(texts)}: {met} of {total} are met."
        if not met:
            return ALL_WAIVED
        waiver = f", {counts[Outcome.WAIVED]} waived by the owner" if counts[Outcome.WAIVED] else ""
        tested = {1: "the one requirement tested is", 2: "both requirements tested are"}.get(
            met, f"all {met} requirements tested are"
        )
        if any(verdict.requirement.id == "FS-CUT" for verdict in self.with_outcome(Outcome.MET)):
            return f"The failsafe of {self.under_test} cuts the throttle: {tested} met{waiver}."
        return f"{tested.capitalize()} met by {self.under_test}{waiver}."
