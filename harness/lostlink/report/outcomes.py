"""How outcomes look on the page: a sign, a colour, an order."""

from __future__ import annotations

from typing import Final

from lostlink.report.markup import Html, tag
from lostlink.verdicts import Outcome

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
