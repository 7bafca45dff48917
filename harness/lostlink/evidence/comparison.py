"""Changes from one evidence folder to another, and whether they are significant.

Outcomes rank: met over inconclusive and not tested over not met; a waived requirement is not ranked. A measured value
has changed if the difference is larger than the sum of both uncertainties. Failures of two campaigns are compared by
Fisher's exact test (The Design of Experiments, 1935).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

import numpy as np

from lostlink.errors import ExitCode, UsageError
from lostlink.evidence.reader import Counts, Evidence
from lostlink.verdicts import Outcome, Severity, Verdict, counted, grouped, printable, quantity

CONFIDENCE: Final = 0.95
_REACH_SIGMAS: Final = 40
_INCOMPLETE: Final = (
    ExitCode.RIG_LOST, ExitCode.HUNG_UP, ExitCode.INTERRUPTED, ExitCode.TERMINATED, ExitCode.BROKEN_OFF,
)  # fmt: skip


class Change(Enum):
    """Change of a requirement."""

    BROKEN = "was met, is not met"
    DOUBTFUL = "was met, is no longer shown"
    WORSE = "worse"
    SAME = "same"
    BETTER = "better"
    MENDED = "was not met, is met"
    SHOWN = "was not shown, is met"
    NEW = "only in the second"
    GONE = "only in the first"


_RANK: Final = {Outcome.NOT_MET: 0, Outcome.INCONCLUSIVE: 1, Outcome.NOT_TESTED: 1, Outcome.MET: 2}


@dataclass(frozen=True, slots=True)
class ComparedRequirement:
    """One requirement in both folders.

    Attributes
    ----------
    before, after : Verdict or None
    change : Change
    note : str
        Comparison of the numbers.
    fails_more_often : bool
        Whether a campaign has significantly more failures than the one before.
    """

    before: Verdict | None
    after: Verdict | None
    change: Change
    note: str = ""
    fails_more_often: bool = False

    @property
    def verdict(self) -> Verdict:
        """The newer verdict, or the only one."""
        verdict = self.after or self.before
        assert verdict is not None
        return verdict

    @property
    def id(self) -> str:
        """Id of the requirement."""
        return self.verdict.requirement.id

    @property
    def measured(self) -> str:
        """What was measured, before and after where it differs."""
        before, after = (verdict.measured if verdict else "" for verdict in (self.before, self.after))
        return after if before == after else f"{before} → {after}"


def compare(before: Evidence, after: Evidence) -> list[ComparedRequirement]:
    """Return a row for each requirement of either folder, the worst first."""
    old, new = ({v.requirement.id: v for v in evidence.document.verdicts} for evidence in (before, after))
    rows = [
        _row(old.get(name), new.get(name), before.counts.get(name), after.counts.get(name))
        for name in dict.fromkeys([*old, *new])
    ]
    changes, severities = list(Change), list(Severity)
    return sorted(rows, key=lambda row: (changes.index(row.change), severities.index(row.verdict.requirement.severity)))


def _row(
    before: Verdict | None, after: Verdict | None, counts: Counts | None, counts_after: Counts | None
) -> ComparedRequirement:
    if before is None or after is None:
        return ComparedRequirement(before, after, Change.NEW if before is None else Change.GONE)
    change, note, numbers = _outcomes(before, after), "", Change.SAME
    if counts and counts_after and counts.trials and counts_after.trials:
        numbers, note = _campaigns(counts, counts_after)
    elif counts is None and counts_after is None:
        note = values(before, after)
    if change is Change.SAME:
        change = numbers
    return ComparedRequirement(before, after, change, note, fails_more_often=numbers is Change.WORSE)


def _outcomes(before: Verdict, after: Verdict) -> Change:
    if Outcome.WAIVED in (before.outcome, after.outcome):
        return Change.SAME
    was, now = _RANK[before.outcome], _RANK[after.outcome]
    if was == now:
        return Change.SAME
    if was == 2:
        return Change.BROKEN if now == 0 else Change.DOUBTFUL
    if now == 2:
        return Change.MENDED if was == 0 else Change.SHOWN
    return Change.BETTER if now > was else Change.WORSE


def values(before: Verdict, after: Verdict) -> str:
    """Return a comparison of the measured values; empty if they cannot be compared, or are equal."""
    if before.value is None or after.value is None or before.unit != after.unit:
        return ""
    difference, uncertainty = after.value - before.value, before.uncertainty + after.uncertainty
    if not difference:
        return ""
    if abs(difference) <= uncertainty:
        return f"by {quantity(difference, after.unit)}: within the uncertainty ± {quantity(uncertainty, after.unit)}"
    # Not judged: a larger value is nearer to the limit of most requirements, not of all.
    return f"measured {'+' if difference > 0 else ''}{quantity(difference, after.unit)} against before"


def _campaigns(before: Counts, after: Counts) -> tuple[Change, str]:
    """Return whether two campaigns differ beyond chance."""
    chance = fisher(before.failures, before.trials, after.failures, after.trials)
    failed = f"{before.failures} of {before.trials}, then {after.failures} of {after.trials} failed"
    times = _quantiles(before, after)
    if chance >= 1 - CONFIDENCE:
        return Change.SAME, f"{failed}: not significant (p = {chance:.2g}, Fisher's exact test){times}"
    more = after.failures / after.trials > before.failures / before.trials
    return (Change.WORSE if more else Change.BETTER), f"{failed} (p = {chance:.2g}, Fisher's exact test){times}"


def _quantiles(before: Counts, after: Counts) -> str:
    parts = [
        f"p{100 * share:g} {quantity(value_us, 'µs')} then {quantity(after.quantiles_us[share], 'µs')}"
        for share, value_us in before.quantiles_us.items()
        if share in after.quantiles_us and after.quantiles_us[share] != value_us
    ]
    return f"; {', '.join(parts)}" if parts else ""


def fisher(failures_a: int, trials_a: int, failures_b: int, trials_b: int) -> float:
    """Return the probability of a split at least as uneven as this one, two-sided, if both fail alike.

    That is the sum of all hypergeometric terms that are not larger than that of the split itself. Terms further from
    the largest than `_REACH_SIGMAS` are below 1e-200 of it and left out, so that the work grows with the root of the
    trials.
    """
    failures, trials = failures_a + failures_b, trials_a + trials_b
    variance = failures * (trials - failures) * trials_a * trials_b / (trials**2 * max(1, trials - 1))
    reach, mode = round(_REACH_SIGMAS * (math.sqrt(variance) + 5)), (failures + 1) * (trials_a + 1) // (trials + 2)
    low, high = max(0, failures - trials_b, mode - reach), min(failures, trials_a, mode + reach)
    if not low <= failures_a <= high:
        return 0.0
    k = np.arange(low, high, dtype=float)
    ratios = (failures - k) * (trials_a - k) / ((k + 1) * (trials_b - failures + k + 1))
    logs = np.concatenate([[0.0], np.cumsum(np.log(ratios))])
    terms = np.exp(logs - logs.max())
    return min(1.0, float(terms[logs <= logs[failures_a - low] + 1e-7].sum() / terms.sum()))


def check_comparable(before: Evidence, after: Evidence) -> None:
    """Check that both prove the same sides of a link.

    Raises
    ------
    UsageError
        If one is about a handset and the other is not.
    """
    was, now = (one.document.tested.get("proves", ["receiver"]) for one in (before, after))
    if was != now:
        told = [f"{one.folder} proves the {' and the '.join(sides)}" for one, sides in ((before, was), (after, now))]
        raise UsageError(f"{told[0]}, {told[1]}; compare evidence of the same")


def exit_code(rows: list[ComparedRequirement]) -> ExitCode:
    """Return the exit code: not met if a met requirement broke, undecided if one is no longer shown."""
    changes = {row.change for row in rows}
    lost = any(row.change is Change.GONE and row.before and row.before.outcome is Outcome.MET for row in rows)
    if Change.BROKEN in changes or any(row.fails_more_often for row in rows):
        return ExitCode.NOT_MET
    return ExitCode.UNDECIDED if Change.DOUBTFUL in changes or lost else ExitCode.MET


def set_up(before: Evidence, after: Evidence) -> list[str]:
    """Return the differences of the tested links, rigs and versions, one per line."""
    lines = []
    for key, what in (
        ("profile", "link"), ("receiver", "receiver"), ("receiver_sha256", "receiver's file"), ("handset", "handset"),
        ("handset_sha256", "handset's file"), ("rig", "rig"),
        ("seed", "seed"), ("only", "requirements asked for"),
    ):  # fmt: skip
        was, now = before.document.tested.get(key), after.document.tested.get(key)
        if was != now:
            lines.append(f"{what}: {_short(was)}, then {_short(now)}")
    versions = before.document.tested.get("versions", {}), after.document.tested.get("versions", {})
    for prefix, was, now in (("version of ", *versions), ("", before.profile, after.profile)):
        lines += [
            f"{prefix}{key}: {_short(was.get(key))}, then {_short(now.get(key))}"
            for key in sorted(set(was) | set(now))
            if was.get(key) != now.get(key)
        ]
    if (before.campaign is None) is not (after.campaign is None):
        lines.append("one is a campaign, the other is not: outcomes are compared, numbers are not")
    elif before.campaign is not None and after.campaign is not None:
        was, now = before.campaign["trials"], after.campaign["trials"]
        if was != now:
            lines.append(f"trials: {grouped(was)}, then {grouped(now)}")
    for evidence in (before, after):
        if evidence.document.exit_code in _INCOMPLETE:
            lines.append(f"{evidence.folder} is incomplete: {evidence.document.conclusion}")
    return list(map(printable, lines))


def _short(value: Any) -> str:
    if value is None or value == []:
        return "none"
    text = str(value)
    return text if len(text) <= 40 else f"{text[:12]}…"


def conclusion(rows: list[ComparedRequirement]) -> str:
    """Return the outcome in one sentence."""
    parts = []
    for what, *changes in (
        ("no longer met", Change.BROKEN), ("worse", Change.WORSE), ("no longer shown", Change.DOUBTFUL),
        ("no longer there", Change.GONE), ("better", Change.MENDED, Change.SHOWN, Change.BETTER),
    ):  # fmt: skip
        if ids := [row.id for row in rows if row.change in changes]:
            names = ", ".join(ids[:6]) + (f" and {len(ids) - 6} more" if len(ids) > 6 else "")
            parts.append(f"{what}: {names}")
    same = sum(row.change is Change.SAME for row in rows)
    if not parts:
        return f"Nothing changed: {counted(same, 'requirement')} as before."
    text = f"{'; '.join(parts)}; {same} as before."
    return printable(text[0].upper() + text[1:])
