"""What the files of an evidence folder cannot say together. Each function raises ValueError at a contradiction."""

from __future__ import annotations

import itertools
from typing import Any

from lostlink.errors import COMPLETE, ExitCode
from lostlink.evidence.document import Document
from lostlink.evidence.schemas import ANSWER_CODES, MOST_US
from lostlink.results import exit_code, exit_code_of_trials
from lostlink.verdicts import Outcome


def check_exit_code(document: Document, campaign: dict[str, Any] | None) -> None:
    """Check that the exit code follows from the verdicts, or from the answer to a campaign's claim."""
    code = document.exit_code
    if code in COMPLETE and code not in _possible_codes(document, campaign):
        raise ValueError(f"exit code {code} contradicts the verdicts")


def _possible_codes(document: Document, campaign: dict[str, Any] | None) -> frozenset[ExitCode]:
    if campaign is not None:
        if campaign.get("decision") is None:
            return frozenset({exit_code_of_trials(document.verdicts)})
        answer = campaign.get("answer")  # evidence of earlier versions has none
        return COMPLETE if answer is None else frozenset({ANSWER_CODES[answer]})
    code = exit_code(document.verdicts)
    if code is ExitCode.MET and document.tested["rig"] == "capture":
        return frozenset({code, ExitCode.UNDECIDED})  # it may differ from the profile where nothing is required
    return frozenset({code})


def check_campaign(campaign: dict[str, Any], document: Document) -> None:
    """Check the counts of a campaign, and that its requirements are those of the verdicts."""
    trials, requirements = campaign["trials"], campaign["requirements"]
    outcomes = {verdict.requirement.id: verdict.outcome for verdict in document.verdicts}
    if sorted(entry["id"] for entry in requirements) != sorted(outcomes):
        raise ValueError("requirements: not those of verdicts.json")
    if bool(requirements) != bool(trials):
        raise ValueError(f"requirements: {len(requirements)} of them after {trials} trials")
    for entry in requirements:
        name, judged, failures = entry["id"], entry["judged"], entry["failures"]
        if not failures <= judged <= trials:
            raise ValueError(f"{name}: {failures} failures in {judged} of {trials} trials")
        expected = Outcome.NOT_MET if failures else Outcome.MET if judged else Outcome.NOT_TESTED
        if outcomes[name] not in (expected, Outcome.WAIVED):
            raise ValueError(f"{name}: {failures} failures in {judged} trials, but it is {outcomes[name].value!r}")
        _check_times(name, judged, entry.get("times"))
    _check_losses(trials, campaign.get("losses") or [])


def _check_times(name: str, judged: int, times: dict[str, Any] | None) -> None:
    if times is None:
        return
    values_us, counts = times["values_us"], times["counts"]
    is_ascending = all(before < after for before, after in itertools.pairwise([-1, *values_us, MOST_US + 1]))
    if not is_ascending or len(values_us) != len(counts) or sum(counts) != judged:
        raise ValueError(f"{name}: times: not ascending, or not those of {judged} trials")


def _check_losses(trials: int, losses: list[list[int]]) -> None:
    for share, flights, false in losses:
        if share > 1000 or not flights or false > flights:
            raise ValueError(f"losses: {false} of {flights} flights at {share} per mille")
    if losses and sum(flights for _, flights, _ in losses) != trials:
        raise ValueError(f"losses: not those of {trials} trials")
