"""The folder of a hunt: scenario and text of each finding, a test that replays them, and what was tried."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

from lostlink.evidence.folder import EvidenceFolder, write_files
from lostlink.hunt.description import Case, conclusion, sentence, steps, text, tried
from lostlink.hunt.search import Finding, Hunt
from lostlink.hunt.timelines import events
from lostlink.profiles import write_scenario
from lostlink.results import CAUTIONS

HUNT_FILE: Final = "hunt.json"
"""Earlier evidence of a hunt is recognised by it."""


def prepare(out: str, inputs: Iterable[str | Path]) -> EvidenceFolder:
    """Return the folder, ready for a hunt.

    Parameters
    ----------
    inputs : iterable of path
        Files that the command reads.

    Raises
    ------
    UsageError
        If it is in other use or cannot be written.
    """
    folder = EvidenceFolder(out, HUNT_FILE, inputs=inputs)
    write_files(folder.path, {HUNT_FILE: _json({"schema": 1, "files": []})})
    return folder


def files(found: Hunt, case: Case) -> dict[str, str]:
    """Return scenario, text and test of each finding, and what was tried, by file name."""
    texts = {}
    for finding in found.findings:
        name = finding.broken.requirement_id
        texts[f"{name}.scenario.toml"] = write_scenario(
            dataclasses.replace(finding.trace.scenario, name=f"hunt {name}")
        )
        texts[f"{name}.txt"] = "\n".join([text(found, finding, case), "", *tried(found), "", *CAUTIONS]) + "\n"
    if found.findings:
        texts["test_found.py"] = test_file(found)
    said = found.tried
    mark: dict[str, Any] = {
        "schema": 1,
        "conclusion": conclusion(found),
        "exit_code": found.exit_code,
        "cautions": list(CAUTIONS),
        "profile": case.profile,
        "receiver": case.receiver,
        "seed": found.seed,
        "runs": said.runs,
        "simulated_s": said.simulated_us / 1_000_000,
        "kinds": dict(sorted(said.kinds.items())),
        "most_events": said.most_events,
        "longest_s": said.longest_us / 1_000_000,
        "not_tried": list(found.world.left_out),
        "findings": [_plain(found, finding) for finding in found.findings],
        "files": sorted(texts),
    }
    return {**texts, HUNT_FILE: _json(mark)}


def _json(data: dict[str, Any]) -> str:
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"


def _plain(found: Hunt, finding: Finding) -> dict[str, Any]:
    return {
        "requirement": finding.broken.requirement_id,
        "severity": finding.broken.requirement.severity.value,
        "sentence": sentence(found, finding),
        "events": events(found.world, finding.timeline),
        "at_us": finding.broken.at_us,
        "said": finding.broken.message,
        "also": [other.requirement_id for other in finding.also],
        "timeline": [line.strip() for line in steps(found, finding)],
    }


_TEST_HEAD: Final = '''"""Timelines that lostlink hunt found; each test runs one again and judges it by the same rules.

pytest test_found.py --lostlink-profile FILE --lostlink-receiver FILE.py:NAME
pytest test_found.py --lostlink-profile FILE --lostlink-rig serial:PORT --lostlink-props-off
lostlink prove FILE --tests test_found.py

Whenever hardware is connected: propellers off, flight battery disconnected, model restrained.
"""

from pathlib import Path

from lostlink.hunt import replayed
from lostlink.requirements import requirement

HERE = Path(__file__).parent
'''


def test_file(found: Hunt) -> str:
    """Return a test file that replays all findings."""
    parts = [_TEST_HEAD]
    for finding in found.findings:
        required = finding.broken.requirement
        name = required.id.lower().replace("-", "_")
        arguments = (f"FOUND-{required.id}", required.severity.value, required.sentence, required.fault)
        words = ",\n    ".join(json.dumps(word, ensure_ascii=False) for word in arguments)
        said = sentence(found, finding).replace("\\", "\\\\").replace('"', "'")
        parts.append(
            f"\n\n@requirement(\n    {words},\n)\ndef test_found_{name}(rig, judge):\n"
            f'    """{said}"""\n    replayed(rig, judge, HERE / "{required.id}.scenario.toml")\n'
        )
    return "".join(parts)
