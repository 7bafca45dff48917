"""Pulse trains that a logic analyser recorded: read, recognised, measured, judged.

The way of a capture, file by file: `files` (what is it?) → `vcd_reader` or `csv_reader` → `signals` (edges of
wires, in picoseconds) → `ticks` (how well is an instant known?) → `train` (polarity, frames, style) → `spans`
(silence, failsafe) → `wire` (what the profile's flight controller makes of it) → `judgement` (verdicts) →
`report` (what a person sees). `command` is the command line.

Nothing is imported here: the command line waits for numpy until it is needed.
"""
