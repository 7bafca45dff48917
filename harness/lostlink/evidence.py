"""The evidence folder: what was tested, how, and what came of it, for people and for programs.

``verdicts.json`` (the schema is `VERDICTS_SCHEMA`), ``junit.xml`` (by pytest), ``summary.md``, ``profile.toml``
(every value that was in force), ``report.html`` and what its charts are drawn from (``runs/``, see
`lostlink.report.keep`), and under ``failing/`` for each requirement that failed the run that shows it, as
``.csv``, ``.vcd`` and ``.scenario.toml``, and what was found, as ``.txt``.
"""

from __future__ import annotations

import datetime as dt
import importlib.metadata
import json
import platform
import shutil
from pathlib import Path
from typing import Any, Final

import lostlink
from lostlink.errors import ProfileError
from lostlink.prove import Result, conclusion
from lostlink.verdicts import Outcome, Severity
from lostlink_sims import Profile

CAUTIONS: Final = (
    "Propellers off, flight battery disconnected, model restrained whenever hardware is connected.",
    "Keep to the radio and aviation rules where you are, and to the practice of those licensed for it.",
    "Requirements that are met say nothing about whether a model is safe to fly.",
)

OUTCOME_WORDS: Final = [outcome.value for outcome in Outcome]

_TEXT: Final = {"type": "string"}
VERDICTS_SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "lostlink verdicts",
    "type": "object",
    "required": ["schema", "conclusion", "exit_code", "tested", "verdicts"],
    "additionalProperties": False,
    "properties": {
        "schema": {"const": 1, "description": "Version of this layout."},
        "conclusion": {**_TEXT, "description": "The outcome in one sentence."},
        "exit_code": {"enum": [0, 1, 2, 3, 4, 130]},
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
                    "description": "What the rig says of itself: board, line, clock, lateness, void runs.",
                },
                "seed": {"type": "integer"},
                "only": {"type": "array", "items": _TEXT, "description": "Ids asked for; empty is all."},
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
                    "sentence": {**_TEXT, "description": "What is required."},
                    "fault": {**_TEXT, "description": "What it means when it is not met."},
                    "outcome": {"enum": OUTCOME_WORDS},
                    "measured": {**_TEXT, "description": "The result closest to, or beyond, its limit."},
                    "limit": _TEXT,
                    "how_seen": _TEXT,
                    "runs": {"type": "integer", "description": "Scenarios run."},
                    "checks": {"type": "integer", "description": "Measurements judged."},
                    "reason": _TEXT,
                    "replay": {**_TEXT, "description": "The command that does it again."},
                    "value": {"type": "number", "description": "The measured result as a number, in its unit."},
                    "uncertainty": {"type": "number", "description": "Half-width, in the same unit."},
                    "unit": _TEXT,
                },
            },
        },
    },
}


def versions() -> dict[str, str]:
    """Return the versions of what the verdicts rest on."""
    names = ("numpy", "simpy", "pytest")
    found = {name: importlib.metadata.version(name) for name in names}
    return {"lostlink": lostlink.__version__, "python": platform.python_version(), **found}


def _whose(rig: str) -> str:
    """Say what is tested when no receiver was named."""
    if rig == "sim":
        return "reference receiver"
    return f"the {'image' if rig.startswith('emulated') else 'board'}'s firmware"


def tested(
    profile: Profile,
    *,
    profile_file: str | None,
    receiver: str | None,
    rig: str,
    seed: int,
    only: list[str],
    started: dt.datetime,
) -> dict[str, Any]:
    """Return what was tested, for the head of the evidence."""
    import hashlib

    from lostlink.profiles import profile_digest
    from lostlink.rigs.firmware import is_library

    receiver_sha256 = None
    if receiver is not None:
        file = receiver if is_library(receiver) else receiver.rpartition(":")[0]
        if file:  # one that a package adds is known by its name
            receiver_sha256 = hashlib.sha256(Path(file).read_bytes()).hexdigest()
    return {
        "profile": profile.name,
        "profile_file": profile_file,
        "profile_sha256": profile_digest(profile),
        "receiver": receiver or (_whose(rig)),
        "receiver_sha256": receiver_sha256,
        "rig": rig,
        "seed": seed,
        "only": only,
        "versions": versions(),
        "date": started.isoformat(timespec="seconds"),
    }


