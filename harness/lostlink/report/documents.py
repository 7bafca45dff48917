"""Reads ``verdicts.json`` of an evidence folder, trusting nothing in it but that people should see it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lostlink.errors import LostlinkError
from lostlink.verdicts import Outcome, Severity

SIGNS: Final = {
    Outcome.MET.value: "✓",
    Outcome.NOT_MET.value: "✗",
    Outcome.INCONCLUSIVE.value: "?",
    Outcome.NOT_TESTED.value: "–",
    Outcome.WAIVED.value: "○",
}
"""A sign for each outcome, so that none is told by colour alone."""
KINDS: Final = {
    Outcome.MET.value: "good",
    Outcome.NOT_MET.value: "bad",
    Outcome.INCONCLUSIVE.value: "doubt",
    Outcome.NOT_TESTED.value: "none",
    Outcome.WAIVED.value: "none",
}
"""The colour that goes with an outcome."""
MEANINGS: Final = {
    Severity.CRITICAL.value: "somebody may be hurt",
    Severity.MAJOR.value: "the model may be lost, or flies other than the pilot wants",
    Severity.MINOR.value: "it is not as it was meant",
}
WORST_FIRST: Final = ("not met", "inconclusive", "not tested", "waived", "met")


class EvidenceError(LostlinkError):
    """A folder holds no evidence that can be read."""


@dataclass(frozen=True, slots=True)
class Row:
    """A verdict as it stands in the file; texts that are not there are empty.

    Attributes
    ----------
    anchor : str
        Its place on the page; unlike the id, never twice the same and never of strange characters.
    """

    anchor: str
    id: str
    severity: str
    sentence: str
    fault: str
    outcome: str
    measured: str
    limit: str
    how_seen: str
    reason: str
    replay: str
    runs: int
    checks: int


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What ``verdicts.json`` says.

    Attributes
    ----------
    conclusion : str
    exit_code : int
    cautions : tuple of str
    tested : dict
    rows : tuple of Row
        The most severe first, of one severity those that are not met first.
    """

    conclusion: str
    exit_code: int
    cautions: tuple[str, ...]
    tested: dict[str, Any]
    rows: tuple[Row, ...]

    def count(self, outcome: str, severity: str | None = None) -> int:
        """Return how many verdicts of an outcome there are, of one severity or of all."""
        return sum(row.outcome == outcome and severity in (None, row.severity) for row in self.rows)

    @property
    def kind(self) -> str:
        """The colour of the conclusion."""
        if self.count(Outcome.NOT_MET.value):
            return "bad"
        return "good" if self.exit_code == 0 and self.count(Outcome.MET.value) else "doubt"


def read_verdicts(folder: Path) -> Verdicts:
    """Read the verdicts of an evidence folder.

    Raises
    ------
    EvidenceError
        If there are none, or they cannot be read.
    """
    from lostlink.evidence import CAUTIONS

    file = folder / "verdicts.json"
    allowed = "allowed: the --out folder of lostlink prove, campaign, watch or read"
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise EvidenceError(f"{file}: {error.strerror or error}; {allowed}") from error
    except (ValueError, RecursionError) as error:
        raise EvidenceError(f"{file}: not JSON ({error}); {allowed}") from error
    fine = isinstance(data, dict) and data.get("schema") == 1 and isinstance(data.get("conclusion"), str)
    if not fine or not isinstance(data.get("tested"), dict) or not _all_objects(data.get("verdicts")):
        raise EvidenceError(f"{file}: not the verdicts of lostlink, or of another version (schema 1); {allowed}")
    code = data.get("exit_code")
    return Verdicts(
        conclusion=data["conclusion"],
        exit_code=code if isinstance(code, int) else 2,
        cautions=CAUTIONS,  # those of this version: a file must not be able to leave one out
        tested=data["tested"],
        rows=_rows(data["verdicts"]),
    )


def _all_objects(values: Any) -> bool:
    return isinstance(values, list) and all(isinstance(value, dict) for value in values)


def _rows(values: list[dict[str, Any]]) -> tuple[Row, ...]:
    rows = []
    for place, value in enumerate(values):
        keys = ("id", "severity", "sentence", "fault", "outcome", "measured", "limit", "how_seen", "reason", "replay")
        said: dict[str, Any] = {key: text(value.get(key)) for key in keys}
        for key in ("runs", "checks"):
            said[key] = value[key] if isinstance(value.get(key), int) else 0
        rows.append(Row(anchor=f"requirement-{place + 1}", **said))
    severities = list(MEANINGS)
    return tuple(sorted(rows, key=lambda row: (_place(severities, row.severity), _place(WORST_FIRST, row.outcome))))


def _place(order: Any, value: str) -> int:
    return list(order).index(value) if value in order else -1  # what is not known comes first, to be seen


def text(value: Any) -> str:
    """Return a value of the file as text: nothing for null, JSON for what has parts."""
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
