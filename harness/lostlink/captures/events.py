"""Finds silences and possible failsafes in a pulse train. Pure.

Pulses do not show link loss. They show that all channels are steady, that several then jump in one frame, and that
they are steady again. With a profile this is a failsafe if the new values are its failsafe values. Without one it is
a possible failsafe.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

import numpy as np

from lostlink.captures.signals import PS_PER_US, Ints
from lostlink.captures.train import LEAST_GAP_PS, Bools, PulseTrain
from lostlink_sims import Profile

LEAST_FRAMES: Final = 4
"""Number of frames with equal values that count as steady."""
_JOINT: Final = 2
"""Number of channels that change in one frame and count as a common jump."""
_ROWS: Final = 4
"""Number of rows off the later level, on the same side, that are a movement and not late edges."""
_LEVEL_ROWS: Final = 7
"""Number of rows whose median a few late edges do not change."""
_LEVEL_MOST: Final = 64
"""Number of rows from which the level is known well enough; more would take long in a long capture."""
LATE_PS: Final = 40 * PS_PER_US
"""Most that a single late edge changes a width or the median of few: twice 20 us, common practice, no source."""
_CLOCK: Final = 0.01
"""Clock error of a receiver up to which its failsafe values are recognised."""
_ALL: Final = slice(None)


@dataclass(frozen=True, slots=True)
class Silence:
    """A time without pulses.

    Attributes
    ----------
    from_ps, until_ps : int
        From the last leading edge to the next one, or from the beginning, or to the end of the capture.
    at_begin, at_end : bool
    stuck : bool
        The line was at the level of the separators.
    recorded : bool
        False if the level was unknown for a part of it.
    """

    from_ps: int
    until_ps: int
    at_begin: bool
    at_end: bool
    stuck: bool
    recorded: bool


class SteadyKind(Enum):
    """Values of the channels in a steady state."""

    PRESET = "all channels at the profile's failsafe values"
    ALL_BUT_ONE = "all channels but one at the profile's failsafe values"
    OTHER = "the channels jumped together, to other values than the profile's failsafe values"
    POSSIBLE = "the channels were steady, jumped together and were steady again"


class Onset(Enum):
    """How a steady state began."""

    JUMP = "several channels jumped together"
    BEGIN = "the capture begins with it"
    SILENCE = "pulses resumed with it"
    MOVES = "the channels were moving until then"


@dataclass(frozen=True, slots=True)
class SteadyState:
    """A time in which the channels are steady at values that may be failsafe values.

    Attributes
    ----------
    kind : SteadyKind
    onset : Onset
    first, last : int
        Rows of the train's widths.
    from_ps, until_ps : int
        From the start of the first frame to the start of the first frame after it, or to the end of the last.
    to_the_end : bool
        It lasts to the end of the capture.
    held_ps : int or None
        Time before the jump in which no channel has certainly moved.
    held_most_ps : int or None
        Upper bound of the hold time, if the jump is a failsafe: from the start of the last frame in which a channel
        was certainly elsewhere, with the uncertainty. None where no channel had moved.
    stood_ps : int
        Time before the jump in which the channels certainly stood.
    held_from_begin : bool
        No channel had moved since the capture began or pulses resumed, so the true time may be longer.
    channels : int
        Number of channels that changed in the jump.
    back : bool
        The jump leads back to the values before the previous steady state.
    """

    kind: SteadyKind
    onset: Onset
    first: int
    last: int
    from_ps: int
    until_ps: int
    to_the_end: bool
    held_ps: int | None = None
    held_most_ps: int | None = None
    stood_ps: int = 0
    held_from_begin: bool = False
    channels: int = 0
    back: bool = False


# --- missing pulses ---------------------------------------------------------------------------------------------


def silences(train: PulseTrain) -> list[Silence]:
    """Return the times without pulses, in order."""
    frames = train.frames
    stop_ps = frames.start_ps + frames.total_ps
    last_lead = frames.first + frames.count
    found = []
    if frames.start_ps[0] - train.signal.begin_ps > train.longest_gap_ps:
        found.append(_silence(train, train.signal.begin_ps, int(frames.start_ps[0]), at_begin=True))
    for index in np.flatnonzero(frames.gap_ps > train.longest_gap_ps).tolist():
        stuck = int(train.separator_ps[last_lead[index]]) > LEAST_GAP_PS
        found.append(_silence(train, int(stop_ps[index]), int(frames.start_ps[index + 1]), stuck=stuck))
    if train.end_ps - stop_ps[-1] > train.longest_gap_ps:
        stuck = int(train.separator_ps[-1]) > LEAST_GAP_PS
        found.append(_silence(train, int(stop_ps[-1]), train.end_ps, at_end=True, stuck=stuck))
    return found


def _silence(
    train: PulseTrain, from_ps: int, until_ps: int, *, at_begin: bool = False, at_end: bool = False, stuck: bool = False
) -> Silence:
    holes_ps = train.signal.holes_ps
    recorded = not bool(((holes_ps[:, 0] < until_ps) & (holes_ps[:, 1] > from_ps)).any())
    return Silence(from_ps, until_ps, at_begin, at_end, stuck, recorded)


def cut_short(train: PulseTrain) -> Bools:
    """Return which frames have too few channels because the pulses stopped."""
    frames = train.frames
    missing_after = np.append(frames.gap_ps > train.longest_gap_ps, True)
    missing_after[-1] = train.end_ps - frames.start_ps[-1] - frames.total_ps[-1] > train.longest_gap_ps
    short: Bools = missing_after & (frames.count < train.channels)
    return short


def wrong_count(train: PulseTrain) -> Bools:
    """Return which whole frames have an unusual number of channels, without those cut short."""
    wrong: Bools = train.frames.whole & (train.frames.count != train.channels) & ~cut_short(train)
    return wrong


def whole_separators_ps(train: PulseTrain) -> Ints:
    """Return the lengths of the separators of whole frames; a stuck line is not one."""
    frames = train.frames
    length_ps = train.separator_ps[np.repeat(frames.whole & ~cut_short(train), frames.count + 1)]
    return length_ps[length_ps <= LEAST_GAP_PS]


# --- steady channels ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Runs:
    """For each good frame, the first and last frame of the steady run that it is in."""

    first: Ints
    last: Ints
    broken: Bools  # pulses are missing before this frame


def _runs(train: PulseTrain) -> _Runs:
    widths, rows = train.widths_ps, train.good_rows
    missing = np.concatenate([[0], np.cumsum(train.frames.gap_ps > train.longest_gap_ps)])[rows]
    broken = np.append(True, np.diff(missing) > 0)
    step = np.abs(np.diff(widths, axis=0))
    moved = np.append(True, (step > train.still_ps).any(1))
    returns = np.append((np.abs(widths[2:] - widths[:-2]) <= train.still_ps).all(1), False)
    late = np.append(False, (step <= LATE_PS).all(1) & returns[: len(step)])  # rows with a late edge
    moved &= ~(late | np.append(False, late[:-1]))
    moved |= broken
    starts = np.flatnonzero(moved)
    length = np.diff(np.append(starts, len(widths)))
    first = np.repeat(starts, length)
    return _Runs(first, np.repeat(starts + length - 1, length), broken)


def steady_states(train: PulseTrain, profile: Profile | None) -> list[SteadyState]:
    """Return the steady states that may be a failsafe, in order."""
    if not train.good.any():
        return []
    runs = _runs(train)
    if profile is None:
        return _guesses(train, runs)
    return _with_profile(train, runs, profile)


def like(train: PulseTrain, profile: Profile, wanted: Any, rows: slice = _ALL) -> Bools:
    """Return which good frames are near values in picoseconds, or off by late edges.

    At most two frames in a row may be off between frames near the values, and one before them.
    """
    all_near: Bools = np.all(at_values(train, profile, wanted, rows), axis=1)
    late: Bools = np.all(np.abs(train.widths_ps[rows, : len(wanted)] - wanted) <= LATE_PS, axis=1)
    around = np.concatenate([[False, False], all_near, [False, False]])
    before, after, second = around[:-4] | around[1:-3], around[3:-1], around[4:]
    late &= (after & second) | (before & (after | second))
    return all_near | late


def at_values(train: PulseTrain, profile: Profile, wanted: Any, rows: slice = _ALL) -> Bools:
    """Return which channels of which good frames are near values in picoseconds, (frames, channels)."""
    near: Bools = np.abs(train.widths_ps[rows, : len(wanted)] - wanted) <= _allowed_ps(train, profile, wanted)
    return near


def _allowed_ps(train: PulseTrain, profile: Profile, wanted: Any) -> Any:
    """Return how far from values in picoseconds a width may be and count as equal to them, in picoseconds."""
    allowed = np.maximum(profile.requirements.value_tolerance_us * PS_PER_US, _CLOCK * wanted)
    return allowed + train.uncertainty_us * PS_PER_US


def failsafe_ps(train: PulseTrain, profile: Profile) -> Ints:
    """Return the profile's failsafe values for the channels of the train, in picoseconds."""
    return np.array([channel.failsafe_us * PS_PER_US for channel in profile.channels[: train.channels]], np.int64)


