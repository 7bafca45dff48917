"""Claims on a failure probability, such as `p < 1e-4 at 95 %`, and the answer to one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from typing import Final

from lostlink.errors import ExitCode, LostlinkError
from lostlink.evidence.schemas import ANSWER_CODES
from lostlink.verdicts import counted

_LEAST_P, _MOST_P = Decimal("1e-9"), Decimal("0.5")
_LEAST_C, _MOST_C = Decimal(50), Decimal("99.9999")
_CLAIM: Final = re.compile(
    r"\s*p\s*<\s*(?P<p>[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?)\s*(?P<percent>%?)"
    r"\s*at\s*(?P<c>[0-9]+(?:\.[0-9]+)?)\s*%\s*"
)
_ALLOWED: Final = (
    'allowed: such as "p < 1e-4 at 95 %" or "p < 0.01 % at 99 %", p from 1e-9 to 0.5 and the confidence from 50 % '
    "to 99.9999 %"
)


@dataclass(frozen=True, slots=True)
class Claim:
    """Failures are rarer than `probability`, at this `confidence`.

    Attributes
    ----------
    probability, confidence : float
        Between 0 and 1.
    """

    probability: float
    confidence: float

    @property
    def risk(self) -> float:
        """Maximum share of campaigns with a wrong answer."""
        return 1 - self.confidence

    def __str__(self) -> str:
        return f"p < {self.probability:g} at {100 * self.confidence:.7g} %"


def parse_claim(text: str, where: str = "--until") -> Claim:
    """Return the claim in a text such as "p < 1e-4 at 95 %".

    Raises
    ------
    LostlinkError
        If it is not a claim, or out of range.
    """
    match = _CLAIM.fullmatch(text) if len(text) <= 100 else None
    if match is None:
        raise LostlinkError(f"{where}: {text[:60]!r} is not a claim; {_ALLOWED}")
    probability, confidence = Decimal(match["p"]), Decimal(match["c"])
    if match["percent"]:
        probability /= 100
    if not (_LEAST_P <= probability <= _MOST_P and _LEAST_C <= confidence <= _MOST_C):
        raise LostlinkError(f"{where}: {text[:60]!r} is out of range; {_ALLOWED}")
    return Claim(float(probability), float(confidence / 100))


class Answer(Enum):
    """The answer of a campaign to its claim."""

    SHOWN = "shown"
    REFUTED = "refuted"
    UNDECIDED = "undecided"

    @property
    def exit_code(self) -> ExitCode:
        """Exit code of the command."""
        return ANSWER_CODES[self.value]


@dataclass(frozen=True, slots=True)
class Decision:
    """The decision of a campaign; `trials` and `failures` include the trial that decided."""

    claim: Claim
    answer: Answer
    trials: int
    failures: int
    reason: str

    def __str__(self) -> str:
        counts = f"{counted(self.trials, 'trial')}, {failures_text(self.failures)}"
        return f"{self.claim}: {self.answer.value} after {counts}; {self.reason}"


def failures_text(count: int) -> str:
    """Return "no failure", "1 failure", "2 failures"."""
    return "no failure" if count == 0 else counted(count, "failure")
