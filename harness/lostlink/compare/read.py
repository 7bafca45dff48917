"""An evidence folder as it was left: verdicts, what was tested, and a campaign's counts where there was one."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lostlink.errors import LostlinkError
from lostlink.evidence import OUTCOME_WORDS
from lostlink.verdicts import Outcome, Severity

_ALLOWED = "allowed: a folder that prove, campaign, read or watch --failsafe-test left"


@dataclass(frozen=True, slots=True)
class Told:
    """What a folder says of one requirement.

    Attributes
    ----------
    id, sentence : str
    severity : Severity
    outcome : Outcome
    measured, limit : str
    value, uncertainty : float or None
        The measured value where the folder has it as a number.
    unit : str
    failures, trials : int or None
        Of a campaign.
    quantiles : dict of float to (float, float or None)
        Of a campaign: share to value and upper bound, in µs.
    """

    id: str
    sentence: str
    severity: Severity
    outcome: Outcome
    measured: str
    limit: str
    value: float | None = None
    uncertainty: float = 0.0
    unit: str = ""
    failures: int | None = None
    trials: int | None = None
    quantiles: dict[float, tuple[float, float | None]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Folder:
    """An evidence folder.

    Attributes
    ----------
    path : str
    conclusion : str
    tested : dict
    profile : dict
        Every value that was in force, by table and key.
    told : dict of str to Told
    is_campaign : bool
    """

    path: str
    conclusion: str
    tested: dict[str, Any]
    profile: dict[str, Any]
    told: dict[str, Told]
    is_campaign: bool


def read_folder(path: str) -> Folder:
    """Read an evidence folder.

    Raises
    ------
    LostlinkError
        If it is none, or was made by a newer version.
    """
    folder = Path(path)
    document = _document(folder / "verdicts.json")
    campaign = _document(folder / "campaign.json") if (folder / "campaign.json").is_file() else None
    try:
        told = {one["id"]: _told(one, _counts(campaign, one["id"])) for one in document["verdicts"]}
        return Folder(
            path=path,
            conclusion=str(document["conclusion"]),
            tested=dict(document["tested"]),
            profile=_profile(folder / "profile.toml"),
            told=told,
            is_campaign=campaign is not None,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise LostlinkError(f"{folder / 'verdicts.json'}: makes no sense ({error!r}); {_ALLOWED}") from error


def _document(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise LostlinkError(f"{path}: {error.strerror}; {_ALLOWED}") from error
    except ValueError as error:
        raise LostlinkError(f"{path}: is no JSON ({error}); {_ALLOWED}") from error
    if not isinstance(document, dict) or "schema" not in document:
        raise LostlinkError(f"{path}: is no evidence; {_ALLOWED}")
    if document["schema"] != 1:
        raise LostlinkError(f"{path}: has the layout {document['schema']!r}; allowed: 1, the newest this version knows")
    return document


def _told(verdict: dict[str, Any], counts: dict[str, Any]) -> Told:
    outcome = verdict["outcome"]
    if outcome not in OUTCOME_WORDS:
        raise ValueError(f"outcome {outcome!r}")
    value = verdict.get("value")
    return Told(
        id=str(verdict["id"]),
        sentence=str(verdict["sentence"]),
        severity=Severity(verdict["severity"]),
        outcome=Outcome(outcome),
        measured=str(verdict.get("measured", "")),
        limit=str(verdict.get("limit", "")),
        value=None if value is None else float(value),
        uncertainty=float(verdict.get("uncertainty") or 0.0),
        unit=str(verdict.get("unit", "")),
        failures=counts.get("failures"),
        trials=counts.get("judged"),
        quantiles={
            float(one["share"]): (float(one["value_us"]), one.get("upper_us"))
            for one in counts.get("quantiles", ())
            if one.get("value_us") is not None
        },
    )


def _counts(campaign: dict[str, Any] | None, name: str) -> dict[str, Any]:
    if campaign is None:
        return {}
    found: dict[str, Any] = next((one for one in campaign["requirements"] if one["id"] == name), {})
    return found


def _profile(path: Path) -> dict[str, Any]:
    """Return every value of a profile by its dotted key; nothing where the file is missing."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    flat: dict[str, Any] = {}

    def walk(prefix: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(f"{prefix}.{key}" if prefix else key, inner)
        elif isinstance(value, list) and any(isinstance(one, dict) for one in value):
            for number, inner in enumerate(value, start=1):
                walk(f"{prefix}[{number}]", inner)
        else:
            flat[prefix] = value

    walk("", document)
    return flat
