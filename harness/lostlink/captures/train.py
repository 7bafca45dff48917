"""Recognises a pulse train in the edges of a wire: glitches, polarity, frames, style. Pure.

Nothing is taken from a profile here. A train's separators all have one length, its long gaps lie at the other
level: that level is the rest, and the edge that leaves it begins a channel. A gap of more than `LEAST_GAP_PS`
between leading edges ends a frame (common practice, no source: no pulse is longer than 2.2 ms, no gap shorter).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.captures.signals import PS_PER_US, Capture, Ints, Levels, Signal
from lostlink.captures.ticks import tick_ps, width_uncertainty_us
from lostlink.errors import CaptureError

Bools = NDArray[np.bool_]

LEAST_GAP_PS: Final = 2300 * PS_PER_US
_SEPARATOR_PS: Final = (40 * PS_PER_US, 700 * PS_PER_US)
_CHANNEL_PS: Final = (500 * PS_PER_US, LEAST_GAP_PS)
_SURELY_GLITCH_PS: Final = 10 * PS_PER_US
_GLITCH_SHARE: Final = 4
"""A pulse shorter than this part of a separator is a glitch."""
_MOST_SPREAD: Final = 0.25
_LEAST_WHOLE: Final = 2
_LEAST_EDGES: Final = 6
_LEAST_PLAUSIBLE: Final = 0.9
_CLEARLY: Final = 2
"""How much more the one spread must be than the other to tell a fixed period from a fixed gap."""
_MOST_NAMED: Final = 16


class NoTrainError(CaptureError):
    """A wire that carries something else."""


@dataclass(frozen=True)
class Frames:
    """All groups of pulses between gaps, the broken ones too.

    Attributes
    ----------
    start_ps, total_ps : (n,) ndarray of int64
        First leading edge, and from there to the last.
    count : (n,) ndarray of int64
        Channels.
    first : (n,) ndarray of int64
        Index of the first leading edge.
    whole : (n,) ndarray of bool
        False where the beginning or the end was not recorded.
    """

    start_ps: Ints
    total_ps: Ints
    count: Ints
    first: Ints
    whole: Bools

    @cached_property
    def gap_ps(self) -> Ints:
        """From the last leading edge of each frame but the last to the next frame."""
        gap: Ints = np.diff(self.start_ps) - self.total_ps[:-1]
        return gap


@dataclass(frozen=True)
class Train:
    """A pulse train.

    Attributes
    ----------
    signal : Signal
        The wire it was on.
    tick_ps : float
        The analyser's tick.
    end_ps : int
        When the capture ends.
    glitches_ps : (k,) ndarray of int64
        Where pulses far shorter than a separator were left out.
    active : int
        Level of the separators.
    leads_ps, separator_ps : (m,) ndarray of int64
        Leading edges and how long each separator lasts (to the end of the capture for one without an end).
    frames : Frames
    channels : int
        How many most frames hold.
    """

    signal: Signal
    tick_ps: float
    end_ps: int
    glitches_ps: Ints
    active: int
    leads_ps: Ints
    separator_ps: Ints
    frames: Frames
    channels: int

    @property
    def polarity(self) -> str | None:
        """``positive`` or ``negative``; None where levels were not recorded."""
        if not self.signal.polarity_known:
            return None
        return "positive" if self.active else "negative"

    @property
    def uncertainty_us(self) -> float:
        """Expanded uncertainty of a time between two edges."""
        return width_uncertainty_us(self.tick_ps)

    @cached_property
    def good(self) -> Bools:
        """Frames that are whole and hold the usual number of channels."""
        good: Bools = self.frames.whole & (self.frames.count == self.channels)
        return good

    @cached_property
    def widths_ps(self) -> Ints:
        """Widths of the good frames, (good frames, channels)."""
        first = self.frames.first[self.good]
        leads = self.leads_ps[first[:, None] + np.arange(self.channels + 1)]
        widths: Ints = np.diff(leads, axis=1)
        return widths

    @cached_property
    def usual_period_ps(self) -> float:
        """The median from frame to frame."""
        return float(np.median(np.diff(self.frames.start_ps)))

    @cached_property
    def longest_gap_ps(self) -> float:
        """A longer gap means that pulses are missing.

        A fixed period leaves less than itself between frames; a fixed gap never doubles.
        """
        gap_ps, period_ps = self.frames.gap_ps, np.diff(self.frames.start_ps)
        likely = gap_ps < self.usual_period_ps
        if likely.any() and _spread(gap_ps[likely]) < _spread(period_ps[likely]) / _CLEARLY:
            return min(self.usual_period_ps, 2 * float(np.median(gap_ps[likely])))
        return self.usual_period_ps

    @cached_property
    def in_step(self) -> Bools:
        """Where a frame follows the one before without pulses missing, (frames - 1,)."""
        whole = self.frames.whole
        return whole[1:] & whole[:-1] & (self.frames.gap_ps < self.longest_gap_ps)

    @cached_property
    def style(self) -> str | None:
        """``fixed period`` or ``fixed gap``, whichever spreads less; None where the sum of the widths never changed."""
        period, gap = _spread(self.periods_ps), _spread(self.gaps_ps)
        if max(period, gap) <= self.tick_ps or max(period, gap) < _CLEARLY * min(period, gap):
            return None
        return "fixed period" if period < gap else "fixed gap"

    @property
    def periods_ps(self) -> Ints:
        """From frame to frame, where they are in step."""
        period: Ints = np.diff(self.frames.start_ps)[self.in_step]
        return period

    @property
    def gaps_ps(self) -> Ints:
        """From the last edge of a frame to the next frame, where they are in step."""
        return self.frames.gap_ps[self.in_step]

    @cached_property
    def still_ps(self) -> float:
        """How much two widths may differ and yet be the same: the tick, or the jitter of the quietest channel."""
        steps = np.abs(np.diff(self.widths_ps, axis=0))
        jitter_ps = float(np.quantile(steps, 0.99, axis=0).min()) if len(steps) else 0.0
        return max(1.2 * self.tick_ps, min(1.5 * jitter_ps, 12 * PS_PER_US))


def _spread(values: Ints) -> float:
    """Return the mean distance from the median: a short move of a stick counts, one outlier does not decide."""
    return float(np.abs(values - np.median(values)).mean()) if len(values) else 0.0


# --- recognition ------------------------------------------------------------------------------------------------


def recognise(signal: Signal, capture: Capture, tick: float | None = None) -> Train:
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
    step_ps = tick_ps(signal.at_ps, capture.unit_ps) if tick is None else tick
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
    return Train(
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


def _frames(leads_ps: Ints, signal: Signal, end_ps: int) -> Frames:
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
    return Frames(start_ps, stop_ps - start_ps, last - first, first, whole)


def _channels(frames: Frames, leads_ps: Ints) -> int:
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


def choose(capture: Capture, name: str | None = None, tick: float | None = None) -> Train:
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
