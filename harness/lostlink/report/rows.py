"""The verdicts in the order of the page, each with its anchor; signs and colours of outcomes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lostlink.evidence.document import Document
from lostlink.report.markup import Html, tag
from lostlink.verdicts import Outcome, Severity, Verdict

SIGNS: Final = {
    Outcome.MET: "✓",
    Outcome.NOT_MET: "✗",
    Outcome.INCONCLUSIVE: "?",
    Outcome.NOT_TESTED: "–",
    Outcome.WAIVED: "○",
}
"""A sign for each outcome, so that none is shown by colour alone."""
KINDS: Final = {
    Outcome.MET: "good",
    Outcome.NOT_MET: "bad",
    Outcome.INCONCLUSIVE: "doubt",
    Outcome.NOT_TESTED: "none",
    Outcome.WAIVED: "none",
}
"""The colour class of each outcome."""
WORST_FIRST: Final = (Outcome.NOT_MET, Outcome.INCONCLUSIVE, Outcome.NOT_TESTED, Outcome.WAIVED, Outcome.MET)


def mark(outcome: Outcome) -> Html:
    """Return an outcome as sign and text."""
    sign = tag("span", SIGNS[outcome], class_="sign", aria_hidden="true")
    return tag("span", sign, " ", tag("span", outcome.value), class_=f"mark {KINDS[outcome]}")


@dataclass(frozen=True, slots=True)
class RequirementRow:
    """A verdict on the page.

    Attributes
    ----------
    anchor : str
        Unlike the requirement's id, unique and without special characters.
    verdict : Verdict
    """

    anchor: str
    verdict: Verdict

    @property
    def id(self) -> str:
        """Id of the requirement."""
        return self.verdict.requirement.id

    @property
    def outcome(self) -> Outcome:
        """Outcome of the verdict."""
        return self.verdict.outcome


def rows_of(document: Document) -> tuple[RequirementRow, ...]:
    """Return the rows: the most severe first, of one severity those that are not met first."""
    rows = [
        RequirementRow(f"requirement-{number}", verdict) for number, verdict in enumerate(document.verdicts, start=1)
    ]
    severities = list(Severity)
    rows.sort(key=lambda row: (severities.index(row.verdict.requirement.severity), WORST_FIRST.index(row.outcome)))
    return tuple(rows)


def count(rows: Sequence[RequirementRow], outcome: Outcome, severity: Severity | None = None) -> int:
    """Return the number of verdicts of an outcome, of one severity or of all."""
    return sum(row.outcome is outcome and severity in (None, row.verdict.requirement.severity) for row in rows)
