"""What changed from one evidence folder to another, and whether it can be known.

Outcomes rank: met over inconclusive and not tested over not met; a waived requirement is not ranked. A measured value
has changed when the difference is larger than both uncertainties together. Failures of two campaigns are compared by
Fisher's exact test (The Design of Experiments, 1935): given all failures and both numbers of trials, how likely is so
uneven a split if nothing has changed?
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

from lostlink.compare.read import Folder, Told
from lostlink.verdicts import Outcome, Severity, quantity

CONFIDENCE: Final = 0.95


class Change(Enum):
    """What became of a requirement."""

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
_ORDER: Final = list(Change)


@dataclass(frozen=True, slots=True)
class Row:
    """One requirement in both folders.

    Attributes
    ----------
    id : str
    severity : Severity
    before, after : Told or None
    change : Change
    said : str
        What the numbers say.
    """

    id: str
    severity: Severity
    before: Told | None
    after: Told | None
    change: Change
    said: str = ""


def compare(before: Folder, after: Folder) -> list[Row]:
    """Return a row for each requirement of either folder, the worst first."""
    names = [*before.told, *(name for name in after.told if name not in before.told)]
    rows = [_row(name, before.told.get(name), after.told.get(name)) for name in names]
    severities = list(Severity)
    return sorted(rows, key=lambda row: (_ORDER.index(row.change), severities.index(row.severity)))


def _row(name: str, before: Told | None, after: Told | None) -> Row:
    if before is None or after is None:
        told = after if before is None else before
        assert told is not None
        return Row(name, told.severity, before, after, Change.NEW if before is None else Change.GONE)
    change, said = _outcomes(before, after), numbers(before, after)
    if change is Change.SAME and said:
        change = said[0]
    return Row(name, after.severity, before, after, change, said[1] if said else "")


def _outcomes(before: Told, after: Told) -> Change:
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


def numbers(before: Told, after: Told) -> tuple[Change, str] | None:
    """Return what the measured numbers say, None where there are none to compare."""
    if before.trials and after.trials and before.failures is not None and after.failures is not None:
        return _campaigns(before, after)
    if before.value is None or after.value is None or before.unit != after.unit:
        return None
    apart, known = after.value - before.value, before.uncertainty + after.uncertainty
    if abs(apart) <= known:
        within = f" (known to ± {quantity(known, after.unit)})" if known else ""
        return (Change.SAME, f"by {quantity(apart, after.unit)}: nothing that is known{within}") if apart else None
    # For most requirements a larger value is nearer to the limit, but not for all: told, not judged.
    return Change.SAME, f"measured {'+' if apart > 0 else ''}{quantity(apart, after.unit)} against before"


def _campaigns(before: Told, after: Told) -> tuple[Change, str]:
    assert before.failures is not None
    assert after.failures is not None
    assert before.trials is not None
    assert after.trials is not None
    chance = fisher(before.failures, before.trials, after.failures, after.trials)
    said = f"{before.failures} of {before.trials}, then {after.failures} of {after.trials} failed"
    moved = _quantiles(before, after)
    if chance >= 1 - CONFIDENCE:
        return Change.SAME, f"{said}: no difference that is known (by chance in {chance:.2g} of such pairs){moved}"
    more = after.failures / after.trials > before.failures / before.trials
    return (Change.WORSE if more else Change.BETTER), f"{said} (by chance in {chance:.2g} of such pairs){moved}"


def _quantiles(before: Told, after: Told) -> str:
    parts = [
        f"p{100 * share:g} {quantity(value, 'µs')} then {quantity(after.quantiles[share][0], 'µs')}"
        for share, (value, _) in before.quantiles.items()
        if share in after.quantiles and after.quantiles[share][0] != value
    ]
    return f"; {', '.join(parts)}" if parts else ""


def fisher(failures_a: int, trials_a: int, failures_b: int, trials_b: int) -> float:
    """Return the chance of a split as uneven as this one or more, two-sided, if both fail alike.

    The sum of all hypergeometric terms that are not larger than that of the split itself.
    """
    failures, trials = failures_a + failures_b, trials_a + trials_b
    low, high = max(0, failures - trials_b), min(failures, trials_a)
    logs = [_log_term(k, failures, trials_a, trials) for k in range(low, high + 1)]
    here = _log_term(failures_a, failures, trials_a, trials)
    total = math.fsum(math.exp(log) for log in logs if log <= here + 1e-7)
    return min(1.0, total)


def _log_term(k: int, failures: int, trials_a: int, trials: int) -> float:
    return (
        _log_choose(failures, k) + _log_choose(trials - failures, trials_a - k) - _log_choose(trials, trials_a)
    )  # fmt: skip


def _log_choose(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def exit_code(rows: list[Row]) -> int:
    """Return 1 when something that was met is not met, 4 when it is no longer shown, else 0."""
    changes = {row.change for row in rows}
    lost = any(row.change is Change.GONE and row.before and row.before.outcome is Outcome.MET for row in rows)
    if Change.BROKEN in changes or (Change.WORSE in changes and _failed_more(rows)):
        return 1
    return 4 if Change.DOUBTFUL in changes or lost else 0


def _failed_more(rows: list[Row]) -> bool:
    """Tell whether a campaign fails more often than before, beyond chance."""
    return any(row.change is Change.WORSE and row.after is not None and row.after.trials is not None for row in rows)


def set_up(before: Folder, after: Folder) -> list[str]:
    """Return in what the two differ besides their verdicts; both lists of values first to last."""
    lines = []
    for key, what in (
        ("profile", "link"), ("receiver", "receiver"), ("receiver_sha256", "receiver's file"), ("rig", "rig"),
        ("seed", "seed"), ("only", "requirements asked for"),
    ):  # fmt: skip
        was, now = before.tested.get(key), after.tested.get(key)
        if was != now:
            lines.append(f"{what}: {_short(was)}, then {_short(now)}")
    versions = before.tested.get("versions", {}), after.tested.get("versions", {})
    for prefix, was, now in (("version of ", *versions), ("", before.profile, after.profile)):
        lines += [
            f"{prefix}{key}: {_short(was.get(key))}, then {_short(now.get(key))}"
            for key in sorted(set(was) | set(now))
            if was.get(key) != now.get(key)
        ]
    if before.is_campaign is not after.is_campaign:
        lines.append("one is a campaign, the other is not: outcomes compare, numbers do not")
    return lines


def _short(value: Any) -> str:
    if value is None or value == []:
        return "none"
    text = str(value)
    return text if len(text) <= 40 else f"{text[:12]}…"


def conclusion(rows: list[Row]) -> str:
    """Return what came of it in one sentence."""
    broken = [row.id for row in rows if row.change is Change.BROKEN]
    worse = [row.id for row in rows if row.change is Change.WORSE]
    doubt = [row.id for row in rows if row.change is Change.DOUBTFUL]
    gone = [row.id for row in rows if row.change is Change.GONE]
    good = [row.id for row in rows if row.change in (Change.MENDED, Change.SHOWN, Change.BETTER)]
    parts = []
    for ids, what in (
        (broken, "no longer met"), (worse, "worse"), (doubt, "no longer shown"), (gone, "no longer there"),
        (good, "better"),
    ):  # fmt: skip
        if ids:
            names = ", ".join(ids[:6]) + (f" and {len(ids) - 6} more" if len(ids) > 6 else "")
            parts.append(f"{what}: {names}")
    same = sum(row.change is Change.SAME for row in rows)
    if not parts:
        return f"Nothing changed: {same} requirements stand as they stood."
    return f"{'; '.join(parts)}; {same} as before."[0].upper() + f"{'; '.join(parts)}; {same} as before."[1:]
