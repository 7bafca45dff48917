"""From a measurement and a limit to a verdict, with a guard band.

A result is known to within its uncertainty. When the limit is inside that uncertainty, the verdict is inconclusive,
never met: an upper limit is met only when value + uncertainty does not exceed it (JCGM 106:2012, guarded acceptance;
ILAC-G8:09/2019, 4.2.1). A value that is only a lower bound (the run ended before the event) can break an upper limit
but never meet it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import asdict, dataclass, replace
from enum import Enum, StrEnum
from numbers import Integral, Real
from typing import Any, Final

from lostlink.files import whole_text
from lostlink_sims import HowSeen


class Outcome(Enum):
    """The outcome of a requirement."""

    MET = "met"
    NOT_MET = "not met"
    INCONCLUSIVE = "inconclusive"
    NOT_TESTED = "not tested"
    WAIVED = "waived"

    @property
    def rank(self) -> int:
        """The larger one counts where a requirement has several outcomes."""
        return _RANKS.index(self)


_RANKS: Final = (Outcome.MET, Outcome.WAIVED, Outcome.NOT_TESTED, Outcome.INCONCLUSIVE, Outcome.NOT_MET)


class Severity(Enum):
    """Severity of a failure."""

    CRITICAL = "critical"
    MAJOR = "major"
    MINOR = "minor"

    @property
    def meaning(self) -> str:
        """Possible consequence of a failure."""
        return _MEANINGS[self]


_MEANINGS = {
    Severity.CRITICAL: "somebody may be hurt",
    Severity.MAJOR: "the model may be lost, or control may be degraded",
    Severity.MINOR: "deviates from specification",
}


class Side(StrEnum):
    """What of a link a requirement is about."""

    RECEIVER = "receiver"
    HANDSET = "handset"
    PAIR = "pair"


def sides_with(receiver: object | None, handset: object | None) -> frozenset[Side]:
    """Return what is under test in simulation if these are given; without a handset it is the receiver."""
    if handset is None:
        return frozenset({Side.RECEIVER})
    return frozenset({Side.HANDSET} if receiver is None else Side)


@dataclass(frozen=True, slots=True)
class Requirement:
    """A requirement on the link.

    Attributes
    ----------
    id : str
        Stable: reports, waivers and replays refer to it.
    severity : Severity
    sentence : str
        What must be true, in a pilot's terms.
    fault : str
        What is wrong if it is not met; shown for a failure in place of `sentence`.
    """

    id: str
    severity: Severity
    sentence: str
    fault: str

    @property
    def side(self) -> Side:
        """What it is about; its id says it."""
        return {"HS": Side.HANDSET, "PR": Side.PAIR}.get(self.id.partition("-")[0], Side.RECEIVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A result with its uncertainty.

    Attributes
    ----------
    name : str
        What was measured.
    value : float
        Infinite for an event that never comes.
    unit : str
        ``µs`` for times and widths; empty for a plain number.
    uncertainty : float
        Half-width, in the same unit.
    how_seen : HowSeen
    only_at_least : bool
        The run ended before the event: the true value is larger.
    at_us : int or None
        Instant in the run.
    since_us : int or None
        Begin of a measured span that ends at `at_us`; None if it is not a span.

    Raises
    ------
    ValueError
        If the value is NaN, or the uncertainty is negative or not finite.
    TypeError
        If one of them is not a number.
    """

    name: str
    value: float
    unit: str = "µs"
    uncertainty: float = 0.0
    how_seen: HowSeen = HowSeen.SIMULATED
    only_at_least: bool = False
    at_us: int | None = None
    since_us: int | None = None

    def __post_init__(self) -> None:
        name = whole_text(self.name)
        numbers = {key: _number(f"{name}: {key}", getattr(self, key)) for key in ("value", "uncertainty")}
        if not 0 <= numbers["uncertainty"] < math.inf:
            raise ValueError(f"{name}: uncertainty is {self.uncertainty}; allowed: 0 or more")
        instants = {key: getattr(self, key) for key in ("at_us", "since_us")}
        whole = {key: None if at_us is None else int(at_us) for key, at_us in instants.items()}
        kept = {"name": name, "only_at_least": bool(self.only_at_least), **numbers, **whole}
        for key, value in kept.items():
            object.__setattr__(self, key, value)

    def __str__(self) -> str:
        prefix = "more than " if self.only_at_least else ""
        text = prefix + quantity(self.value, self.unit)
        return f"{text} ± {quantity(self.uncertainty, self.unit)}" if self.uncertainty else text


