"""The evidence of a capture: its head, what it shows in words (``capture.json``), and the decoded train."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path
from typing import Any, Final

from lostlink.captures import strips, wording
from lostlink.captures.events import SteadyState
from lostlink.captures.judging import Findings
from lostlink.captures.signals import PS_PER_US, Capture
from lostlink.errors import CaptureError
from lostlink.evidence import run_writer
from lostlink.evidence.document import run_head
from lostlink.verdicts import Outcome, quantity
from lostlink_sims import Profile, Trace

FILE: Final = "capture.json"
MOST_EVENTS: Final = 400
"""Most events that are kept as text."""
_CELLS: Final = {"type": "array", "items": {"type": "string"}}
SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "required": ["schema", "about", "strips", "legend", "channels", "events", "motors"],
    "properties": {
        **{name: {"type": "array", "items": {**_CELLS, "minItems": 2, "maxItems": 2}} for name in ("about", "events")},
        "channels": {"type": "array", "minItems": 1, "items": {**_CELLS, "minItems": 1}},
        "strips": _CELLS,
        "legend": {"type": "string"},
        "motors": {"type": "string"},
    },
}
"""Layout of ``capture.json``."""


def capture_head(
    recording: Capture, profile: Profile, profile_file: str | None, started: dt.datetime
) -> dict[str, Any]:
    """Return the head of the evidence: what was tested."""
    source = Path(recording.source)
    try:
        with source.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise CaptureError(f"{source}: {error.strerror or error}") from error
    head = run_head(
        profile, profile_file=profile_file, receiver="the source of the pulses", rig="capture", seed=0, only=[],
        started=started,
    )  # fmt: skip
    head["bench"] = {"capture": f"{source.name}, sha256 {digest}"}
    return head


def capture_text(recording: Capture, found: Findings, profile: Profile, trace: Trace) -> str:
    """Return what the command shows of a capture as JSON: sampling, shape, strips, channels and events."""
    train = found.train
    period, uncertainty = wording.sampling(train)
    rows = strips.picture(recording, found, profile)
    head, channels = wording.channel_table(found, profile)
    events = [[strips.clock_time(recording, at_ps), f"{text}."] for at_ps, text in wording.events(found, trace)]
    if len(events) > MOST_EVENTS:
        half = MOST_EVENTS // 2
        events[half:-half] = [["…", f"{len(events) - 2 * half} more events, left out here."]]
    shown = {
        "schema": 1,
        "about": [
            ["file", f"{recording.form}, signal {train.signal.name}, {len(train.signal.at_ps)} edges in "
             f"{quantity(train.end_ps / PS_PER_US, 'µs')}"],
            ["sample period", period],
            ["uncertainty", f"of a time between two edges {uncertainty}"],
            *(["shape" if not number else "", line] for number, line in enumerate(wording.shape(train))),
            *(["note", note] for note in wording.notes(recording, found)),
        ],
        "strips": rows,
        "legend": strips.legend(rows),
        "channels": [head, *channels],
        "events": events,
        "motors": wording.MOTORS,
    }  # fmt: skip
    return json.dumps(shown, ensure_ascii=False, indent=1) + "\n"


def write_runs(folder: Path, found: Findings, trace: Trace) -> None:
    """Write the train as the run of each requirement that was judged, with the first cut by a failsafe."""
    cut_us = next((steady.from_ps // PS_PER_US for steady in found.failsafes if _cuts(steady, found, trace)), None)
    for verdict in found.verdicts:
        if verdict.outcome is not Outcome.NOT_TESTED:
            run_writer.save(folder / "runs", verdict.requirement.id, trace, cut_us=cut_us)


def _cuts(steady: SteadyState, found: Findings, trace: Trace) -> bool:
    """Return whether the throttle was above idle before a failsafe, and is not in it."""
    index, idle_ps = trace.profile.throttle_index, trace.profile.requirements.idle_below_us * PS_PER_US
    if index >= found.train.channels or not steady.first:
        return False
    before, after = found.train.widths_ps[[steady.first - 1, steady.first], index].tolist()
    return bool(before > idle_ps >= after)
