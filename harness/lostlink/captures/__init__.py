"""Pulse trains recorded by a logic analyser: read, recognised, measured, judged.

In this order: ``files`` (which format?) → ``vcd_reader`` or ``csv_reader`` → ``signals`` (edges, in picoseconds) →
``resolution`` (sample period) → ``recognise`` and ``train`` (polarity, frames, style) → ``events`` (silences,
failsafes) → ``to_trace`` (the profile's flight controller) → ``judging`` (verdicts) → ``evidence_files``.
"""

__all__ = [
    "events", "evidence_files", "files", "frames_csv", "judging", "recognise", "resolution", "signals", "to_trace",
    "train",
]  # fmt: skip
