"""Pulse trains recorded by a logic analyser: read, recognised, measured, judged.

A capture passes through the modules in this order: `files` (detects the format) → `vcd_reader`, `csv_reader` →
`signals` (edges in picoseconds) → `recognise` (glitches, polarity, frames; `resolution` detects the sample period) →
`train` (the pulse train) → `events` (silences, possible failsafes) → `judging` (verdicts). `to_trace`, `frames_csv`
and `evidence_files` are the output.
"""

__all__ = [
    "events", "evidence_files", "files", "frames_csv", "judging", "recognise", "resolution", "signals", "to_trace",
    "train",
]  # fmt: skip