def _with_profile(train: PulseTrain, runs: _Runs, profile: Profile) -> list[SteadyState]:
    wanted_ps = failsafe_ps(train, profile)
    preset = like(train, profile, wanted_ps)
    found = [_entered(train, runs, SteadyKind.PRESET, first, last) for first, last in _spans(preset, runs.broken)]
    least_held_ps = profile.cut_delay_us * PS_PER_US // 2
    for first, last in _still_spans(runs):
        if preset[max(0, first - 2) : last + 1].any():
            continue
        one_off = _all_but_one(train, profile, wanted_ps, slice(first, last + 1))
        if (
            one_off
            and found[-1:]
            and found[-1].kind is SteadyKind.ALL_BUT_ONE
            and found[-1].last >= first - LEAST_FRAMES
        ):
            continue  # the way back from it, or the same one after late edges
        steady = _entered(train, runs, SteadyKind.ALL_BUT_ONE if one_off else SteadyKind.OTHER, first, last)
        if steady.onset is Onset.JUMP and (one_off or steady.stood_ps >= least_held_ps):
            found.append(steady)
    return sorted(found, key=lambda steady: steady.first)


def _all_but_one(train: PulseTrain, profile: Profile, wanted_ps: Ints, rows: slice) -> bool:
    """Return whether one channel alone is off its failsafe value in steady rows; late edges do not change medians."""
    medians = np.median(train.widths_ps[rows, : len(wanted_ps)], axis=0)
    allowed_ps = _allowed_ps(train, profile, wanted_ps)
    return len(wanted_ps) >= 3 and int((np.abs(medians - wanted_ps) > allowed_ps).sum()) == 1


