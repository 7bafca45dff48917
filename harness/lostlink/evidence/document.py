"""``verdicts.json``, the document of every evidence folder: written and read here.

The layout is `VERDICTS_SCHEMA`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import importlib.metadata
import json
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import lostlink
from lostlink.errors import ExitCode
from lostlink.evidence.schemas import SCHEMA
from lostlink.profiles import profile_digest
from lostlink.results import CAUTIONS
from lostlink.verdicts import Verdict
from lostlink_sims import Profile

FILE: Final = "verdicts.json"
CAMPAIGN_FILE: Final = "campaign.json"


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
        """Return the document in `data`, which is valid by `VERDICTS_SCHEMA`.

        Raises
        ------
        ValueError
            If a requirement has two verdicts.
        """
        verdicts = tuple(map(Verdict.from_dict, data["verdicts"]))
        if len({verdict.requirement.id for verdict in verdicts}) < len(verdicts):
            raise ValueError("a requirement has two verdicts")
        return cls(data["conclusion"], ExitCode(data["exit_code"]), data["tested"], verdicts)


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
    handset: str | None = None,
    handset_file: str | None = None,
    proves: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the head of the evidence: what was tested, and with which versions.

    Parameters
    ----------
    receiver : str
        Description of the receiver under test.
    receiver_file : str, optional
        For the digest.
    handset, handset_file : str, optional
        The same of a handset under test.
    proves : sequence of str
        Sides of the link that are under test, if not the receiver's alone.
    """
    of_handset = {}
    if handset is not None:
        of_handset = {"handset": handset, "handset_sha256": file_digest(handset_file), "proves": list(proves)}
    return {
        "profile": profile.name,
        "profile_file": profile_file,
        "profile_sha256": profile_digest(profile),
        "receiver": receiver,
        "receiver_sha256": file_digest(receiver_file),
        **of_handset,
        "rig": rig,
        "seed": seed,
        "only": only,
        "versions": versions(),
        "date": started.isoformat(timespec="seconds"),
    }


def file_digest(file: str | None) -> str | None:
    """Return the SHA-256 of a file; None for none."""
    return None if file is None else hashlib.sha256(Path(file).read_bytes()).hexdigest()


def versions() -> dict[str, str]:
    """Return the versions of the packages that the verdicts depend on."""
    packages = {name: importlib.metadata.version(name) for name in ("numpy", "simpy", "pytest")}
    return {"lostlink": lostlink.__version__, "python": platform.python_version(), **packages}
