"""The folder of a hunt: scenario and text of each finding, a test that replays them, and what was tried."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any, Final

from lostlink.errors import ProfileError
from lostlink.evidence import CAUTIONS
from lostlink.hunt.report import Case, conclusion, sentence, steps, text, tried
from lostlink.hunt.search import Finding, Hunt
from lostlink.hunt.timelines import events

MARK: Final = "hunt.json"
"""Tells a folder of ours from others."""


def fresh_folder(folder: Path) -> Path:
    """Return `folder` made ready; what an earlier hunt left is taken away, anything else of the user's is refused.

    Raises
    ------
    ProfileError
        If the folder is in other use or cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if (folder / MARK).is_file():
            for name in _files(folder):
                (folder / name).unlink(missing_ok=True)
            (folder / MARK).unlink()
        elif any(folder.iterdir()):
            raise ProfileError(
                f"--out {folder}: holds other files; allowed: a new folder, an empty one, or one of an earlier hunt"
            )
        (folder / MARK).write_text(json.dumps({"files": []}) + "\n", encoding="utf-8")
    except OSError as error:
        raise ProfileError(f"--out {folder}: {error.strerror}; allowed: a folder that can be written") from error
    return folder


def _files(folder: Path) -> list[str]:
    """Return the files that an earlier hunt says it wrote, none outside its folder."""
    try:
        said = json.loads((folder / MARK).read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    return [name for name in said if isinstance(name, str) and Path(name).name == name]


def write(found: Hunt, case: Case) -> None:
    """Write scenario, text and test of each finding, and what was tried."""
    from lostlink.profiles import write_scenario

    files = {}
    for finding in found.findings:
        name = finding.broken.requirement_id
        files[f"{name}.scenario.toml"] = write_scenario(
            dataclasses.replace(finding.trace.scenario, name=f"hunt {name}")
        )
        files[f"{name}.txt"] = "\n".join([text(found, finding, case), "", *tried(found), "", *CAUTIONS]) + "\n"
    if found.findings:
        files["test_found.py"] = test_file(found)
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
        "files": sorted(files),
    }
    for name, content in files.items():
        (case.folder / name).write_text(content, encoding="utf-8")
    (case.folder / MARK).write_text(json.dumps(mark, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def _plain(found: Hunt, finding: Finding) -> dict[str, Any]:
    return {
        "requirement": finding.broken.requirement_id,
        "severity": finding.broken.requirement.severity.value,
        "sentence": sentence(found, finding),
        "events": events(found.world, finding.timeline),
        "at_us": finding.broken.at_us,
        "said": finding.broken.said,
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