def quantity(value: float, unit: str) -> str:
    """Return a value with its unit, large times in ms or s."""
    if math.isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    if unit == "µs" and abs(value) >= 10_000:
        return f"{value / 1000:.5g} ms" if abs(value) < 10_000_000 else f"{value / 1e6:.5g} s"
    number = f"{value:.0f}" if float(value).is_integer() else f"{value:.4g}"
    return f"{number} {'code' if unit == 'codes' and abs(value) == 1 else unit}".rstrip()


def _number(name: str, value: object) -> float:
    """Return a number, also one of numpy, as one of Python."""
    if not isinstance(value, Real):
        raise TypeError(f"{name} is {value!r}; allowed: a number")
    number = float(value)
    if math.isnan(number):
        raise ValueError(f"{name} is not a number (NaN)")
    return int(value) if isinstance(value, Integral) else number


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, thousands grouped: "1 trial", "29 956 trials"."""
    plural = "es" if noun.endswith("ch") else "s"
    return f"{grouped(count)} {noun}{'' if count == 1 else plural}"


def grouped(count: int) -> str:
    """Return a whole number with its thousands grouped by spaces."""
    return f"{count:,}".replace(",", " ")


def printable(text: str) -> str:
    """Return a text from a file for a line of a terminal: control characters are shown escaped."""
    return "".join(sign if sign == "\t" or sign.isprintable() else repr(sign)[1:-1] for sign in text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Bounds for a measurement, inclusive.

    Attributes
    ----------
    at_most, at_least : float or None
        In `unit`.
    unit : str

    Raises
    ------
    ValueError
        If both are None, or one is not finite: such a check could not fail.
    TypeError
        If one is not a number.
    """

    at_most: float | None = None
    at_least: float | None = None
    unit: str = "µs"

    def __post_init__(self) -> None:
        if self.at_most is None and self.at_least is None:
            raise ValueError("a limit needs at_most or at_least")
        for name in ("at_most", "at_least"):
            if (bound := getattr(self, name)) is not None:
                number = _number(name, bound)
                if math.isinf(number):
                    raise ValueError(f"{name} is {number}; allowed: a finite number")
                object.__setattr__(self, name, number)

    def __str__(self) -> str:
        if self.at_most is not None and self.at_most == self.at_least:
            return f"exactly {quantity(self.at_most, self.unit)}"
        bounds = (("at most", self.at_most), ("at least", self.at_least))
        return " and ".join(f"{word} {quantity(bound, self.unit)}" for word, bound in bounds if bound is not None)

    def margin(self, measurement: Measurement) -> float:
        """Return the margin to the closer bound as a share of it, comparable between times and counts."""
        shares = []
        for bound, sign in ((self.at_most, 1), (self.at_least, -1)):
            if bound is not None:
                shares.append((sign * (bound - measurement.value) - measurement.uncertainty) / max(1.0, abs(bound)))
        return min(shares)

    def decide(self, measurement: Measurement) -> Outcome:
        """Return the outcome for a measurement: met, not met, or inconclusive where the guard band holds the bound."""
        value, u = measurement.value, measurement.uncertainty
        outcomes = []
        if self.at_most is not None:
            if value - u > self.at_most:
                outcomes.append(Outcome.NOT_MET)
            elif value + u <= self.at_most and not measurement.only_at_least:
                outcomes.append(Outcome.MET)
            else:
                outcomes.append(Outcome.INCONCLUSIVE)
        if self.at_least is not None:
            if value + u < self.at_least and not measurement.only_at_least:
                outcomes.append(Outcome.NOT_MET)
            elif value - u >= self.at_least:
                outcomes.append(Outcome.MET)
            else:
                outcomes.append(Outcome.INCONCLUSIVE)
        return worst(outcomes)


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """Return the combined outcome of several checks: not met before inconclusive before met."""
    given = set(outcomes)
    return next((outcome for outcome in (Outcome.NOT_MET, Outcome.INCONCLUSIVE) if outcome in given), Outcome.MET)


