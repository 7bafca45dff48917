"""Trials that are flown one by one, by any receiver, with the packets of many together.

Nothing happens to the receiver in a trial of `FlightTrials`: the link is lost on the air or at the handset. So a board
boots once, and the rest is one span.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lostlink_sims.arrays import Ints, Mask
from lostlink_sims.batch.arrivals import BatchArrivals
from lostlink_sims.batch.trials import FlightTrials
from lostlink_sims.clock import World
from lostlink_sims.crashes import ReceiverCrashError
from lostlink_sims.frames import Frames, concatenated
from lostlink_sims.log import FrameLog
from lostlink_sims.power import PowerState
from lostlink_sims.trace import Trace

TrialBuild = Callable[[World, FrameLog, int, int], PowerState]
"""``build(env, log, frame_phase_us, clock_us)`` returns a receiver board."""


@dataclass(slots=True)
class Flown:
    """The output of some trials.

    Attributes
    ----------
    frames : Frames
        Of all trials, trial by trial.
    begins : (n + 1,) ndarray of int64
        The first frame of each trial.
    crashed : (n,) ndarray of bool
        Where the receiver's program crashed; such a trial has no frames.
    sent, missed : (n,) ndarray of int64
        As in `lostlink_sims.batch.engine.Outcomes`.
    """

    frames: Frames
    begins: Ints
    crashed: Mask
    sent: Ints
    missed: Ints

    @classmethod
    def of(cls, trace: Trace | None, lost_us: int) -> Flown:
        """Return one trial from its trace, None where the program crashed; its link is lost at `lost_us`."""
        none, sent, missed = np.zeros(0, np.int64), 0, 0
        frames = Frames(none, none, none, none)
        if trace is not None:
            before = trace.packets.left_us < lost_us
            frames, sent, missed = trace.frames, int(before.sum()), int(trace.packets.lost[before].sum())
        begins = np.array([0, len(frames.start_us)])
        return cls(frames, begins, np.array([trace is None]), np.array([sent]), np.array([missed]))

    def part(self, first: int, count: int) -> Flown:
        """Return some of the trials."""
        begins = self.begins[first : first + count + 1]
        frames, edges = slice(int(begins[0]), int(begins[-1])), np.append(0, np.cumsum(self.frames.count))
        widths = slice(int(edges[frames.start]), int(edges[frames.stop]))
        some, trials = self.frames, slice(first, first + count)
        return Flown(
            Frames(some.start_us[frames], some.count[frames], some.widths_us[widths], some.until_us[frames]),
            begins - begins[0], self.crashed[trials], self.sent[trials], self.missed[trials],
        )  # fmt: skip

    @classmethod
    def joined(cls, parts: list[Flown]) -> Flown:
        """Return the trials of all parts, of which there is one at least."""
        none = np.zeros(0, np.int64)
        counts = np.concatenate([np.diff(part.begins) for part in parts])
        return cls(
            concatenated(Frames(none, none, none, none), [part.frames for part in parts]),
            np.concatenate([[0], np.cumsum(counts)]),
            *(np.concatenate([getattr(part, name) for part in parts]) for name in ("crashed", "sent", "missed")),
        )


class Flyer:
    """Flies trials `first` .. `first` + `count` - 1 of trials for which `unfit_arrivals` gives no reason.

    Parameters
    ----------
    trials : FlightTrials
    first, count : int
    """

    def __init__(self, trials: FlightTrials, first: int, count: int) -> None:
        self._trials = trials
        self.arrivals = BatchArrivals(trials, first, count)
        self._log = FrameLog()
        self._begins = [0]
        self._crashed: list[bool] = []

    def fly(self, build: TrialBuild, *, is_sound: Callable[[], bool] = lambda: True) -> None:
        """Fly the next trial; `is_sound` tells at its end whether it counts as crashed all the same."""
        index, log, arrivals = len(self._crashed), self._log, self.arrivals
        env, end_us = World(), self._trials.duration_us
        drawn = arrivals.drawn
        board = build(env, log, int(drawn.frame_phase_us[index]), int(drawn.clock_us[index]))
        begun = len(log.start_us), len(log.widths_us)
        board.power_on()
        try:
            while env.next_us < end_us:
                env.step()
            board.span_columns(arrivals.of(index), end_us)
            has_crashed = not is_sound()
        except ReceiverCrashError:
            has_crashed = True
        if has_crashed:
            log.forget(*begun)
        self._begins.append(len(log.start_us))
        self._crashed.append(has_crashed)

    def flown(self) -> Flown:
        """Return the output of the trials flown so far, in few bytes: a width has 16 bits."""
        n, frames = len(self._crashed), self._log.all()
        frames.widths_us, frames.count = frames.widths_us.astype(np.uint16), frames.count.astype(np.uint8)
        return Flown(
            frames, np.array(self._begins, np.int64), np.array(self._crashed, np.bool_),
            self.arrivals.sent[:n], self.arrivals.missed[:n],
        )  # fmt: skip
