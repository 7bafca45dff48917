"""Analyses the rows around the time at which the handset was switched off. Pure.

Theory. While a stick moves, the values change again and again. When the link is lost they freeze: the receiver
holds its last values. With the failsafe they jump. The time of switching off is not recorded, so it is bounded by
the rows:

- The handset was on in row *c*, the last row in which a moving channel changed. It went off after the line
  before *c* was printed, and before the next change was due: at most one change interval after *c*, and one packet
  interval more, because that change may have been lost on the air.
- The failsafe values came between the printing of the line before the jump and that of the line with the jump.
- A line reaches the host with a latency. Its constant part does not matter. Its variation is at most the largest
  departure of a line interval from the median, and at most the time since the previous piece of data. The
  transmission of a line takes time as well.

The result is a worst-case interval of the time from switching off to the failsafe. Its middle and its half-width
are reported. Conditions: the upper end holds for a board that prints the values of the last packet (values that it
smooths change after that). The lower end holds if the stick moved until the handset was off, and if at most one more
packet in a row was lost right before than in the seconds before; otherwise the true time is shorter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from lostlink.watch.table import Ints, RowTable, without_odd_lines

_LEAST_CHANGES = 8
_LEAST_TRAVEL = 0.05
LONGEST_PAUSE_US = 500_000
"""Longest time without a change of a stick that moves."""
_CHANGES_OF_A_MOVEMENT = 4
_LOOK_BACK_US = 3_000_000
_USUAL = 1.5
_FAR_SHARE = 0.25
"""Larger steps to a value and back within two lines are outliers, not stick movements."""
_JUMP_SHARE, _JUMP_FACTOR = 0.1, 3
_RESTLESS_CHANGES, _RESTLESS_SHARE = 10, 0.8
_STEPS_TO_LOOK_AT = 20
_SILENT_US, _SILENT_LINES = 1_000_000, 20


class FreezeState(Enum):
    """What the values did after the operator was asked to switch off."""

    MOVING = "the values continue to change"
    HELD = "the values are held"
    CHANGED = "other values came"


@dataclass(frozen=True, slots=True)
class Movement:
    """A stick in motion.

    Attributes
    ----------
    columns : tuple of int
        Columns that move.
    interval_us : int
        Longest time between two changes of any of these columns.
    """

    columns: tuple[int, ...]
    interval_us: int


@dataclass(frozen=True, slots=True)
class ThrottleColumn:
    """The column of the throttle, and its largest idle value."""

    column: int
    idle_up_to: float


@dataclass(frozen=True, slots=True)
class TimeInterval:
    """A time known to be between two bounds, in microseconds."""

    low_us: int
    high_us: int

    @property
    def middle_us(self) -> float:
        """Reported value."""
        return (self.low_us + self.high_us) / 2

    @property
    def half_us(self) -> float:
        """Worst-case uncertainty."""
        return (self.high_us - self.low_us) / 2


@dataclass(frozen=True, slots=True)
class UncertaintyBudget:
    """Contributions to the uncertainty of a hold time, in microseconds.

    Attributes
    ----------
    line_interval_us : int
        Median time between two lines.
    change_interval_us : int
        Longest time between two changes of a moving channel.
    lost_packet_us : int
        Usual time between two changes: what a packet lost right before switching off can add.
    jitter_us : int
        Largest departure of a line interval from the median.
    line_us : int
        Time that the longest line takes on the cable.
    """

    line_interval_us: int = 0
    change_interval_us: int = 0
    jitter_us: int = 0
    line_us: int = 0
    lost_packet_us: int = 0

    @property
    def off_within_us(self) -> int:
        """Longest time from the last change of a moving channel to switching off."""
        return self.change_interval_us + self.lost_packet_us


@dataclass(frozen=True, slots=True)
class ThrottleResponse:
    """What the throttle did after the freeze.

    Attributes
    ----------
    was_up : bool
        It was above idle when the values froze.
    last : float
        Its last value.
    cut : TimeInterval or None
        From switching off to its first idle value.
    steps : int
        Rows in which it changed, from the freeze to the first idle value.
    alone_us : int
        Time between the line before its first idle value and the line with it; 0 if another channel changed with it.
    highest_after_cut : float or None
    """

    was_up: bool
    last: float
    cut: TimeInterval | None = None
    steps: int = 0
    alone_us: int = 0
    highest_after_cut: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezeAnalysis:
    """What the rows show.

    Attributes
    ----------
    state : FreezeState
    silent : bool
        No more lines arrive.
    frozen_us : int
        The last change of a moving channel.
    last_us : int
        The last change of any channel; equal to `frozen_us` when nothing followed.
    last_row_us : int
        The last line.
    off : TimeInterval or None
        Instants between which the handset went off; None while the values change.
    other_us : int or None
        The line with the first idle throttle after the freeze, or without one the last change; None without either.
    hold : TimeInterval or None
        From switching off to the last change; None when nothing changed after the freeze.
    throttle : ThrottleResponse or None
        None while the values change, and where the throttle's column is not known.
    steps, stick_steps : int
        Rows with other values after the freeze, and rows of these in which a moving channel changed.
    jumped : bool
        One of those steps was far larger than the steps before the freeze.
    at_once : bool
        The values came while the next change of the moving stick was still due, so they may be the handset's own.
    before, after : tuple of float
        Values in the freeze and at the end.
    restless : tuple of int
        Columns that continue to change, and therefore do not come from the handset.
    odd_lines : int
        Single lines that were left out.
    budget : UncertaintyBudget
    """

    state: FreezeState
    silent: bool
    frozen_us: int
    last_us: int
    last_row_us: int
    off: TimeInterval | None = None
    other_us: int | None = None
    hold: TimeInterval | None = None
    throttle: ThrottleResponse | None = None
    steps: int = 0
    stick_steps: int = 0
    jumped: bool = False
    at_once: bool = False
    before: tuple[float, ...] = ()
    after: tuple[float, ...] = ()
    restless: tuple[int, ...] = ()
    odd_lines: int = 0
    budget: UncertaintyBudget = UncertaintyBudget()


def moving(table: RowTable, spans: Sequence[float], since_us: int, until_us: int) -> Movement | None:
    """Return the columns that moved without a pause from `since_us` to `until_us`; None when none did.

    Parameters
    ----------
    table : RowTable
    spans : sequence of float
        Range of the values of each column.
    since_us, until_us : int
    """
    inside = table.part((table.at_us >= since_us) & (table.at_us <= until_us))
    if len(inside) < _LEAST_CHANGES:
        return None
    changes = (np.diff(inside.values, axis=0) != 0).sum(0)
    travel = np.ptp(inside.values, axis=0)
    columns = np.flatnonzero((changes >= _LEAST_CHANGES) & (travel >= _LEAST_TRAVEL * np.array(spans))).tolist()
    if not columns:
        return None
    instants = inside.at_us[inside.changed(columns)]
    gaps = np.diff(np.concatenate([[since_us], instants, [until_us]]))
    if gaps.max() > LONGEST_PAUSE_US:
        return None
    return Movement(tuple(columns), int(np.diff(instants).max()))


def line_interval_us(table: RowTable) -> int:
    """Return the median time between two lines; 0 for fewer than two lines."""
    return int(np.median(np.diff(table.at_us))) if len(table) > 1 else 0


def is_silent(table: RowTable, now_us: int) -> bool:
    """Return whether the lines have stopped."""
    usual_us = _SILENT_LINES * line_interval_us(table)
    return not len(table) or now_us - int(table.at_us[-1]) > max(_SILENT_US, usual_us)


def analyse(
    table: RowTable,
    movement: Movement,
    spans: Sequence[float],
    now_us: int,
    *,
    throttle: ThrottleColumn | None = None,
    line_us: int = 0,
) -> FreezeAnalysis:
    """Return what the rows show of the time after the handset was switched off.

    Parameters
    ----------
    table : RowTable
        Rows of the channels, from before the handset was switched off.
    movement : Movement
        As it was before.
    spans : sequence of float
        Range of the values of each column.
    now_us : int
        Present time.
    throttle : ThrottleColumn, optional
    line_us : int
        Time that the longest line takes on the cable.
    """
    cleaned, odd_lines = without_odd_lines(table, [_FAR_SHARE * span for span in spans])
    pause_us = 2 * movement.interval_us + 2 * line_interval_us(cleaned)
    run = _last_run(cleaned, movement, pause_us)
    frozen_us = int(cleaned.at_us[run[-1]])
    silent = is_silent(cleaned, now_us)
    if now_us - frozen_us <= pause_us:
        return FreezeAnalysis(
            state=FreezeState.MOVING, silent=silent, frozen_us=frozen_us, last_us=frozen_us,
            last_row_us=int(cleaned.at_us[-1]), odd_lines=odd_lines,
        )  # fmt: skip
    if _is_jump(cleaned, int(run[-1]), spans):
        run = run[:-1]
    cleaned, more = without_odd_lines(cleaned, [0.0] * len(spans), first=int(run[-1]) + 2)
    longest_us, usual_us = _change_intervals_us(cleaned, run, movement)
    budget = UncertaintyBudget(line_interval_us(cleaned), longest_us, _jitter_us(cleaned), line_us, usual_us)
    timing = _Timing(cleaned, int(run[-1]), budget)
    found = _after_freeze(timing, movement, spans, throttle, pause_us)
    response = None if throttle is None else _throttle_response(timing, table, throttle, found.restless)
    return replace(found, silent=silent, throttle=response, odd_lines=odd_lines + more)


def _after_freeze(
    timing: _Timing, movement: Movement, spans: Sequence[float], throttle: ThrottleColumn | None, pause_us: int
) -> FreezeAnalysis:
    """Return which values came after the freeze, and when."""
    table, frozen = timing.table, timing.frozen
    restless = _restless(table, frozen, movement, throttle)
    changed = table.changed([column for column in range(table.values.shape[1]) if column not in restless])
    after = changed[changed > frozen].tolist()
    frozen_us = int(table.at_us[frozen])
    cut = None if throttle is None else _cut_row(table, frozen, throttle)
    failsafe = cut if cut is not None else after[-1] if after else None
    at_once = (
        failsafe is not None
        and int(table.at_us[failsafe]) - frozen_us <= pause_us
        and not timing.from_off_to(failsafe).low_us
    )
    return FreezeAnalysis(
        state=FreezeState.CHANGED if after else FreezeState.HELD,
        silent=False,
        frozen_us=frozen_us,
        last_us=int(table.at_us[after[-1]]) if after else frozen_us,
        last_row_us=int(table.at_us[-1]),
        off=timing.off(),
        other_us=None if failsafe is None else int(table.at_us[failsafe]),
        hold=timing.from_off_to(after[-1]) if after else None,
        steps=len(after),
        stick_steps=int((table.changed(movement.columns) > frozen).sum()),
        jumped=any(_is_jump(table, row, spans) for row in after[:_STEPS_TO_LOOK_AT]),
        at_once=at_once,
        before=tuple(table.values[frozen].tolist()),
        after=tuple(table.values[-1].tolist()),
        restless=restless,
        budget=timing.budget,
    )


def _last_run(table: RowTable, movement: Movement, limit_us: int) -> Ints:
    """Return the rows of the last unbroken movement: changes of moving channels, none far from the next.

    A freeze is followed by one or two steps; a stick that moves again after a pause makes many. A change in a piece
    of data that arrived after a stall may have been printed as soon as the previous piece had arrived.
    """
    changes = table.changed(movement.columns)
    gaps = table.since_us[changes][1:] - table.at_us[changes][:-1]
    runs = np.split(changes, np.flatnonzero(gaps > limit_us) + 1)
    long = [run for run in runs if len(run) >= _CHANGES_OF_A_MOVEMENT]
    return long[-1] if long else changes


def _is_jump(table: RowTable, row: int, spans: Sequence[float]) -> bool:
    """Return whether a row changes a channel far more than all rows before."""
    steps = np.abs(np.diff(table.values[: row + 1], axis=0))
    if len(steps) < 2:
        return False
    large = np.maximum(_JUMP_FACTOR * steps[:-1].max(0), _JUMP_SHARE * np.array(spans))
    return bool((steps[-1] > large).any())


def _restless(table: RowTable, frozen: int, movement: Movement, throttle: ThrottleColumn | None) -> tuple[int, ...]:
    """Return columns that change to the end although the moving columns have frozen."""
    restless = []
    begin_us, end_us = int(table.at_us[frozen]), int(table.at_us[-1])
    for column in range(table.values.shape[1]):
        changes = table.changed([column])
        changes = changes[changes > frozen]
        late_us = begin_us + _RESTLESS_SHARE * (end_us - begin_us)
        own = column in movement.columns or (throttle is not None and column == throttle.column)
        if not own and len(changes) > _RESTLESS_CHANGES and table.at_us[changes[-1]] >= late_us:
            restless.append(column)
    return tuple(restless)


def _change_intervals_us(table: RowTable, run: Ints, movement: Movement) -> tuple[int, int]:
    """Return the longest time between two changes shortly before the freeze, and the longest usual one.

    A usual one is up to half longer than the median: without a lost packet in it.
    """
    instants = table.at_us[run]
    recent_us = np.diff(instants[instants >= instants[-1] - _LOOK_BACK_US])
    if not len(recent_us):
        return movement.interval_us, movement.interval_us
    usual_us = recent_us[recent_us <= _USUAL * np.median(recent_us)]
    return max(movement.interval_us, int(recent_us.max())), int(usual_us.max())


def _jitter_us(table: RowTable) -> int:
    intervals = np.diff(table.at_us)
    return int(np.abs(intervals - np.median(intervals)).max()) if len(intervals) else 0


def _cut_row(table: RowTable, frozen: int, throttle: ThrottleColumn) -> int | None:
    """Return the first row after the freeze in which the throttle is idle; None where it was idle before."""
    idle = table.values[frozen:, throttle.column] <= throttle.idle_up_to
    return None if idle[0] or not idle.any() else frozen + int(np.argmax(idle))


def _throttle_response(
    timing: _Timing, everything: RowTable, throttle: ThrottleColumn, restless: Sequence[int]
) -> ThrottleResponse:
    """Return what the throttle did; `everything` has the odd lines too, which count after the cut."""
    table, frozen = timing.table, timing.frozen
    values = table.values[:, throttle.column]
    was_up, last = bool(values[frozen] > throttle.idle_up_to), float(values[-1])
    cut = _cut_row(table, frozen, throttle)
    if cut is None:
        return ThrottleResponse(was_up, last)
    changes = table.changed([throttle.column])
    steps = int(((changes > frozen) & (changes <= cut)).sum())
    later = everything.values[everything.at_us >= table.at_us[cut], throttle.column]
    return ThrottleResponse(
        was_up, last, timing.from_off_to(cut), steps, _alone_us(timing, throttle, restless, cut), float(later.max())
    )


def _alone_us(timing: _Timing, throttle: ThrottleColumn, restless: Sequence[int], cut: int) -> int:
    """Return `ThrottleResponse.alone_us`: channels of one failsafe change in one line or in two that follow."""
    table = timing.table
    others = [column for column in range(table.values.shape[1]) if column not in (throttle.column, *restless)]
    changed = table.changed(others)
    if ((changed > timing.frozen) & (np.abs(changed - cut) <= 1)).any():
        return 0
    return int(table.at_us[cut] - table.at_us[cut - 1])


@dataclass(frozen=True, slots=True)
class _Timing:
    """Bounds of the time from switching off to a row; see the theory at the top."""

    table: RowTable
    frozen: int
    budget: UncertaintyBudget

    def _printed_after_us(self, row: int) -> int:
        """Return an instant on the host's clock after which a row was printed."""
        at_us, since_us = int(self.table.at_us[row]), int(self.table.since_us[row])
        return at_us - min(self.budget.jitter_us, at_us - since_us) - self.budget.line_us

    def off(self) -> TimeInterval:
        """Return the instants between which the handset went off."""
        until_us = int(self.table.at_us[self.frozen]) + self.budget.off_within_us
        return TimeInterval(self._printed_after_us(self.frozen - 1), until_us)

    def from_off_to(self, row: int) -> TimeInterval:
        """Return the time from switching off to a row."""
        off = self.off()
        low_us = self._printed_after_us(row - 1) - off.high_us
        return TimeInterval(max(0, low_us), int(self.table.at_us[row]) - off.low_us)
