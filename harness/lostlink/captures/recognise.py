"""Detects the pulse train among the signals of a capture: glitches, polarity, frames. Pure.

No profile is needed. All separators of a train have the same length, and the sync gaps are at the other level. That
level is the idle level, and an edge away from it begins a channel.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink.captures.regroup import regrouped
from lostlink.captures.resolution import resolution_of
from lostlink.captures.signals import PS_PER_US, Capture, Ints, Levels, Signal
from lostlink.captures.train import LEAST_GAP_PS, FrameGroups, PulseTrain
from lostlink.errors import CaptureError
from lostlink.verdicts import counted

_SEPARATOR_PS: Final = (40 * PS_PER_US, 700 * PS_PER_US)
_CHANNEL_PS: Final = (500 * PS_PER_US, LEAST_GAP_PS)
_SURELY_GLITCH_PS: Final = 10 * PS_PER_US
_GLITCH_SHARE: Final = 4
"""A pulse shorter than this part of a separator is a glitch."""
_MOST_SPREAD: Final = 0.25
_LEAST_EDGES: Final = 6
_LEAST_PLAUSIBLE: Final = 0.9
_MOST_NAMED: Final = 16
_LEAST_WHOLE: Final = 2
"""Fewest whole frames of a train."""


class NoTrainError(CaptureError):
    """The signal carries no pulse train."""


def recognise(signal: Signal, capture: Capture, tick: float | None = None) -> PulseTrain:
    """Return the pulse train on a signal.

    Parameters
    ----------
    tick : float, optional
        Sample period in picoseconds.  [default: detected from the time stamps]

    Raises
    ------
    NoTrainError
        If the signal does not carry a pulse train.
    """
    if (edges := len(signal.at_ps)) < _LEAST_EDGES:
        raise NoTrainError(f"only {counted(edges, 'edge')}" if edges else "no edge")
    resolution = resolution_of(signal.at_ps, capture.unit_ps, tick)
    at_ps, level, glitches_ps = _without_glitches(signal.at_ps, signal.level, _SURELY_GLITCH_PS)
    if len(at_ps) < _LEAST_EDGES:
        raise NoTrainError(
            f"{len(glitches_ps)} pulses shorter than 10 µs and little else; it looks like a faster signal"
        )
    active, separator_ps = _active_level(at_ps, level, resolution.width_ps)
    at_ps, level, glitches_ps = _without_glitches(signal.at_ps, signal.level, separator_ps // _GLITCH_SHARE)
    leads_ps = at_ps[level == active]
    ends_ps = np.append(at_ps, capture.end_ps)[1:][level == active]
    frames = _frames(leads_ps, signal, capture.end_ps)
    channels = _channels(frames, leads_ps)
    frames = regrouped(frames, channels)
    return PulseTrain(
        signal, resolution, capture.end_ps, glitches_ps, active, leads_ps, ends_ps - leads_ps, frames, channels
    )  # fmt: skip


def _without_glitches(at_ps: Ints, level: Levels, shorter_ps: int) -> tuple[Ints, Levels, Ints]:
    """Return the edges without pulses shorter than a limit, and the times of those pulses.

    Edges closer than the limit form a group. A group with an even number of edges is removed. Of an odd number the
    first edge is kept, as with a bouncing contact.
    """
    apart = np.append(True, np.diff(at_ps) >= shorter_ps)
    if apart.all():
        return at_ps, level, at_ps[:0]
    first = np.flatnonzero(apart)
    size = np.diff(np.append(first, len(at_ps)))
    kept = first[size % 2 == 1]
    return at_ps[kept], level[kept], np.repeat(at_ps[first], size // 2)


def _active_level(at_ps: Ints, level: Levels, resolution_ps: float) -> tuple[int, int]:
    """Return the level of the separators and their median length in picoseconds.

    Raises
    ------
    NoTrainError
        If the pulses of neither level have the same length, or without a sync gap.
    """
    long_ps, held = np.diff(at_ps), level[:-1]
    separator_ps: dict[int, int] = {}
    candidates: list[tuple[int, int]] = []
    most_gaps = 0
    for active in (1, 0):
        pulse_ps = long_ps[(held == active) & (long_ps <= LEAST_GAP_PS)]
        gaps = int((long_ps[held != active] > LEAST_GAP_PS - _SEPARATOR_PS[1]).sum())
        most_gaps = max(most_gaps, gaps)
        if len(pulse_ps) < _LEAST_WHOLE or not gaps:
            continue
        low, usual, high = np.quantile(pulse_ps, (0.05, 0.5, 0.95))
        spread = float(high - low)
        if _SEPARATOR_PS[0] <= usual <= _SEPARATOR_PS[1] and spread <= max(_MOST_SPREAD * usual, 4 * resolution_ps):
            candidates.append((gaps, active))
            separator_ps[active] = round(float(usual))
    if not most_gaps:
        raise NoTrainError("no sync gap longer than 2.3 ms")
    if not candidates:
        raise NoTrainError(
            "no separators of equal length from 40 to 700 µs; it looks like a serial signal or single servo pulses"
        )
    # A stuck line also has long times at the other level, but not once per frame.
    _, active = max(candidates)
    return active, separator_ps[active]


def _frames(leads_ps: Ints, signal: Signal, end_ps: int) -> FrameGroups:
    if len(leads_ps) < _LEAST_WHOLE:
        raise NoTrainError("too few pulses")
    breaks = np.flatnonzero(np.diff(leads_ps) > LEAST_GAP_PS)
    first = np.concatenate([[0], breaks + 1])
    last = np.concatenate([breaks, [len(leads_ps) - 1]])
    start_ps, stop_ps = leads_ps[first], leads_ps[last]
    whole = np.ones(len(first), np.bool_)
    whole[0] = start_ps[0] - signal.begin_ps > LEAST_GAP_PS and signal.polarity_known
    whole[-1] &= end_ps - stop_ps[-1] > LEAST_GAP_PS
    if len(signal.holes_ps):
        begin_ps, until_ps = signal.holes_ps.T
        next_unknown = np.searchsorted(until_ps, start_ps - LEAST_GAP_PS)
        whole &= np.append(begin_ps, np.iinfo(np.int64).max)[next_unknown] > stop_ps + LEAST_GAP_PS
    return FrameGroups(start_ps, stop_ps - start_ps, last - first, first, whole)


def _channels(frames: FrameGroups, leads_ps: Ints) -> int:
    """Return the number of channels in most frames.

    Raises
    ------
    NoTrainError
        If no number of channels is in most frames.
    """
    count = frames.count[frames.whole]
    if len(count) < _LEAST_WHOLE:
        raise NoTrainError(f"only {counted(len(count), 'whole frame')}; at least {_LEAST_WHOLE} are needed")
    numbers, times = np.unique(count, return_counts=True)
    channels = int(numbers[np.argmax(times)])
    if not channels:
        raise NoTrainError("most pulses are single; it looks like single servo pulses")
    if 2 * int(times.max()) <= len(count):
        raise NoTrainError(f"frames hold from {count.min()} to {count.max()} channels; it looks like a serial signal")
    widths = np.diff(leads_ps)
    widths = widths[widths <= LEAST_GAP_PS]
    plausible = (widths >= _CHANNEL_PS[0]) & (widths <= _CHANNEL_PS[1])
    if plausible.mean() < _LEAST_PLAUSIBLE:
        raise NoTrainError("most pulses are shorter than 500 µs; it looks like a serial signal")
    return channels


def choose(capture: Capture, name: str | None = None, tick: float | None = None) -> PulseTrain:
    """Return the pulse train of a capture: on the signal `name`, or on the only signal that carries one.

    Raises
    ------
    CaptureError
        If there is none, or more than one without a name.
    """
    if name is not None:
        signal = _named(capture, name)
        try:
            return recognise(signal, capture, tick)
        except NoTrainError as error:
            raise CaptureError(f"{capture.source}: signal {signal.name!r}: no pulse train: {error}") from None
    trains, reasons = [], []
    for signal in capture.signals:
        try:
            trains.append(recognise(signal, capture, tick))
        except NoTrainError as error:
            reasons.append(str(error))
    if len(trains) == 1:
        return trains[0]
    if trains:
        names = ", ".join(_shown(train.signal) for train in trains)
        raise CaptureError(f"{capture.source}: {len(trains)} signals carry pulse trains; choose with --signal: {names}")
    if len(capture.signals) == 1:
        raise CaptureError(f"{capture.source}: no pulse train: {reasons[0]}")
    busy = [(signal, why) for signal, why in zip(capture.signals, reasons, strict=True) if len(signal.at_ps)]
    if not busy:
        raise CaptureError(f"{capture.source}: none of {len(capture.signals)} signals has an edge")
    names = "; ".join(f"{_shown(signal)}: {why}" for signal, why in busy[:_MOST_NAMED])
    raise CaptureError(f"{capture.source}: none of {len(capture.signals)} signals carries a pulse train: {names}")


def _named(capture: Capture, name: str) -> Signal:
    matches = [signal for signal in capture.signals if name in (signal.name, *signal.also)]
    matches = matches or [signal for signal in capture.signals if any(
        name == known.rpartition(".")[2] for known in (signal.name, *signal.also)
    )]  # fmt: skip
    if len(matches) == 1:
        return matches[0]
    problem = "names more than one signal" if matches else "no one-bit signal has this name"
    names = ", ".join(_shown(signal) for signal in capture.signals[:_MOST_NAMED])
    raise CaptureError(f"{capture.source}: --signal {name!r}: {problem}; allowed: {names}")


def _shown(signal: Signal) -> str:
    return f"{signal.name!r} ({counted(len(signal.at_ps), 'edge')})"