def _combined(flown: int, possible: int, strength: int) -> str:
    kind = {2: "pairs", 3: "triples"}.get(strength, f"combinations of {strength}")
    return f"{grouped(flown)} of {grouped(possible)} {kind}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Variation:
    """What the varied flights that concern a requirement had.

    Attributes
    ----------
    flights : int
    values : dict of str to dict of str to int
        For each dimension of a flight, how many flights had each of its values, zero included.
    combinations_flown, combinations : int
        Combinations of values of `strength` dimensions that occurred, and that are possible.
    strength : int
    throttle_combinations_flown, throttle_combinations, throttle_strength : int
        The same of the decisive dimensions, which decide about the throttle, or about the packets of a handset.
    left_out : dict of str to int
        Flights that the rig could not fly, by reason.
    """

    flights: int
    values: dict[str, dict[str, int]]
    combinations_flown: int
    combinations: int
    strength: int
    left_out: dict[str, int]
    throttle_combinations_flown: int = 0
    throttle_combinations: int = 0
    throttle_strength: int = 0

    def __str__(self) -> str:
        told = _combined(self.combinations_flown, self.combinations, self.strength)
        text = f"{counted(self.flights, 'varied flight')}, {told} of values"
        if self.throttle_strength > self.strength:
            told = _combined(self.throttle_combinations_flown, self.throttle_combinations, self.throttle_strength)
            text += f", {told} of the decisive ones"
        return text

    @property
    def not_flown(self) -> dict[str, list[str]]:
        """Values that no flight had, by dimension."""
        missing = {name: [value for value, count in each.items() if not count] for name, each in self.values.items()}
        return {name: values for name, values in missing.items() if values}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The verdict on one requirement.

    Attributes
    ----------
    requirement : Requirement
    outcome : Outcome
    measured, limit : str
        The worst result and its limit, with units; empty if nothing was measured.
    runs, checks : int
        Number of scenarios run and of measurements judged.
    reason : str
        Why it was not tested, or the finding.
    replay : str
        The command that reproduces it.
    value, uncertainty, unit
        The worst result as numbers; `value` is None if nothing was measured, or the run ended before the event.
    varied : Variation or None
        Of the varied flights that concern it; None if none does, or none was flown.
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
    varied: Variation | None = None

    @property
    def statement(self) -> str:
        """The fault if it is not met, otherwise the requirement."""
        required = self.requirement
        return required.fault if self.outcome is Outcome.NOT_MET and required.fault else required.sentence

    @property
    def remark(self) -> str:
        """The reason; empty if it only repeats measured value and limit."""
        return "" if self.reason in (self.measured, f"{self.measured}, limit {self.limit}") else self.reason

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
            **({} if self.varied is None else {"varied": asdict(self.varied)}),
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Verdict:
        """Return the verdict that `as_dict` wrote."""
        texts = {name: data.get(name, "") for name in ("measured", "limit", "reason", "how_seen", "replay", "unit")}
        value = data.get("value")
        return cls(
            requirement=Requirement(data["id"], Severity(data["severity"]), data["sentence"], data.get("fault", "")),
            outcome=Outcome(data["outcome"]),
            value=None if value is None else float(value),
            uncertainty=float(data.get("uncertainty", 0.0)),
            runs=data.get("runs", 0),
            checks=data.get("checks", 0),
            varied=Variation(**data["varied"]) if data.get("varied") else None,
            **texts,
        )

    def combined_with(self, later: Verdict) -> Verdict:
        """Return the verdict of two tests of this requirement: it is met only if both meet it."""
        worse = later if later.outcome.rank > self.outcome.rank else self
        return replace(worse, runs=self.runs + later.runs, checks=self.checks + later.checks)

    def waived_by(self, waived: Collection[str]) -> Verdict:
        """Return the verdict after the owner's waivers: what was measured stays, the outcome is `WAIVED`.

        Parameters
        ----------
        waived : collection of str
            Ids, ``profile.requirements.waived``.
        """
        if self.requirement.id not in waived:
            return self
        return replace(self, outcome=Outcome.WAIVED, reason=WAIVED_REASON)


WAIVED_REASON = "waived by the owner"


def by_severity(verdicts: Iterable[Verdict], outcome: Outcome) -> list[Verdict]:
    """Return the verdicts of one outcome, the most severe first."""
    order = list(Severity)
    chosen = [verdict for verdict in verdicts if verdict.outcome is outcome]
    return sorted(chosen, key=lambda verdict: order.index(verdict.requirement.severity))
