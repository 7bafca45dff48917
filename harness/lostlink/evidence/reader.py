"""Reads an evidence folder: the document, the profile, and the counts of a campaign."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Final, TypeVar

from lostlink.errors import EvidenceError
from lostlink.evidence.consistency import check_campaign, check_exit_code
from lostlink.evidence.document import CAMPAIGN_FILE, FILE, Document
from lostlink.evidence.schemas import ALLOWED, CAMPAIGN_SCHEMA, VERDICTS_SCHEMA, read_json
from lostlink.files import read_text
from lostlink.verdicts import printable

PROFILE_FILE: Final = "profile.toml"
_T = TypeVar("_T")


@dataclass(frozen=True)
class Evidence:
    """An evidence folder.

    Attributes
    ----------
    folder : Path
    document : Document
    campaign : dict or None
        Content of ``campaign.json``.
    profile : dict
        Values of the resolved profile by dotted key; empty if there is none.
    """

    folder: Path
    document: Document
    campaign: dict[str, Any] | None = None
    profile: dict[str, Any] = field(default_factory=dict)

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
        If it contains none, was damaged, was written by a newer version, or contradicts itself.
    """
    folder = Path(folder)
    document = _checked(folder / FILE, Document.from_dict, read_json(folder / FILE, VERDICTS_SCHEMA))
    campaign = None
    if (folder / CAMPAIGN_FILE).exists():
        campaign = read_json(folder / CAMPAIGN_FILE, CAMPAIGN_SCHEMA)
        _checked(folder / CAMPAIGN_FILE, check_campaign, campaign, document)
    _checked(folder / FILE, check_exit_code, document, campaign)
    return Evidence(folder, document, campaign, _profile(folder / PROFILE_FILE))


def _checked(path: Path, function: Callable[..., _T], *given: Any) -> _T:
    try:
        return function(*given)
    except ValueError as error:
        raise EvidenceError(f"{path}: {printable(str(error))}; {ALLOWED}") from error


def _profile(path: Path) -> dict[str, Any]:
    """Return the values of the resolved profile by dotted key; empty if there is none."""
    try:
        values = tomllib.loads(read_text(path))
        str(values)  # that of a whole number can be too long
        flat = _flat("", values)
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise EvidenceError(f"{path}: {error.strerror or error}; {ALLOWED}") from error
    except (ValueError, RecursionError) as error:
        why = "nested too deep" if isinstance(error, RecursionError) else str(error).split(";")[0]
        raise EvidenceError(f"{path}: not a profile ({why}); {ALLOWED}") from error
    if not values:
        raise EvidenceError(f"{path}: is empty; {ALLOWED}")
    return flat


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
