"""From a measurement and a limit to a verdict, by guarded decision.

A result is known to within its uncertainty. When the limit lies inside it, the verdict is inconclusive, never
met: an upper limit is met only when value + uncertainty does not exceed it (JCGM 106:2012, guarded acceptance;
ILAC-G8:09/2019, 4.2.1). A value that is only a lower bound (the run ended before the thing happened) can break
an upper limit but never meet it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any

from lostlink_sims import HowSeen


class Outcome(Enum):
    """What can be said of a requirement."""

    MET = "met"
    NOT_MET = "not met"
    INCONCLUSIVE = "inconclusive"
    NOT_TESTED = "not tested"
    WAIVED = "waived"


class Severity(Enum):
    """How bad it is when a requirement is not met."""

    CRITICAL = "critical"  # somebody may be hurt
    MAJOR = "major"  # the model may be lost, or flies other than the pilot wants
    MINOR = "minor"  # it is not as it was meant


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing that the link must do.

    Attributes
    ----------
    id : str
        Stable; reports, waivers and replays name it.
    severity : Severity
    sentence : str
        What is required, as a pilot would say it.
    fault : str
        What it means when it is not met, as a pilot would say it.
    """

    id: str
    severity: Severity
    sentence: str
    fault: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A result and how well it is known.

    Attributes
    ----------
    name : str
        What was measured.
    value : float
    unit : str
        ``µs`` for times and widths; empty for a plain number.
    uncertainty : float
        Half-width, in the same unit.
    how_seen : HowSeen
    only_at_least : bool
        True when the run ended before the value was reached: the true value is larger.
    at_us : int or None
        Where in the run to look for it.
    """

    name: str
    value: float
    unit: str = "µs"
    uncertainty: float = 0.0
    how_seen: HowSeen = HowSeen.SIMULATED
    only_at_least: bool = False
    at_us: int | None = None

    def __str__(self) -> str:
        prefix = "more than " if self.only_at_least else ""
        text = prefix + quantity(self.value, self.unit)
        return f"{text} ± {quantity(self.uncertainty, self.unit)}" if self.uncertainty else text


def quantity(value: float, unit: str) -> str:
    """Return a value for people: microseconds become milliseconds where that reads better."""
    if unit == "µs" and abs(value) >= 10_000:
        return f"{value / 1000:.5g} ms" if abs(value) < 10_000_000 else f"{value / 1e6:.5g} s"
    number = f"{value:.0f}" if float(value).is_integer() else f"{value:.4g}"
    return f"{number} {unit}".rstrip()


def decide(measurement: Measurement, *, at_most: float | None = None, at_least: float | None = None) -> Outcome:
    """Hold a measurement against its limits.

    Parameters
    ----------
    at_most, at_least : float, optional
        Limits that are still allowed, in the measurement's unit.

    Raises
    ------
    ValueError
        If there is no limit: such a check could not fail.
    """
    if at_most is None and at_least is None:
        raise ValueError("a measurement needs a limit to be held against")
    value, u = measurement.value, measurement.uncertainty
    outcomes = []
    if at_most is not None:
        if value - u > at_most:
            outcomes.append(Outcome.NOT_MET)
        elif value + u <= at_most and not measurement.only_at_least:
            outcomes.append(Outcome.MET)
        else:
            outcomes.append(Outcome.INCONCLUSIVE)
    if at_least is not None:
        if value + u < at_least and not measurement.only_at_least:
            outcomes.append(Outcome.NOT_MET)
        elif value - u >= at_least:
            outcomes.append(Outcome.MET)
        else:
            outcomes.append(Outcome.INCONCLUSIVE)
    return worst(outcomes)


def worst(outcomes: list[Outcome]) -> Outcome:
    """Return the outcome that stands for several: one failure spoils all, then one doubt."""
    for outcome in (Outcome.NOT_MET, Outcome.INCONCLUSIVE):
        if outcome in outcomes:
            return outcome
    return Outcome.MET


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What became of one requirement.

    Attributes
    ----------
    requirement : Requirement
    outcome : Outcome
    measured, limit : str
        The worst result and what it was held against, with units; empty when nothing was measured.
    runs, checks : int
        Scenarios run and measurements judged.
    reason : str
        Why it was not tested, or what was found.
    replay : str
        The command that does it again.
    value, uncertainty, unit
        The worst result as numbers; `value` is None when nothing was measured, or a run ended before it came.
    """

    requirement: Requirement
    outcome: Outcome
    measured: str = ""
    limit: str = ""
    runs: int = 0
    checks: int = 0
    reason: str = ""
    replay: str = ""
    how_seen: str = ""
    value: float | None = None
    uncertainty: float = 0.0
    unit: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "id": self.requirement.id,
            "severity": self.requirement.severity.value,
            "sentence": self.requirement.sentence,
            "fault": self.requirement.fault,
            "outcome": self.outcome.value,
            "measured": self.measured,
            "limit": self.limit,
            "how_seen": self.how_seen,
            "runs": self.runs,
            "checks": self.checks,
            "reason": self.reason,
            "replay": self.replay,
            **({} if self.value is None else {"value": self.value, "uncertainty": self.uncertainty, "unit": self.unit}),
        }
