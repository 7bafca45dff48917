"""Measures many trials at once, as `lostlink.measure.failsafe` measures one trace.

The frames of all trials are one train of pulses: each trial is moved so far on the axis of time that none touches
another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from lostlink.campaigns.tally import Ints, Mask, Rows
from lostlink.measure.channels import expected_widths_us
from lostlink_sims.batch import NONE
from lostlink_sims.batch.flown import Flown
from lostlink_sims.batch.trials import Drawn, FlightTrials
from lostlink_sims.flight import Arming, FlightController, Seen, ValidFrames
from lostlink_sims.frames import NEVER, Decoded, Frames
from lostlink_sims.outputs import decoder_of, encoding_of

_APART_US: Final = 1 << 33
"""Longer than any frame, with the longest flight."""
_PIECE: Final = 16
"""Trials at a time, so that arrays stay in the cache: with twice as many each takes twice as long."""


def measured(flights: FlightTrials, trials: Ints, drawn: Drawn, flown: Flown) -> list[Rows]:
    """Return the results of trials, in pieces.

    Parameters
    ----------
    trials : (n,) ndarray of int64
        Their numbers.
    drawn : Drawn
        Their random quantities.
    flown : Flown
        Their output.
    """
    return [
        _measured(flights, trials[first:][:_PIECE], drawn.part(first, _PIECE), flown.part(first, _PIECE))
        for first in range(0, len(trials), _PIECE)
    ]


def _measured(flights: FlightTrials, trials: Ints, drawn: Drawn, flown: Flown) -> Rows:
    count = len(trials)
    trial, seen = _decoded(flights, flown)
    lost_us, back_us, end_us = drawn.lost_us, drawn.back_us, np.full(count, flights.duration_us)
    throttle = _Throttle.of(flights, trial, seen, count)
    motors = _Motors.of(flights, trial, seen, count)
    cut_us = throttle.cut_us(lost_us, end_us)
    has_cut = cut_us != NONE
    rises = throttle.first_us(~throttle.idle, cut_us, back_us)
    restarts = motors.first_us(motors.command > 0, cut_us, end_us + 1)
    runs = motors.command_at(lost_us) > 0
    stops = motors.first_us(motors.command == 0, lost_us, end_us)
    control_us = _control_us(flights, drawn, trial, seen, count)
    columns: dict[str, Any] = {
        "flew": runs,
        "false_us": throttle.cut_us(np.full(count, flights.air_us), lost_us),
        "cut_us": cut_us,
        "stop_us": np.where(runs, stops, lost_us),
        "rose_us": np.where(has_cut, rises, NONE),
        "restart_us": np.where(has_cut, restarts, NONE),
        "control_us": np.where(back_us < flights.duration_us, control_us, NONE),
        "sent": flown.sent,
        "missed": flown.missed,
    }
    for name, column in columns.items():
        nothing = {"flew": True, "sent": 0, "missed": 0}.get(name, NONE)
        columns[name] = np.where(flown.crashed, nothing, column)
    off = flights.switched_off(drawn.cause)
    return Rows(
        trial=trials, lost_us=lost_us, back_us=back_us, crashed=flown.crashed, off=off,
        **Rows.without_handset(count), **columns,
    )  # fmt: skip


def _decoded(flights: FlightTrials, flown: Flown) -> tuple[Ints, Decoded]:
    """Return the frames that each flight controller decoded, and of which trial they are."""
    profile, frames = flights.profile, flown.frames
    apart_us = _APART_US + flights.duration_us
    trial = np.repeat(np.arange(len(flown.crashed)), np.diff(flown.begins))
    count, widths_us = frames.count.astype(np.int64), frames.widths_us.astype(np.int64)
    moved = Frames(frames.start_us + trial * apart_us, count, widths_us, frames.until_us)
    decoder = decoder_of(profile, from_rest=True)
    parts = decoder.feed(encoding_of(profile).leading_edges(moved)), decoder.flush((len(flown.crashed) + 1) * apart_us)
    columns = (np.concatenate([getattr(part, name) for part in parts]) for name in ("start_us", "done_us", "count"))
    start_us, done_us, counts = columns
    trial = start_us // apart_us
    # The last frame of a trial is complete if no edge came within the sync gap before the end.
    is_last = np.append(trial[1:] != trial[:-1], True)[: len(trial)]
    start_us, done_us = start_us - trial * apart_us, done_us - trial * apart_us
    keep = ~is_last | (done_us <= flights.duration_us)
    widths_us = np.concatenate([part.widths_us for part in parts])[np.repeat(keep, counts)]
    return trial[keep], Decoded(start_us[keep], done_us[keep], counts[keep], widths_us)


def _first(trial: Ints, at_us: Ints, mask: Mask, count: int) -> Ints:
    """Return the first instant of each trial at which the mask is set; both are ordered by trial, then time."""
    first = np.full(count, NONE)
    index = np.flatnonzero(mask)[::-1]
    first[trial[index]] = at_us[index]  # the last assignment counts
    return first


@dataclass(frozen=True, slots=True)
class _Throttle:
    """The throttle pulses of all trials: trial, end, and whether it is idle."""

    trial: Ints
    at_us: Ints
    idle: Mask
    count: int
    timeout_us: int
    frames_us: int

    @classmethod
    def of(cls, flights: FlightTrials, trial: Ints, seen: Decoded, count: int) -> _Throttle:
        profile = flights.profile
        width_us, at_us = seen.table(profile.throttle_index + 1)[:, -1], seen.last_edge_us(profile.throttle_index)
        there = width_us >= 0
        trial, at_us, idle = trial[there], at_us[there], width_us[there] <= profile.requirements.idle_below_us
        timeout_us, frames_us = profile.flight_controller.signal_timeout_us, 3 * profile.output.frame_period_us
        return cls(trial, at_us, idle, count, timeout_us, frames_us)

    def cut_us(self, since_us: Ints, until_us: Ints) -> Ints:
        """Return when the throttle is cut between two instants of each trial, as `failsafe.time_to_cut`."""
        inside = (self.at_us >= since_us[self.trial]) & (self.at_us < until_us[self.trial])
        trial, at_us = self.trial[inside], self.at_us[inside]
        idle_us = _first(trial, at_us, self.idle[inside], self.count)
        # The start of the time, then the pulses; from each the time to the next, at last to the end.
        everyone = np.arange(self.count)
        begins = np.searchsorted(trial, everyone)
        trial, at_us = np.insert(trial, begins, everyone), np.insert(at_us, begins, since_us)
        is_last = np.append(trial[1:] != trial[:-1], True)
        following_us = np.where(is_last, until_us[trial], np.append(at_us[1:], 0))
        gap_us = following_us - at_us
        ceases = (gap_us > self.timeout_us) | (is_last & (gap_us > self.frames_us))
        ceased_us = _first(trial, at_us, ceases, self.count)
        cut_us: Ints = np.where((idle_us == NONE) | (ceased_us == NONE), np.maximum(idle_us, ceased_us),
                                np.minimum(idle_us, ceased_us))  # fmt: skip
        return cut_us

    def first_us(self, mask: Mask, after_us: Ints, until_us: Ints) -> Ints:
        """Return the end of the first pulse of a kind between two instants of each trial, neither included."""
        inside = mask & (self.at_us > after_us[self.trial]) & (self.at_us < until_us[self.trial])
        return _first(self.trial, self.at_us, inside, self.count)


@dataclass(frozen=True, slots=True)
class _Motors:
    """The changes of arming and motor command of all trials."""

    trial: Ints
    at_us: Ints
    command: Ints
    count: int

    @classmethod
    def of(cls, flights: FlightTrials, trial: Ints, seen: Decoded, count: int) -> _Motors:
        controller = FlightController(flights.profile)
        timeout_us = flights.profile.flight_controller.signal_timeout_us
        valid = controller.valid(seen)
        trial, valid = _with_silences(trial[valid.number], valid, timeout_us, flights.duration_us)
        arming = _arming(controller, trial, valid.seen)
        command = np.where(arming == Arming.ARMED, valid.command, 0)
        state = arming * (1 << 20) + command
        is_first = np.append(True, trial[1:] != trial[:-1])[: len(trial)]
        before = np.where(is_first, int(Arming.LOCKED) << 20, np.append(0, state[:-1])[: len(state)])
        changes = state != before
        return cls(trial[changes], valid.done_us[changes], command[changes], count)

    def command_at(self, at_us: Ints) -> Ints:
        """Return the motor command at an instant of each trial."""
        command = np.zeros(self.count, np.int64)
        until = np.flatnonzero(self.at_us <= at_us[self.trial])
        command[self.trial[until]] = self.command[until]  # the last assignment counts
        return command

    def first_us(self, mask: Mask, after_us: Ints, until_us: Ints) -> Ints:
        """Return the first change of a kind between two instants of each trial, neither included."""
        inside = mask & (self.at_us > after_us[self.trial]) & (self.at_us < until_us[self.trial])
        return _first(self.trial, self.at_us, inside, self.count)


def _with_silences(trial: Ints, valid: ValidFrames, timeout_us: int, duration_us: int) -> tuple[Ints, ValidFrames]:
    """Return valid frames and, as frames that are lost, the ends of the signal timeout."""
    done_us = valid.done_us
    is_last = np.append(trial[1:] != trial[:-1], True)[: len(trial)]
    following_us = np.where(is_last, duration_us, np.append(done_us[1:], 0)[: len(done_us)])
    silent = np.flatnonzero(following_us - done_us > timeout_us)
    at = silent + 1
    lost = np.full(len(silent), int(Seen.LOST)), np.zeros(len(silent), np.int64)
    return np.insert(trial, at, trial[silent]), ValidFrames(
        np.insert(valid.number, at, NONE),
        np.insert(done_us, at, done_us[silent] + timeout_us),
        np.insert(valid.seen, at, lost[0]),
        np.insert(valid.command, at, lost[1]),
    )


def _arming(controller: FlightController, trial: Ints, seen: Ints) -> Ints:
    """Return the state of arming after each frame."""
    table = [[int(controller.transitions[state, content]) for content in Seen] for state in Arming]
    repeats = (seen[1:] == seen[:-1]) & (trial[1:] == trial[:-1])
    if not all(table[after][content] == after for row in table for content, after in enumerate(row)):
        repeats[:] = False  # a frame that says the same again changes something
    begins = np.flatnonzero(np.append(True, ~repeats)[: len(seen)])
    states, state, before = [], int(Arming.LOCKED), -1
    for number, content in zip(trial[begins].tolist(), seen[begins].tolist(), strict=True):
        state = table[state if number == before else int(Arming.LOCKED)][content]
        before = number
        states.append(state)
    lengths = np.diff(np.append(begins, len(seen)))
    return np.repeat(np.array(states, np.int64), lengths)


def _control_us(flights: FlightTrials, drawn: Drawn, trial: Ints, seen: Decoded, count: int) -> Ints:
    """Return the end of the first frame that follows the sticks after the return, as `failsafe.recovery_time`."""
    profile = flights.profile
    expected_us = expected_widths_us(profile, flights.positions(drawn, np.arange(count), drawn.back_us))
    ends_us = seen.last_edge_us(len(profile.channels) - 1)
    after = np.flatnonzero((ends_us >= drawn.back_us[trial]) & (ends_us < NEVER))
    trial, widths = trial[after], seen.table(len(profile.channels))[after]
    close = np.ones(len(after), np.bool_)
    for index in range(len(profile.channels)):
        error_us = np.abs(widths[:, index] - expected_us[trial, index])
        close &= error_us <= profile.requirements.value_tolerance_us
    return _first(trial, ends_us[after], close, count)
