"""Writes the run that decided a requirement, ``runs/ID.json``, in the layout of version `RUN_SCHEMA`.

Integer columns are written as differences (`packed`): the first value, then the step to each next one, equal steps as
``[step, times]``. That takes a few bytes for constant intervals, and about five bytes per packet of a real link.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from lostlink.evidence.timeline import changes
from lostlink.measure import failsafe
from lostlink.verdicts import Limit, Measurement
from lostlink_sims import Trace
from lostlink_sims.arrays import Ints
from lostlink_sims.frames import NEVER
from lostlink_sims.scenario import FlappingLink, LastingFault

RUN_SCHEMA: Final = 1
MOST_EVENTS: Final = 400
"""Changes that are kept as text; of more, those nearest to the moment of interest."""

Packed = list[int | list[int]]


@dataclass(frozen=True, slots=True)
class JudgedMeasurement:
    """A measurement and its limit."""

    measurement: Measurement
    limit: Limit


def packed(values: Ints) -> Packed:
    """Return a column as its first value and steps, equal steps in a row as ``[step, times]``."""
    if not len(values):
        return []
    steps = np.diff(values)
    if not len(steps):
        return [int(values[0])]
    begins = np.flatnonzero(np.concatenate([[True], steps[1:] != steps[:-1]]))
    times = np.diff(np.concatenate([begins, [len(steps)]]))
    result: Packed = [int(values[0])]
    for step, many in zip(steps[begins].tolist(), times.tolist(), strict=True):
        result.append([step, many] if many > 1 else step)
    return result


def file_name(requirement_id: str) -> str:
    """Return the name of the file of a requirement; ids of the user's tests may contain any character."""
    return re.sub(r"[^A-Za-z0-9_-]", "_", requirement_id)[:80] + ".json"


def save(
    folder: Path,
    requirement_id: str,
    trace: Trace,
    judged: JudgedMeasurement | None = None,
    *,
    cut_us: int | None = None,
) -> Path:
    """Write the run of a requirement into `folder` and return the file.

    Parameters
    ----------
    folder : Path
        ``runs`` in the evidence folder; created if missing.
    judged : JudgedMeasurement, optional
        Its decisive measurement, if any.
    cut_us : int, optional
        When the throttle was cut, where no fault of the scenario tells.
    """
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / file_name(requirement_id)
    data = as_data(requirement_id, trace, judged)
    if cut_us is not None:
        data |= {"cut_us": cut_us, "events": _events(trace, cut_us)}
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    file.write_text(text + "\n", encoding="utf-8", errors="replace")
    return file


def as_data(requirement_id: str, trace: Trace, judged: JudgedMeasurement | None = None) -> dict[str, Any]:
    """Return a run as plain data.

    ``packets.delay_us`` is the delay after ``left_us``, -1 for a lost packet. ``frames.widths_us`` has a column per
    channel, -1 where a frame has fewer; ``frames.cut_short`` is [frame, instant] where the output stopped during it.
    ``failsafe``, ``motor`` and ``arming`` are [instants, values].
    """
    profile, scenario = trace.profile, trace.scenario
    roles = {profile.throttle_index: "throttle", profile.arm_index: "arm"}
    outputs = max([profile.output.channels, *trace.frames.count.tolist()])
    named = [channel.name for channel in profile.channels]
    faults = _faults(trace)
    moment_us = judged.measurement.at_us if judged and judged.measurement.at_us is not None else scenario.duration_us
    return {
        "schema": RUN_SCHEMA,
        "id": requirement_id,
        "scenario": {"name": scenario.name, "seed": scenario.seed, "trial": scenario.trial},
        "duration_us": scenario.duration_us,
        "how_seen": trace.how_seen.value,
        "uncertainty_us": trace.uncertainty_us,
        "span_uncertainty_us": trace.span_uncertainty_us,
        "doubt": trace.doubt,
        "crash": trace.crash,
        "judged": None if judged is None else _judged(judged),
        "faults": faults,
        "cut_us": _cut_us(trace, faults, moment_us),
        "idle_below_us": profile.requirements.idle_below_us,
        "separator_us": profile.output.separator_us,
        "polarity": profile.output.polarity,
        "channels": [
            {"name": named[i] if i < len(named) else f"output {i + 1}", "role": roles.get(i, "")}
            for i in range(outputs)
        ],
        **_columns(trace, outputs),
        "events": _events(trace, moment_us),
    }


def _columns(trace: Trace, outputs: int) -> dict[str, Any]:
    packets, frames = trace.packets, trace.frames
    cut_short = np.flatnonzero(frames.until_us != NEVER).tolist()
    return {
        "packets": {
            "left_us": packed(packets.left_us),
            "delay_us": packed(np.where(packets.lost, -1, packets.arrived_us - packets.left_us)),
            "fate": packed(packets.fate.astype(np.int64)),
            "fates": list(trace.fates),
        },
        "frames": {
            "start_us": packed(frames.start_us),
            "widths_us": [packed(column) for column in frames.table(outputs).T],
            "cut_short": [[frame, int(frames.until_us[frame])] for frame in cut_short],
        },
        **{
            name: [packed(steps.at_us), packed(steps.value)]
            for name, steps in (("failsafe", trace.failsafe), ("motor", trace.motor), ("arming", trace.arming))
        },
    }


def _judged(judged: JudgedMeasurement) -> dict[str, Any]:
    measurement = judged.measurement
    return {
        "name": measurement.name,
        "measured": str(measurement),
        "limit": str(judged.limit),
        "value": float(measurement.value) if math.isfinite(measurement.value) else None,
        "unit": measurement.unit,
        "uncertainty": float(measurement.uncertainty),
        "only_at_least": measurement.only_at_least,
        "at_us": measurement.at_us,
        "since_us": measurement.since_us,
        "at_most": judged.limit.at_most,
        "at_least": judged.limit.at_least,
        "outcome": judged.limit.decide(measurement).value,
    }


def _faults(trace: Trace) -> list[dict[str, Any]]:
    faults = []
    for fault in trace.scenario.faults:
        ends = fault.until_us(trace.scenario.duration_us) if isinstance(fault, LastingFault) else None
        note = "comes and goes" if isinstance(fault, FlappingLink) else ""
        faults.append({"name": type(fault).name, "at_us": fault.at_us, "until_us": ends, "note": note})
    return sorted(faults, key=lambda fault: fault["at_us"])


def _cut_us(trace: Trace, faults: list[dict[str, Any]], moment_us: int) -> int | None:
    """Return when the throttle was cut after the last fault before the moment; None if it was not up, or not cut."""
    struck_us = max((fault["at_us"] for fault in faults if fault["at_us"] <= moment_us), default=None)
    if struck_us is None:
        return None
    period_us = trace.profile.output.frame_period_us
    up = failsafe.widest_throttle(trace, struck_us - 3 * period_us, struck_us)
    if up.value <= trace.profile.requirements.idle_below_us:
        return None
    cut = failsafe.time_to_cut(trace, struck_us)
    return None if cut.only_at_least else struck_us + round(cut.value)


def _events(trace: Trace, moment_us: int) -> list[list[Any]]:
    """Return the changes as [instant, text]; of too many, those nearest to the moment."""
    lines = changes(trace, 0, trace.scenario.duration_us + 1)
    if len(lines) > MOST_EVENTS:
        nearest = sorted(lines, key=lambda line: abs(line.at_us - moment_us))[:MOST_EVENTS]
        lines = sorted(nearest, key=lambda line: line.at_us)
    return [[line.at_us, line.what] for line in lines]
