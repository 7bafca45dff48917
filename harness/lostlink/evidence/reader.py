"""Reads an evidence folder: the document, the profile, and the counts of a campaign."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from lostlink.errors import EvidenceError, ExitCode
from lostlink.evidence.document import CAMPAIGN_FILE, FILE, Document
from lostlink.evidence.schemas import ALLOWED, CAMPAIGN_SCHEMA, VERDICTS_SCHEMA, read_json
from lostlink.files import read_text
from lostlink.results import exit_code


@dataclass(frozen=True)
class Evidence:
    """An evidence folder.

    Attributes
    ----------
    folder : Path
    document : Document
    campaign : dict or None
        Content of ``campaign.json``.
    """

    folder: Path
    document: Document
    campaign: dict[str, Any] | None = None

    @cached_property
    def profile(self) -> dict[str, Any]:
        """Values of the resolved profile by dotted key; empty if the file is missing."""
        try:
            values = tomllib.loads(read_text(self.folder / "profile.toml"))
        except (OSError, ValueError):
            return {}
        return _flat("", values)

    @cached_property
    def counts(self) -> dict[str, Counts]:
        """A campaign's counts by requirement; empty without a campaign."""
        return {} if self.campaign is None else {entry["id"]: _counts(entry) for entry in self.campaign["requirements"]}


@dataclass(frozen=True, slots=True)
class Counts:
    """A campaign's counts for one requirement.

    Attributes
    ----------
    failures, trials : int
    quantiles_us : dict of float to float
        Share of the trials to the measured time.
    """

    failures: int
    trials: int
    quantiles_us: dict[float, float] = field(default_factory=dict)


def read_evidence(folder: str | Path) -> Evidence:
    """Read an evidence folder.

    Raises
    ------
    EvidenceError
        If it contains none, was damaged, or was written by a newer version.
    """
    folder = Path(folder)
    data = read_json(folder / FILE, VERDICTS_SCHEMA)
    has_campaign = (folder / CAMPAIGN_FILE).is_file()
    try:
        document = Document.from_dict(data)
        if not has_campaign:  # whose claim decides its exit code, with failures too
            _check_exit_code(document)
    except ValueError as error:
        raise EvidenceError(f"{folder / FILE}: {error}; {ALLOWED}") from error
    campaign = read_json(folder / CAMPAIGN_FILE, CAMPAIGN_SCHEMA) if has_campaign else None
    evidence = Evidence(folder, document, campaign)
    if wrong := [name for name, counts in evidence.counts.items() if counts.failures > counts.trials]:
        raise EvidenceError(f"{folder / CAMPAIGN_FILE}: {wrong[0]}: more failures than trials; {ALLOWED}")
    return evidence


def _check_exit_code(document: Document) -> None:
    """Raise an error if the exit code says "not met" and the verdicts do not, or the other way round."""
    code = document.exit_code
    by_verdicts = exit_code(document.verdicts) is ExitCode.NOT_MET
    if code in (ExitCode.MET, ExitCode.NOT_MET, ExitCode.UNDECIDED) and (code is ExitCode.NOT_MET) != by_verdicts:
        raise ValueError(f"exit code {code} contradicts the verdicts")


def _counts(data: dict[str, Any]) -> Counts:
    reached = [entry for entry in data.get("quantiles", ()) if entry["value_us"] is not None]
    quantiles_us = {float(entry["share"]): float(entry["value_us"]) for entry in reached}
    return Counts(data["failures"], data["judged"], quantiles_us)


def _flat(prefix: str, value: Any) -> dict[str, Any]:
    """Return the values of nested tables by dotted keys."""
    if isinstance(value, dict):
        pairs = [(f"{prefix}.{key}" if prefix else key, inner) for key, inner in value.items()]
    elif isinstance(value, list) and any(isinstance(entry, dict) for entry in value):
        pairs = [(f"{prefix}[{number}]", inner) for number, inner in enumerate(value, start=1)]
    else:
        return {prefix: value}
    return {key: leaf for name, inner in pairs for key, leaf in _flat(name, inner).items()}
