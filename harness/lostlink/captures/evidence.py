"""The evidence of a capture: verdicts, frames as CSV, and a report with the train as the flight controller saw it."""

from __future__ import annotations

import datetime as dt
import hashlib
from pathlib import Path

from lostlink import evidence
from lostlink.captures.judgement import Findings, conclusion
from lostlink.captures.report import csv_text
from lostlink.captures.signals import Capture
from lostlink.errors import CaptureError
from lostlink.prove import Result
from lostlink.report import keep, write_report
from lostlink_sims import Profile, Trace


def write(
    out: str, recording: Capture, found: Findings, profile: Profile, profile_file: str | None, trace: Trace
) -> Path:
    """Write the evidence into a folder and return it.

    Raises
    ------
    CaptureError
        If the folder cannot be written.
    ProfileError
        If it is in other use.
    """
    started = dt.datetime.now(dt.UTC)
    head = evidence.tested(
        profile, profile_file=profile_file, receiver=None, rig="capture", seed=0, only=[], started=started
    )
    digest = hashlib.sha256(Path(recording.source).read_bytes()).hexdigest()
    head["receiver"] = "what put the pulses out"
    head["bench"] = {"capture": f"{Path(recording.source).name}, sha256 {digest}"}
    result = Result(verdicts=found.verdicts, rig=head["bench"])
    try:
        folder = evidence.fresh_folder(Path(out))
        evidence.write_evidence(folder, profile, result, head, said=conclusion(found), exit_code=found.exit_code)
        (folder / "frames.csv").write_text(csv_text(recording, found.train), encoding="utf-8")
        for verdict in found.verdicts:
            keep.save(folder / "runs", verdict.requirement.id, trace)
        write_report(folder)
    except OSError as error:
        raise CaptureError(f"--out {out}: {error.strerror}; allowed: a folder that can be written") from error
    return folder
