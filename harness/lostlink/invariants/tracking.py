"""Checks that frames follow the sticks while the link is good, and classifies deviations."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.invariants.attribution import Broken, impostor, wraps
from lostlink.invariants.windows import Facts, Ints, Mask, Span
from lostlink.verdicts import quantity

Indices = NDArray[np.intp]

STEADY_US: Final = 500_000
"""A wrong channel this long after the last stick move is wrong, not late."""


def sticks_are_followed(facts: Facts) -> Iterator[Broken]:
    """While the link is good, every channel follows the last good packets, and no frame mixes two packets."""
    for check in (_deviation, _torn):
        yield from itertools.islice((broken for span in facts.links if (broken := check(facts, span))), 1)


def _window(facts: Facts, span: Span) -> tuple[Indices, Indices, Indices]:
    """Return frames in a span, and for each the range of good packets that it may show (end excluded)."""
    seen, u, lag_us = facts.trace.seen, facts.trace.uncertainty_us, facts.times.lag_us
    channels = facts.commanded_us.shape[1]
    inside = facts.frames & (seen.start_us >= span.from_us + u) & (seen.done_us < span.until_us - u)
    frames = np.flatnonzero(inside & (seen.count >= channels))
    first = np.searchsorted(facts.arrived_us, seen.start_us[frames] - lag_us - u, side="right") - 1
    last = np.searchsorted(facts.arrived_us, seen.done_us[frames] + u, side="right")
    return frames, np.maximum(first, 0), last


def _bounds(facts: Facts, first: Indices, last: Indices) -> tuple[Ints, Ints]:
    """Return the smallest and the largest commanded width of each channel between two packets, per row."""
    low, high = facts.commanded_us[first], facts.commanded_us[first]
    for row in np.flatnonzero(facts.moves[last - 1] != facts.moves[first]).tolist():
        some = facts.commanded_us[first[row] : last[row]]
        low[row], high[row] = some.min(0), some.max(0)
    return low, high


def _deviation(facts: Facts, span: Span) -> Broken | None:
    """Return the first frame whose widths were not commanded."""
    frames, first, last = _window(facts, span)
    if not len(frames):
        return None
    low, high = _bounds(facts, first, last)
    rows = facts.trace.seen.table(facts.commanded_us.shape[1])[frames]
    wrong = (rows < low - facts.tolerance_us) | (rows > high + facts.tolerance_us)
    if not wrong.any():
        return None
    return _classified(facts, span, frames, rows, low, wrong)


def _classified(facts: Facts, span: Span, frames: Indices, rows: Ints, low: Ints, wrong: Mask) -> Broken:
    """Return the requirement broken by frames that deviate from the commanded widths."""
    seen, throttle = facts.trace.seen, facts.throttle
    idle_us = facts.profile.requirements.idle_below_us
    dropped = wrong[:, throttle] & (rows[:, throttle] <= idle_us) & (low[:, throttle] > idle_us)
    failed = np.abs(rows - [channel.failsafe_us for channel in facts.profile.channels]) <= facts.tolerance_us
    row = int(np.flatnonzero(dropped)[0]) if dropped.any() else int(np.flatnonzero(wrong.any(1))[0])
    at_us = int(seen.done_us[frames[row]])
    column = throttle if dropped.any() else int(np.flatnonzero(wrong[row])[0])
    message = _widths(facts, column, rows[row, column], low[row, column])
    is_failsafe = failed[row].all() or (dropped.any() and facts.trace.failsafe.at(at_us) == 1)
    if is_failsafe and not (~wrong[:row].any(1)).any():
        return _no_control(facts, span, at_us, message)
    if is_failsafe:
        return _false_failsafe(facts, span, at_us, message, wraps(facts, at_us - 2_000_000, at_us + 1_000_000))
    was_right = bool((~wrong[:row, column]).any()) and not _is_late(facts, at_us, column, int(rows[row, column]))
    if was_right and (name := impostor(facts, at_us - 1_000_000, at_us)):
        return Broken(name, "impostor moves", at_us, message)
    return _channel(facts, at_us, frames, rows, low, wrong, message)


def no_pulses(facts: Facts, span: Span, from_us: int, message: str) -> Broken:
    """Return what an absence of frames on a good link breaks, where pulses cease in failsafe."""
    if from_us <= span.from_us:
        return _no_control(facts, span, from_us, message)
    return _false_failsafe(facts, span, from_us, message, wraps(facts, from_us - 2_000_000, from_us + 1_000_000))


def _no_control(facts: Facts, span: Span, at_us: int, message: str) -> Broken:
    first = span.since_us == facts.arrived_us[0]
    since = "power-on" if first else "the link was restored"
    after = f"{quantity(at_us - span.since_us, 'µs')} after {since}"
    message = f"{after} the sticks are still not followed: {message}"
    return Broken("LK-CONTROL" if first else "RC-TIME", "no control", at_us, message)


def _widths(facts: Facts, column: int, width_us: int, commanded_us: int) -> str:
    return f"{facts.profile.channels[column].name} at {width_us} µs; good packets commanded {commanded_us} µs"


def _false_failsafe(facts: Facts, span: Span, at_us: int, message: str, wrap: bool) -> Broken:
    near = np.searchsorted(facts.arrived_us, (at_us - 2 * facts.profile.cut_delay_us, at_us), side="right")
    near_us = np.append(facts.arrived_us[near[0] : near[1]], at_us)
    gap_us = int(np.diff(near_us).max(initial=0))
    timeout_us = facts.profile.receiver.timeout_us
    message += f"; the longest gap before was {gap_us / 1000:g} ms, the timeout is {timeout_us / 1000:g} ms"
    name = "LK-WRAP" if wrap else "LK-GAP" if gap_us > 3 * facts.times.clean_us else "LK-FALSE"
    return Broken(name, "false failsafe", at_us, message)


def _channel(facts: Facts, at_us: int, frames: Indices, rows: Ints, low: Ints, wrong: Mask, message: str) -> Broken:
    """Distinguish channels that are permanently wrong from late ones."""
    since_us = np.array([_since_move_us(facts, int(at)) for at in facts.trace.seen.start_us[frames]])
    steady = wrong.any(1) & (since_us > STEADY_US)
    if not steady.any():
        return Broken("LT-STICK", "late", at_us, f"{message} {quantity(facts.times.lag_us, 'µs')} before")
    row = int(np.flatnonzero(steady)[0])
    column = int(np.flatnonzero(wrong[row])[0])
    width, commanded = int(rows[row, column]), int(low[row, column])
    settings = facts.profile.receiver
    others = np.abs(low[row] - width) <= facts.tolerance_us
    name = "CH-VALUE"
    is_mirrored = abs(settings.low_us + settings.high_us - commanded - width) <= 8
    if abs(width - commanded) > 50 and is_mirrored and not wrong[row][others].any():
        name = "CH-SENSE"
    elif abs(width - commanded) > 50 and others.any():
        name = "CH-ORDER"
    at_us = int(facts.trace.seen.done_us[frames[row]])
    settled = since_us[:row] > facts.times.lag_us
    was_right = bool((settled & (low[:row, column] == commanded) & ~wrong[:row, column]).any())
    if was_right:
        name = _changed(facts, at_us, column, width, commanded) or name
    return Broken(name, "channel", at_us, _widths(facts, column, width, commanded))


def _changed(facts: Facts, at_us: int, column: int, width_us: int, commanded_us: int) -> str:
    """Return the requirement broken by a channel that was right and is wrong now, if that says which; else empty."""
    if impostor(facts, at_us - 1_000_000, at_us) == "FS-INTRUDER":
        return "FS-INTRUDER"
    heard = int(np.searchsorted(facts.arrived_us, at_us, side="right"))
    if heard and at_us - facts.arrived_us[heard - 1] > 2 * facts.times.clean_us + facts.profile.output.frame_period_us:
        return "LK-GAP"
    is_low = commanded_us <= facts.profile.requirements.idle_below_us < width_us
    return "LK-START" if column == facts.throttle and is_low else ""


def _torn(facts: Facts, span: Span) -> Broken | None:
    """Return the first frame that mixes channels of several packets."""
    if facts.profile.output.latch == "live":
        return None
    frames, first, last = _window(facts, span)
    if not len(frames):
        return None
    rows = facts.trace.seen.table(facts.commanded_us.shape[1])[frames]
    for row in np.flatnonzero(facts.moves[last - 1] != facts.moves[first]).tolist():
        fits = np.abs(facts.commanded_us[first[row] : last[row]] - rows[row]) <= facts.tolerance_us
        if fits.any(0).all() and not fits.all(1).any():
            at_us = int(facts.trace.seen.done_us[frames[row]])
            return Broken("FR-TORN", "torn", at_us, f"a frame mixes packets: {', '.join(map(str, rows[row]))} µs")
    return None


def _since_move_us(facts: Facts, at_us: int) -> int:
    """Return the time since the last stick move in good packets, in microseconds."""
    moves_us = facts.arrived_us[1:][np.diff(facts.moves) > 0]
    last = int(np.searchsorted(moves_us, at_us, side="right"))
    return at_us - int(moves_us[last - 1]) if last else at_us


def _is_late(facts: Facts, at_us: int, column: int, width_us: int) -> bool:
    """Return whether a width is within the range of a recent stick move."""
    first, last = np.searchsorted(facts.arrived_us, (at_us - STEADY_US, at_us))
    commanded_us = facts.commanded_us[max(0, first - 1) : last, column]
    if not len(commanded_us) or commanded_us.min() == commanded_us.max():
        return False
    return bool(commanded_us.min() - facts.tolerance_us <= width_us <= commanded_us.max() + facts.tolerance_us)


def always_too_wide_us(facts: Facts) -> int:
    """Return the largest excess of the throttle width with a steady stick, in microseconds; at least 0."""
    most_us = 0
    for span in facts.links:
        frames, first, last = _window(facts, span)
        if len(frames):
            low, high = _bounds(facts, first, last)
            steady = (low == high)[:, facts.throttle]
            shown_us = facts.trace.seen.table(facts.throttle + 1)[frames[steady], -1]
            most_us = max(most_us, int((shown_us - low[steady, facts.throttle]).max(initial=0)))
    return most_us