def _guesses(train: PulseTrain, runs: _Runs) -> list[SteadyState]:
    found: list[SteadyState] = []
    for first, last in _still_spans(runs):
        steady = _entered(train, runs, SteadyKind.POSSIBLE, first, last)
        if steady.onset is Onset.JUMP:
            found.append(steady)
    return found


def _spans(mask: Bools, broken: Bools) -> list[tuple[int, int]]:
    """Return the first and last index of each run of True that is long enough; missing pulses end a run."""
    starts = np.flatnonzero(mask & (np.append(True, ~mask[:-1]) | broken))
    ends = np.flatnonzero(mask & np.append(~mask[1:] | broken[1:], True))
    return [(a, b) for a, b in zip(starts.tolist(), ends.tolist(), strict=True) if b - a + 1 >= LEAST_FRAMES]


def _still_spans(runs: _Runs) -> list[tuple[int, int]]:
    spans = np.unique(np.stack([runs.first, runs.last], 1), axis=0)
    return [(a, b) for a, b in spans.tolist() if b - a + 1 >= LEAST_FRAMES]


def _entered(train: PulseTrain, runs: _Runs, kind: SteadyKind, first: int, last: int) -> SteadyState:
    """Return a steady state with its onset and duration."""
    rows, start_ps = train.good_rows, train.good_start_ps
    at_end = last == len(rows) - 1
    left_at_silence = not at_end and bool(runs.broken[last + 1])
    over = at_end or left_at_silence
    until_ps = int(start_ps[last] + train.frames.total_ps[rows[last]] if over else start_ps[last + 1])
    if runs.broken[first]:
        onset = Onset.SILENCE if first else Onset.BEGIN
        return SteadyState(kind, onset, first, last, int(start_ps[first]), until_ps, at_end)
    before = first - 1
    widths, still_ps = train.widths_ps, _stillness_ps(train, first, last)
    jumped = np.abs(widths[first] - widths[before]) > still_ps
    # With a live latch one frame may mix old and new values.
    if before > 0 and not runs.broken[before] and not jumped.all():
        earlier = np.abs(widths[first] - widths[before - 1]) > still_ps
        if (earlier & ~jumped).any():
            before, jumped = before - 1, earlier
    begin = _begin(runs.broken, before)
    stood_first = _stood_since(widths, before, begin, still_ps)
    held_first, elsewhere = _held_since(widths, before, begin, still_ps)
    held_first = min(stood_first, held_first)
    was_steady = before - stood_first + 1 >= LEAST_FRAMES
    changed = int(jumped.sum())
    is_from_begin = bool(runs.broken[held_first])
    elsewhere = min(elsewhere, held_first - 1)
    most_ps = None if is_from_begin else int(start_ps[first] - start_ps[elsewhere] + train.resolution.width_ps)
    if changed < min(_JOINT, train.channels) or not was_steady:
        return SteadyState(kind, Onset.MOVES, first, last, int(start_ps[first]), until_ps, at_end)
    return SteadyState(
        kind, Onset.JUMP, first, last, int(start_ps[first]), until_ps, at_end,
        held_ps=int(start_ps[first] - start_ps[held_first]),
        held_most_ps=most_ps,
        stood_ps=int(start_ps[first] - start_ps[stood_first]),
        held_from_begin=is_from_begin,
        channels=changed,
        back=_leads_back(train, runs, first, stood_first),
    )  # fmt: skip