def write_evidence(
    folder: Path,
    profile: Profile,
    result: Result,
    head: dict[str, Any],
    *,
    said: str | None = None,
    exit_code: int | None = None,
) -> None:
    """Write the evidence of a run into `folder`; ``junit.xml`` and failing runs are there already.

    Parameters
    ----------
    said, exit_code : optional
        In place of what follows from the verdicts.
    """
    from lostlink.profiles import write_profile

    document = {
        "schema": 1,
        "conclusion": conclusion(result) if said is None else said,
        "exit_code": result.exit_code if exit_code is None else exit_code,
        "cautions": list(CAUTIONS),
        "tested": head,
        "verdicts": [verdict.as_dict() for verdict in result.verdicts],
    }
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    (folder / "verdicts.json").write_text(text, encoding="utf-8")
    (folder / "summary.md").write_text(summary(result, head, said), encoding="utf-8")
    (folder / "profile.toml").write_text(write_profile(profile), encoding="utf-8")
    for requirement_id, found in result.findings.items():
        (folder / "failing").mkdir(exist_ok=True)
        (folder / "failing" / f"{requirement_id}.txt").write_text(found + "\n", encoding="utf-8")


def fresh_folder(folder: Path) -> Path:
    """Return `folder` made ready for new evidence.

    What an earlier run left there is taken away. A folder that holds anything else is refused, so that nothing
    of the user's is ever written over.

    Raises
    ------
    ProfileError
        If the folder is in other use.
    OSError
        If it cannot be made or written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()) and not _is_evidence(folder):
        raise ProfileError(
            f"--out {folder}: holds other files; allowed: a new folder, an empty one, or one with earlier evidence"
        )
    for name in (
        "verdicts.json",
        "summary.md",
        "report.html",
        "profile.toml",
        "junit.xml",
        "rows.csv",
        "attempts.csv",
        "frames.csv",
        "campaign.json",
        "tallies.jsonl",
    ):
        (folder / name).unlink(missing_ok=True)
    for name in ("failing", "worst", "runs"):
        shutil.rmtree(folder / name, ignore_errors=True)
    return folder


def _is_evidence(folder: Path) -> bool:
    try:
        document = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(document, dict) and {"schema", "conclusion", "verdicts"} <= set(document)


def summary(result: Result, head: dict[str, Any], said: str | None = None) -> str:
    """Return the evidence as Markdown, fit for the summary of a job in continuous integration."""
    lines = ["# Link verdicts", "", f"**{conclusion(result) if said is None else said}**", ""]
    lines += [
        f"Profile **{head['profile']}** ({head['profile_sha256'][:12]}), receiver {head['receiver']}, "
        f"rig {head['rig']}, seed {head['seed']}, {head['date']}, lostlink {head['versions']['lostlink']}.",
        "",
        "| | requirement | verdict | measured | limit |",
        "|---|---|---|---|---|",
    ]
    if result.rig:
        lines[-2:-2] = [*(f"- {name}: {said}" for name, said in result.rig.items()), ""]
    for severity in Severity:
        for verdict in result.verdicts:
            if verdict.requirement.severity is severity:
                said = verdict.measured or verdict.reason
                mark = verdict.outcome.value
                if verdict.outcome is not Outcome.MET:
                    mark = f"**{mark}**"
                cells = (verdict.requirement.id, verdict.requirement.sentence, mark, said, verdict.limit)
                lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    for requirement_id, found in result.findings.items():
        lines += ["", f"## {requirement_id}", "", "```text", found, "```"]
    lines += ["", *(f"- {caution}" for caution in CAUTIONS)]
    return "\n".join(lines) + "\n"
