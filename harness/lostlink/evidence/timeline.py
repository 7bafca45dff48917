"""A run as text: the changes around an instant, one per line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lostlink.measure.failsafe import throttle_pulses
from lostlink_sims import Trace
from lostlink_sims.flight import Arming

MOST_LINES = 24
_BLOCKS = 48


@dataclass(frozen=True, slots=True)
class Line:
    """One change."""

    at_us: int
    what: str


def seconds(at_us: int) -> str:
    """Return an instant in seconds, to the microsecond."""
    return f"{at_us / 1_000_000:.6f} s"


def changes(trace: Trace, from_us: int, until_us: int) -> list[Line]:
    """Return the changes in a time span, in order."""
    lines = [Line(note.at_us, note.text) for note in trace.notes]
    lines += _failsafe(trace) + _motor(trace) + _throttle(trace) + _packets(trace)
    return sorted((line for line in lines if from_us <= line.at_us < until_us), key=lambda line: line.at_us)


def _failsafe(trace: Trace) -> list[Line]:
    """Return the changes of the flag; a boot records it again."""
    at_us, value = trace.failsafe.at_us, trace.failsafe.value
    changed = np.concatenate([[True], np.diff(value) != 0])[: len(value)]
    return [
        Line(at, "receiver says failsafe" if is_on else "receiver says linked")
        for at, is_on in zip(at_us[changed].tolist(), value[changed].tolist(), strict=True)
    ]


def _motor(trace: Trace) -> list[Line]:
    lines, last_command, last_arming = [], 0, int(Arming.LOCKED)
    columns = (trace.motor.at_us.tolist(), trace.motor.value.tolist(), trace.arming.value.tolist())
    for at_us, command, arming in zip(*columns, strict=True):
        if arming != last_arming:
            lines.append(Line(at_us, f"flight controller {Arming(arming).name.lower()}"))
        if command != last_command:
            lines.append(Line(at_us, f"motors {command / 10:g} %" if command else "motors at rest"))
        last_command, last_arming = command, arming
    return lines


def _throttle(trace: Trace) -> list[Line]:
    at_us, width_us = throttle_pulses(trace)
    if not len(at_us):
        return [Line(0, "no throttle pulse in the whole run")]
    first = np.concatenate([[True], np.diff(width_us) != 0])
    lines = [
        Line(at, f"throttle pulse {width} µs")
        for at, width in zip(at_us[first].tolist(), width_us[first].tolist(), strict=True)
    ]
    if trace.scenario.duration_us - int(at_us[-1]) > 2 * trace.profile.output.frame_period_us:
        lines.append(Line(int(at_us[-1]), "last throttle pulse"))
    return lines


def _packets(trace: Trace) -> list[Line]:
    """Return where at least three consecutive lost packets begin and end."""
    lost = trace.packets.lost
    change = np.flatnonzero(np.diff(np.concatenate([[False], lost, [False]]).astype(np.int8)))
    lines = []
    for begin, end in change.reshape(-1, 2).tolist():
        if end - begin < 3:
            continue
        fate = trace.fates[int(trace.packets.fate[begin])]
        lines.append(Line(int(trace.packets.left_us[begin]), f"packets lost from here: {end - begin} ({fate})"))
        if end < len(lost):
            lines.append(Line(int(trace.packets.arrived_us[end]), "packets arrive again"))
    return lines


def picture(trace: Trace, from_us: int, until_us: int) -> list[str]:
    """Return a picture of a time span: packets, throttle pulses and motors, a line each."""
    span_us = max(1, until_us - from_us)
    edges = from_us + np.arange(_BLOCKS + 1) * span_us // _BLOCKS
    packets = trace.packets
    strip = []
    for low, high in zip(*np.searchsorted(packets.left_us, (edges[:-1], edges[1:])), strict=True):
        lost = packets.lost[low:high]
        strip.append(" " if low == high else "█" if lost.all() else "▒" if lost.any() else "·")
    at_us, width_us = throttle_pulses(trace)
    idle_us, high_us = trace.profile.requirements.idle_below_us, trace.profile.receiver.high_us
    levels = "▁▂▃▄▅▆▇"
    throttle: list[str] = []
    for low, high in zip(*np.searchsorted(at_us, (edges[:-1], edges[1:])), strict=True):
        if low == high:
            throttle.append(throttle[-1] if throttle and high < len(at_us) and low else " ")
            continue
        share = (int(width_us[low:high].max()) - idle_us) / max(1, high_us - idle_us)
        throttle.append(levels[min(6, max(0, int(share * 6) + (share > 0)))])
    motors = []
    for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        inside = (trace.motor.at_us >= low) & (trace.motor.at_us < high)
        turning = trace.motor.at(low) > 0 or bool((trace.motor.value[inside] > 0).any())
        motors.append("▇" if turning else "▁")
    return [
        f"packets  {''.join(strip)}   · received  ▒ some lost  █ lost",
        f"throttle {''.join(throttle)}   ▁ idle",
        f"motors   {''.join(motors)}   ▁ at rest",
        f"         {seconds(from_us):<{_BLOCKS - 12}}{seconds(until_us):>12}",
    ]


def timeline(trace: Trace, from_us: int, until_us: int, *, most_lines: int = MOST_LINES) -> str:
    """Return the picture of a time span and at most `most_lines` of its changes."""
    from_us, until_us = max(0, from_us), min(trace.scenario.duration_us, until_us)
    lines = changes(trace, from_us, until_us)
    shown = [f"  {seconds(line.at_us):>13}  {line.what}" for line in lines]
    if len(shown) > most_lines:
        half = most_lines // 2
        left = len(shown) - 2 * half
        shown = [*shown[:half], f"  {'':>13}  … {left} more changes …", *shown[-half:]]
    return "\n".join([*(f"  {row}" for row in picture(trace, from_us, until_us)), *shown])
