"""Pulse trains recorded by a logic analyser: read, recognised, measured, judged.

A capture passes through the modules in this order: `files` (detects the format) → `vcd_reader`, `csv_reader` (whole
`blocks` at once where they can) → `signals` (edges in picoseconds) → `recognise` (glitches, polarity, frames;
`resolution` detects the sample period, `regroup` puts frames together in which pulses are missing) → `train` (the pulse
train) → `events` (silences, possible failsafes), `pulse_faults` (missing and additional pulses) → `judging` (verdicts).
`wording`, `strips`, `to_trace`, `frames_csv` and `evidence_files` are the output.
"""

__all__ = [
    "events", "evidence_files", "files", "frames_csv", "judging", "pulse_faults", "recognise", "regroup", "resolution",
    "signals", "strips", "to_trace", "train", "wording",
]  # fmt: skip
