"""Finds the pulse train among the signals of a capture."""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink.captures.resolution import sample_period_ps
from lostlink.captures.signals import PS_PER_US, Capture, Ints, Levels, Signal
from lostlink.captures.train import LEAST_GAP_PS, FrameGroups, PulseTrain
from lostlink.errors import CaptureError

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
"""Fewer whole frames are no train."""


class NoTrainError(CaptureError):
    """A wire that carries something else."""


def recognise(signal: Signal, capture: Capture, tick: float | None = None) -> PulseTrain:
    """Return the pulse train on a wire.

    Parameters
    ----------
    tick : float, optional
        The analyser's tick in picoseconds; found in the time stamps when left out.

    Raises
    ------
    NoTrainError
        If the wire carries something else.
    """
    if len(signal.at_ps) < _LEAST_EDGES:
        edges = len(signal.at_ps)
        raise NoTrainError(f"{'no edge' if not edges else 'only one edge' if edges == 1 else f'only {edges} edges'}")
    step_ps = sample_period_ps(signal.at_ps, capture.unit_ps) if tick is None else tick
    at_ps, level, glitches_ps = _without_glitches(signal.at_ps, signal.level, _SURELY_GLITCH_PS)
    if len(at_ps) < _LEAST_EDGES:
        raise NoTrainError(
            f"little more than {len(glitches_ps)} pulses shorter than 10 µs; it looks like a faster signal"
        )
    active, separator_ps = _active_level(at_ps, level, step_ps)
    at_ps, level, glitches_ps = _without_glitches(signal.at_ps, signal.level, separator_ps // _GLITCH_SHARE)
    leads_ps = at_ps[level == active]
    ends_ps = np.append(at_ps, capture.end_ps)[1:][level == active]
    frames = _frames(leads_ps, signal, capture.end_ps)
    channels = _channels(frames, leads_ps)
    return PulseTrain(
        signal, step_ps, capture.end_ps, glitches_ps, active, leads_ps, ends_ps - leads_ps, frames, channels
    )  # fmt: skip


def _without_glitches(at_ps: Ints, level: Levels, shorter_ps: int) -> tuple[Ints, Levels, Ints]:
    """Return edges without pulses shorter than a limit, and where those were.

    Edges that follow one another too fast stand together: an even number of them changes nothing and goes, of an
    odd number the first stays, as of a contact that bounces.
    """
    if not len(at_ps):
        return at_ps, level, at_ps
    apart = np.append(True, np.diff(at_ps) >= shorter_ps)
    first = np.flatnonzero(apart)
    size = np.diff(np.append(first, len(at_ps)))
    stays = size % 2 == 1
    kept = first[stays]
    return at_ps[kept], level[kept], np.repeat(at_ps[first], size // 2)


def _active_level(at_ps: Ints, level: Levels, tick: float) -> tuple[int, int]:
    """Return the level of the separators and their usual length.

    Raises
    ------
    NoTrainError
        If the pulses of neither level are all alike, or nothing rests between them.
    """
    long_ps, held = np.diff(at_ps), level[:-1]
    separator_ps: dict[int, int] = {}
    found: list[tuple[int, int]] = []
    most_rests = 0
    for active in (1, 0):
        pulse_ps = long_ps[(held == active) & (long_ps <= LEAST_GAP_PS)]
        rests = int((long_ps[held != active] > LEAST_GAP_PS - _SEPARATOR_PS[1]).sum())
        most_rests = max(most_rests, rests)
        if len(pulse_ps) < _LEAST_WHOLE or not rests:
            continue
        low, usual, high = np.quantile(pulse_ps, (0.05, 0.5, 0.95))
        spread = float(high - low)
        if _SEPARATOR_PS[0] <= usual <= _SEPARATOR_PS[1] and spread <= max(_MOST_SPREAD * usual, 4 * tick):
            found.append((rests, active))
            separator_ps[active] = round(float(usual))
    if not most_rests:
        raise NoTrainError("no gap longer than 2.3 ms between pulses, so no frame ends")
    if not found:
        raise NoTrainError(
            "no separators of one length from 40 to 700 µs; it looks like a serial signal or single servo pulses"
        )
    # A line that was stuck rests at the wrong level, but not once a frame.
    _, active = max(found)
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
        place = np.searchsorted(until_ps, start_ps - LEAST_GAP_PS)
        whole &= np.append(begin_ps, np.iinfo(np.int64).max)[place] > stop_ps + LEAST_GAP_PS
    return FrameGroups(start_ps, stop_ps - start_ps, last - first, first, whole)


def _channels(frames: FrameGroups, leads_ps: Ints) -> int:
    """Return how many channels most frames hold.

    Raises
    ------
    NoTrainError
        If there is no such number.
    """
    count = frames.count[frames.whole]
    if len(count) < _LEAST_WHOLE:
        raise NoTrainError(f"only {len(count)} whole frames; at least {_LEAST_WHOLE} are needed")
    numbers, times = np.unique(count, return_counts=True)
    channels = int(numbers[np.argmax(times)])
    if not channels:
        raise NoTrainError("most pulses stand alone; it looks like single servo pulses")
    if 2 * int(times.max()) <= len(count):
        raise NoTrainError(f"frames hold from {count.min()} to {count.max()} channels; it looks like a serial signal")
    widths = np.diff(leads_ps)
    widths = widths[widths <= LEAST_GAP_PS]
    plausible = (widths >= _CHANNEL_PS[0]) & (widths <= _CHANNEL_PS[1])
    if plausible.mean() < _LEAST_PLAUSIBLE:
        raise NoTrainError("most pulses are shorter than 500 µs; it looks like a serial signal")
    return channels


def choose(capture: Capture, name: str | None = None, tick: float | None = None) -> PulseTrain:
    """Return the train of a capture: of the wire called `name`, or of the only one that carries a train.

    Raises
    ------
    CaptureError
        If there is none, or more than one and no name.
    """
    if name is not None:
        signal = _named(capture, name)
        try:
            return recognise(signal, capture, tick)
        except NoTrainError as error:
            raise CaptureError(f"{capture.source}: signal {signal.name!r}: {error}; allowed: a pulse train") from None
    trains, reasons = [], []
    for signal in capture.signals:
        try:
            trains.append(recognise(signal, capture, tick))
        except NoTrainError as error:
            reasons.append(str(error))
    if len(trains) == 1:
        return trains[0]
    if trains:
        names = ", ".join(f"{train.signal.name!r} ({len(train.signal.at_ps)} edges)" for train in trains)
        raise CaptureError(f"{capture.source}: {len(trains)} signals carry pulse trains; choose with --signal: {names}")
    if len(capture.signals) == 1:
        raise CaptureError(f"{capture.source}: no pulse train in it: {reasons[0]}; allowed: a pulse train")
    busy = [(signal, why) for signal, why in zip(capture.signals, reasons, strict=True) if len(signal.at_ps)]
    if not busy:
        raise CaptureError(
            f"{capture.source}: none of {len(capture.signals)} signals has an edge; allowed: a pulse train"
        )
    names = "; ".join(f"{signal.name!r} ({len(signal.at_ps)} edges): {why}" for signal, why in busy[:_MOST_NAMED])
    raise CaptureError(f"{capture.source}: none of {len(capture.signals)} signals carries a pulse train: {names}")


def _named(capture: Capture, name: str) -> Signal:
    full = [signal for signal in capture.signals if name in (signal.name, *signal.also)]
    short = [
        signal for signal in capture.signals if name in (n.rpartition(".")[2] for n in (signal.name, *signal.also))
    ]
    found = full or short
    if len(found) == 1:
        return found[0]
    said = "stands for more than one signal" if found else "is no signal of one bit in it"
    names = ", ".join(f"{signal.name!r} ({len(signal.at_ps)} edges)" for signal in capture.signals[:_MOST_NAMED])
    raise CaptureError(f"{capture.source}: --signal {name!r} {said}; allowed: {names}")
