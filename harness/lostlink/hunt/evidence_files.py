"""The folder of a hunt: scenario and text of each finding, a test that replays them, and the coverage."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from lostlink.evidence.folder import EvidenceFolder, write_files
from lostlink.hunt.description import Case, conclusion, coverage_lines, sentence, steps, text
from lostlink.hunt.search import Finding, Hunt
from lostlink.hunt.timelines import events
from lostlink.profiles import write_scenario
from lostlink.results import CAUTIONS
from lostlink.verdicts import Side

HUNT_FILE: Final = "hunt.json"
"""Marks a folder as evidence of a hunt."""


def prepare(out: str, inputs: Iterable[str | Path | None]) -> EvidenceFolder:
    """Return the folder, prepared for a hunt; `inputs` are the files that the command reads.

    Raises
    ------
    UsageError
        If it is in other use or cannot be written.
    """
    folder = EvidenceFolder(out, HUNT_FILE, inputs=inputs)
    write_files(folder.path, {HUNT_FILE: _json({"schema": 1, "files": []})})
    return folder


def files(result: Hunt, case: Case) -> dict[str, str]:
    """Return scenario, text and test of each finding, and the coverage, by file name."""
    texts = {}
    for finding in result.findings:
        name = finding.broken.requirement_id
        texts[f"{name}.scenario.toml"] = write_scenario(
            dataclasses.replace(finding.trace.scenario, name=f"hunt {name}")
        )
        texts[f"{name}.txt"] = (
            "\n".join([text(result, finding, case), "", *coverage_lines(result), "", *CAUTIONS]) + "\n"
        )
    if result.findings:
        texts["test_found.py"] = test_file(result)
    coverage = result.coverage
    document: dict[str, Any] = {
        "schema": 1,
        "conclusion": conclusion(result),
        "exit_code": result.exit_code,
        "cautions": list(CAUTIONS),
        "profile": case.profile,
        "receiver": case.receiver,
        "handset": case.handset,
        "seed": result.seed,
        "runs": coverage.runs,
        "simulated_s": coverage.simulated_us / 1_000_000,
        "kinds": dict(sorted(coverage.kinds.items())),
        "most_events": coverage.most_events,
        "longest_s": coverage.longest_us / 1_000_000,
        "not_tried": list(result.world.left_out),
        "findings": [_plain(result, finding) for finding in result.findings],
        "files": sorted(texts),
    }
    return {**texts, HUNT_FILE: _json(document)}


def _json(data: dict[str, Any]) -> str:
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _plain(result: Hunt, finding: Finding) -> dict[str, Any]:
    return {
        "requirement": finding.broken.requirement_id,
        "severity": finding.broken.requirement.severity.value,
        "sentence": sentence(result, finding),
        "events": events(result.world, finding.timeline),
        "at_us": finding.broken.at_us,
        "said": finding.broken.message,
        "also": [other.requirement_id for other in finding.also],
        "timeline": [line.strip() for line in steps(result, finding)],
    }


_TEST_HEAD: Final = '''"""Timelines that lostlink hunt found; each test replays one and checks the same invariants.

pytest test_found.py --lostlink-profile FILE --lostlink-receiver FILE.py:NAME
pytest test_found.py --lostlink-profile FILE --lostlink-handset FILE.py:NAME
pytest test_found.py --lostlink-profile FILE --lostlink-rig serial:PORT --lostlink-props-off
lostlink prove FILE --tests test_found.py

Whenever hardware is connected: propellers off, flight battery disconnected, model restrained.
"""

from pathlib import Path

from lostlink.hunt import replayed
from lostlink.requirements import requirement

HERE = Path(__file__).parent
'''


def test_file(result: Hunt) -> str:
    """Return a test file that replays all findings."""
    parts = [_TEST_HEAD]
    for finding in result.findings:
        required = finding.broken.requirement
        name = required.id.lower().replace("-", "_")
        arguments = (f"FOUND-{required.id}", required.severity.value, required.sentence, required.fault)
        lines = ",\n    ".join(json.dumps(argument, ensure_ascii=False) for argument in arguments)
        side = "" if required.side is Side.RECEIVER else f', side="{required.side.value}"'
        docstring = sentence(result, finding).replace("\\", "\\\\").replace('"', "'")
        parts.append(
            f"\n\n@requirement(\n    {lines},\n)\ndef test_found_{name}(rig, judge):\n"
            f'    """{docstring}"""\n    replayed(rig, judge, HERE / "{required.id}.scenario.toml"{side})\n'
        )
    return "".join(parts)
