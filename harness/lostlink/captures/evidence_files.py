"""The evidence of a capture: its head, and the decoded train for the report."""

from __future__ import annotations

import datetime as dt
import hashlib
from pathlib import Path
from typing import Any

from lostlink.captures.judging import Findings
from lostlink.captures.signals import Capture
from lostlink.errors import CaptureError
from lostlink.evidence import run_writer
from lostlink.evidence.document import run_head
from lostlink_sims import Profile, Trace


def capture_head(
    recording: Capture, profile: Profile, profile_file: str | None, started: dt.datetime
) -> dict[str, Any]:
    """Return the head of the evidence: what was tested."""
    source = Path(recording.source)
    try:
        digest = hashlib.sha256(source.read_bytes()).hexdigest()
    except OSError as error:
        raise CaptureError(f"{source}: {error.strerror or error}") from error
    head = run_head(
        profile, profile_file=profile_file, receiver="the source of the pulses", rig="capture", seed=0, only=[],
        started=started,
    )  # fmt: skip
    head["bench"] = {"capture": f"{source.name}, sha256 {digest}"}
    return head


def write_runs(folder: Path, found: Findings, trace: Trace) -> None:
    """Write the train as the run of each requirement that was judged."""
    for verdict in found.verdicts:
        run_writer.save(folder / "runs", verdict.requirement.id, trace)
