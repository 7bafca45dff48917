"""``verdicts.json``, the document of every evidence folder: written and read here.

The layout is `VERDICTS_SCHEMA`, version `SCHEMA`. Every part of a file is checked when it is read.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import importlib.metadata
import json
import platform
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import lostlink
from lostlink.errors import EvidenceError, ExitCode
from lostlink.files import read_text
from lostlink.profiles import profile_digest
from lostlink.results import CAUTIONS
from lostlink.verdicts import Outcome, Severity, Verdict
from lostlink_sims import Profile

FILE: Final = "verdicts.json"
CAMPAIGN_FILE: Final = "campaign.json"
SCHEMA: Final = 1
ALLOWED: Final = "allowed: the --out folder of lostlink prove, campaign, read or watch --failsafe-test"

_TEXT: Final = {"type": "string"}
VERDICTS_SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "lostlink verdicts",
    "type": "object",
    "required": ["schema", "conclusion", "exit_code", "tested", "verdicts"],
    "additionalProperties": False,
    "properties": {
        "schema": {"const": SCHEMA, "description": "Version of this layout."},
        "conclusion": {**_TEXT, "description": "The outcome in one sentence."},
        "exit_code": {"enum": [code.value for code in ExitCode if code is not ExitCode.OUTPUT_CLOSED]},
        "cautions": {"type": "array", "items": _TEXT},
        "tested": {
            "type": "object",
            "required": ["profile", "profile_sha256", "receiver", "rig", "seed", "versions", "date"],
            "additionalProperties": False,
            "properties": {
                "profile": {**_TEXT, "description": "Name of the link."},
                "profile_file": {"type": ["string", "null"]},
                "profile_sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
                "receiver": {**_TEXT, "description": "The receiver under test."},
                "receiver_sha256": {"type": ["string", "null"], "description": "Of the receiver's file."},
                "rig": {**_TEXT, "description": "Where it ran: sim, serial: and a port, or emulated: and an image."},
                "bench": {
                    "type": "object",
                    "additionalProperties": _TEXT,
                    "description": "Description by the rig: board, line, clock, lateness, discarded runs.",
                },
                "seed": {"type": "integer"},
                "only": {"type": "array", "items": _TEXT, "description": "Requested ids; empty for all."},
                "versions": {"type": "object", "additionalProperties": _TEXT},
                "date": {**_TEXT, "description": "Start, UTC, ISO 8601."},
                "duration_s": {"type": "number"},
            },
        },
        "verdicts": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["id", "severity", "sentence", "outcome"],
                "additionalProperties": False,
                "properties": {
                    "id": _TEXT,
                    "severity": {"enum": [severity.value for severity in Severity]},
                    "sentence": {**_TEXT, "description": "What must be true."},
                    "fault": {**_TEXT, "description": "What is wrong when it is not met."},
                    "outcome": {"enum": [outcome.value for outcome in Outcome]},
                    "measured": {**_TEXT, "description": "The result closest to, or beyond, its limit."},
                    "limit": _TEXT,
                    "how_seen": _TEXT,
                    "runs": {"type": "integer", "description": "Scenarios run."},
                    "checks": {"type": "integer", "description": "Measurements judged."},
                    "reason": _TEXT,
                    "replay": {**_TEXT, "description": "The command that reproduces it."},
                    "value": {"type": "number", "description": "The measured result as a number, in its unit."},
                    "uncertainty": {"type": "number", "description": "Half-width, in the same unit."},
                    "unit": _TEXT,
                },
            },
        },
    },
}


@dataclass(frozen=True, slots=True)
class Document:
    """Content of ``verdicts.json``.

    Attributes
    ----------
    conclusion : str
        The outcome in one sentence.
    exit_code : int
        Of the command that wrote it.
    tested : dict
        As `run_head` returns it.
    verdicts : tuple of Verdict
    """

    conclusion: str
    exit_code: int
    tested: dict[str, Any]
    verdicts: tuple[Verdict, ...]

    def as_text(self) -> str:
        """Return the document as JSON."""
        document = {
            "schema": SCHEMA,
            "conclusion": self.conclusion,
            "exit_code": int(self.exit_code),
            "cautions": list(CAUTIONS),
            "tested": self.tested,
            "verdicts": [verdict.as_dict() for verdict in self.verdicts],
        }
        return json.dumps(document, indent=2, ensure_ascii=False) + "\n"

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Document:
        """Return the document in `data`.

        Raises
        ------
        KeyError, ValueError, TypeError
            If it is invalid.
        """
        conclusion, code, tested, verdicts = (data[key] for key in ("conclusion", "exit_code", "tested", "verdicts"))
        if not isinstance(conclusion, str):
            raise TypeError("conclusion is not text")
        if not isinstance(tested, dict):
            raise TypeError("tested is not an object")
        if not isinstance(verdicts, list) or not all(isinstance(verdict, dict) for verdict in verdicts):
            raise TypeError("verdicts is not a list of objects")
        document = cls(conclusion, ExitCode(code), tested, tuple(map(Verdict.from_dict, verdicts)))
        ids = [verdict.requirement.id for verdict in document.verdicts]
        if len(set(ids)) < len(ids):
            raise ValueError("a requirement has two verdicts")
        return document


def read_json(path: Path) -> dict[str, Any]:
    """Return a JSON document of an evidence folder.

    Raises
    ------
    EvidenceError
        If it cannot be read, is not JSON, or has an unknown version.
    """
    try:
        data = json.loads(read_text(path))
    except OSError as error:
        raise EvidenceError(f"{path}: {error.strerror or error}; {ALLOWED}") from error
    except (ValueError, RecursionError) as error:
        raise EvidenceError(f"{path}: not JSON ({error}); {ALLOWED}") from error
    if not isinstance(data, dict) or "schema" not in data:
        raise EvidenceError(f"{path}: not evidence of lostlink; {ALLOWED}")
    if data["schema"] != SCHEMA or isinstance(data["schema"], bool):
        raise EvidenceError(f"{path}: unknown schema {data['schema']!r}; this version reads schema {SCHEMA}")
    return data


def run_head(
    profile: Profile,
    *,
    profile_file: str | None,
    receiver: str,
    receiver_file: str | None = None,
    rig: str,
    seed: int,
    only: list[str],
    started: dt.datetime,
) -> dict[str, Any]:
    """Return the head of the evidence: what was tested, and with which versions.

    Parameters
    ----------
    receiver : str
        Description of the receiver under test.
    receiver_file : str, optional
        For the digest.
    """
    digest = None if receiver_file is None else hashlib.sha256(Path(receiver_file).read_bytes()).hexdigest()
    return {
        "profile": profile.name,
        "profile_file": profile_file,
        "profile_sha256": profile_digest(profile),
        "receiver": receiver,
        "receiver_sha256": digest,
        "rig": rig,
        "seed": seed,
        "only": only,
        "versions": versions(),
        "date": started.isoformat(timespec="seconds"),
    }


def versions() -> dict[str, str]:
    """Return the versions of the packages that the verdicts depend on."""
    packages = {name: importlib.metadata.version(name) for name in ("numpy", "simpy", "pytest")}
    return {"lostlink": lostlink.__version__, "python": platform.python_version(), **packages}