def _stillness_ps(train: PulseTrain, first: int, last: int) -> float:
    """Return the largest deviation from its level of a channel that does not move, single late edges apart.

    The channels are constant from `first` to `last`, which shows the jitter; few frames may show less than there is,
    so its standard deviation is taken at the end of its one-sided interval of 99.9 % (chi-squared distribution).
    """
    from scipy.special import gammaincinv

    span = train.widths_ps[first : last + 1]
    freedom = span.size - span.shape[1]
    if freedom < 1:
        return train.still_ps
    deviation_ps = np.sqrt(((span - span.mean(0)) ** 2).sum() / (2 * gammaincinv(freedom / 2, 0.001)))
    return max(train.still_ps, 3 * float(deviation_ps))


def _begin(broken: Bools, row: int) -> int:
    """Return the first row since pulses were missing."""
    return row - int(np.argmax(broken[row::-1]))


def _held_since(widths: Ints, before: int, begin: int, still_ps: float) -> tuple[int, int]:
    """Return the first row from which the channels may have stood until `before`, and the last certainly before it.

    A channel has certainly moved where several rows in a row are off its later level, on the same side. What returns,
    such as a late edge, does not count. While the level is known from few rows, only what no late edge does counts.
    """
    level = widths[before]
    for row in range(before - 1, begin + _ROWS - 2, -1):
        if before - row <= _LEVEL_MOST:
            level = np.median(widths[row + 1 : before + 1], axis=0)
        least_ps = still_ps if before - row >= _LEVEL_ROWS else still_ps + LATE_PS
        off = widths[row - _ROWS + 1 : row + 1] - level
        moves = (off > least_ps).all(0) | (off < -least_ps).all(0) | (np.abs(off) > still_ps + LATE_PS).all(0)
        if moves.any():
            is_certain = bool((np.abs(off[-1]) > still_ps + LATE_PS)[moves].any())
            return row + 1, row if is_certain else row - 1  # the last one may be a late edge only
    return begin, begin


def _stood_since(widths: Ints, before: int, begin: int, still_ps: float) -> int:
    """Return the first row from which the channels certainly stood until the row `before`, late edges apart."""
    level = np.median(widths[max(begin, before - _LEVEL_ROWS + 1) : before + 1], axis=0)
    first = before + 1
    while first > begin:
        near = (np.abs(widths[max(begin, first - 2) : first] - level) <= still_ps).all(1)
        if near[-1]:
            first -= 1
        elif near[0]:
            first -= 2
        else:
            break
    return first


def _leads_back(train: PulseTrain, runs: _Runs, first: int, held_first: int) -> bool:
    """Return whether the channels are back at their values before the previous steady state."""
    if not held_first or runs.broken[held_first]:
        return False
    return bool((np.abs(train.widths_ps[first] - train.widths_ps[held_first - 1]) <= train.still_ps).all())
