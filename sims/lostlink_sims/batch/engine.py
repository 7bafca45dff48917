"""The whole link for many trials at once, to the same microsecond as the event simulation.

Packets are bits (`losses`). Only the start-up, silences that may cause a failsafe, recoveries and the frames around
them are calculated. The receiver is `ReferenceReceiver`, the flight controller `flight.TRANSITIONS`.

Integer arithmetic on the same random numbers makes the results identical to those of the event simulation. Trials
that this engine does not cover are listed in `Outcomes.unsure`; the event simulation decides them. `unfit` returns
what a profile needs and this engine does not support. Memory is bounded by one piece: `BatchEngine.pieces`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink_sims.arrays import Ints, Mask, Words
from lostlink_sims.batch import NEVER, NONE, bits
from lostlink_sims.batch.frames import Link, Pilot, unfit_frames
from lostlink_sims.batch.losses import BatchLosses
from lostlink_sims.batch.trials import Drawn, FlightTrials

PIECE: Final = 1024
"""Trials side by side: large enough to outweigh numpy's calls, small enough for the cache."""
_WINDOW: Final = 32


@dataclass(frozen=True, slots=True)
class Outcomes:
    """Results of the trials from `first` on; instants in µs since power-on, `NONE` where there was none.

    Attributes
    ----------
    first : int
    drawn : Drawn
    received : (words, n) ndarray of uint64
        Packets delivered to the receiver, one bit per slot.
    episodes : (m, 3) ndarray of int64
        Index of the trial in this piece, begin and end (`NEVER`) of failsafe, ordered by trial and time. The first of
        each trial is the failsafe from power-on to the first link.
    sent, missed : (n,) ndarray of int64
        Packets sent before the link loss, and how many of them were not received.
    flew : (n,) ndarray of bool
        Whether the motors turned at the link loss.
    false_us : (n,) ndarray of int64
        End of the first idle throttle pulse in flight before the link loss.
    cut_us, stop_us : (n,) ndarray of int64
        End of the first idle throttle pulse, and motors at rest, after the link loss.
    rose_us, restart_us : (n,) ndarray of int64
        First throttle pulse above idle after the cut and during the link loss; motor restart after the cut.
    control_us : (n,) ndarray of int64
        End of the first frame that follows the sticks after the return of the link.
    unsure : (k,) ndarray of int64
        Indices of trials left to the event simulation: only `received`, `episodes`, `sent` and `missed` hold.
    """

    first: int
    drawn: Drawn
    received: Words
    episodes: Ints
    sent: Ints
    missed: Ints
    flew: Mask
    false_us: Ints
    cut_us: Ints
    stop_us: Ints
    rose_us: Ints
    restart_us: Ints
    control_us: Ints
    unsure: Ints


def unfit(trials: FlightTrials) -> str:
    """Return why this engine cannot run the trials; empty when it can."""
    profile = trials.profile
    if profile.radio.crc_bytes == 0 and not profile.handset.check_byte:
        return "damaged packets reach the receiver's channels"
    if trials.duration_us > 1 << 31:
        return "a trial is longer than half a round of the receiver's counter"
    return unfit_frames(trials)


class BatchEngine:
    """Runs `FlightTrials` side by side.

    Parameters
    ----------
    trials : FlightTrials

    Raises
    ------
    ValueError
        If `unfit` gives a reason.
    """

    def __init__(self, trials: FlightTrials) -> None:
        if why := unfit(trials):
            raise ValueError(why)
        self.trials = trials

    def pieces(self, first: int, count: int) -> Iterator[Outcomes]:
        """Yield trials `first` .. `first` + `count` - 1, at most `PIECE` at a time."""
        while count:
            size = min(count, PIECE - first % PIECE)
            yield self.run(first, size)
            first, count = first + size, count - size

    def run(self, first: int, count: int) -> Outcomes:
        """Return the results of some trials, all in memory at once."""
        drawn = self.trials.drawn(first, count)
        air = BatchLosses(self.trials, drawn, first)
        link = Link(self.trials, drawn, air, air.received)
        episodes = _Receivers(self.trials, link).episodes()
        sent = air.departures.first_from(drawn.lost_us)
        got = bits.count(air.received & bits.from_to(len(air.received), np.zeros_like(sent), sent))
        results = Pilot(self.trials, drawn, link, episodes).results()
        return Outcomes(first, drawn, air.received, episodes, sent, missed=sent - got, **results)


class _Receivers:
    """From received packets to failsafe: the reference receiver's states, many trials side by side."""

    def __init__(self, trials: FlightTrials, link: Link) -> None:
        self._trials, self._link, self.received = trials, link, link.received
        self._seek = link.seek
        self._count = link.received.shape[1]
        profile = self._profile = trials.profile
        settings = profile.receiver
        self._up_us = settings.boot_us
        self._ppm, self._rate = settings.clock_error_ppm, 1_000_000 + settings.clock_error_ppm
        self._cut_us = profile.cut_delay_us
        self._gap_us = profile.row_gap_us
        self._counts = profile.handset.packet_counter
        self._attempts = len(link.air.heard)

    def _clock(self, at_us: Ints) -> Ints:
        """Return the receiver's clock since its power-on, not wrapped."""
        since_us = at_us - self._up_us
        return since_us + since_us * self._ppm // 1_000_000

    def _deadline_us(self, heard_us: Ints) -> Ints:
        """Return the first µs at which the silence after a packet has reached the cut delay by the receiver's clock."""
        wanted = (self._clock(heard_us) + self._cut_us) * 1_000_000
        deadline: Ints = self._up_us - -wanted // self._rate
        return deadline

    # --- silences -------------------------------------------------------------------------------------------

    def episodes(self) -> Ints:
        """Return all failsafe episodes from power-on on: (trial index, begin, end) rows."""
        received, everyone = self.received, np.arange(self._count)
        none = np.full(self._count, NONE)
        start_us = np.full(self._count, self._up_us)
        since = self._seek.next(everyone, np.zeros(self._count, np.int64))
        linked, end_us = self._return(everyone, since, none, start_us)
        rows = [np.stack([everyone, start_us, end_us], axis=1)]
        trial, begin = bits.positions(bits.firsts(bits.runs(~received, self._least_silence())))
        # A pointer per trial to its silences; each round evaluates one silence of every trial.
        stop = np.searchsorted(trial, everyone, side="right")
        at = np.searchsorted(trial, everyone, side="left")
        active = everyone[(at < stop) & (linked < self._seek.end)]
        while len(active):
            before = begin[at[active]] - 1
            valid = before >= linked[active]
            self._silence(active[valid], before[valid], linked, rows)
            at[active] += 1
            active = active[(at[active] < stop[active]) & (linked[active] < self._seek.end)]
        episodes = np.concatenate(rows)
        return episodes[np.lexsort((episodes[:, 1], episodes[:, 0]))]

    def _least_silence(self) -> int:
        """Return the fewest consecutive lost packets that can cause a failsafe or a repeated counter."""
        handset, radio = self._profile.handset, self._profile.radio
        interval_us = handset.packet_interval_us * 1_000_000 / (1_000_000 + handset.clock_error_ppm)
        late_us = handset.jitter_us + radio.latency_jitter_us
        late_us += (self._attempts - 1) * radio.retry_delay_us
        shortest_us = self._cut_us * 1_000_000 / self._rate - late_us - 4
        lost = max(1, int(shortest_us / interval_us) - 1)
        return min(lost, 255) if self._counts else lost

    def _silence(self, trial: Ints, before: Ints, linked: Ints, rows: list[Ints]) -> None:
        """Evaluate one silence of each trial: whether it causes a failsafe, and when the link is back."""
        after = self._next_good(trial, before)
        deadline_us = self._deadline_us(self._link.arrival_us(trial, before))
        end = self._seek.end
        comes_us = np.where(after < end, self._link.arrival_us(trial, np.minimum(after, end - 1)), NEVER)
        # At the deadline the packet comes first, unless a hold ends there: the silence before it then counts.
        fired = (deadline_us < comes_us) if not self._profile.receiver.hold_us else (deadline_us <= comes_us)
        fired &= deadline_us < self._trials.duration_us
        linked[trial[~fired]] = after[~fired]
        trial, begin_us = trial[fired], deadline_us[fired]
        first = self._seek.next(trial, before[fired] + 1)
        back, end_us = self._return(trial, first, before[fired], begin_us)
        linked[trial] = back
        rows.append(np.stack([trial, begin_us, end_us], axis=1))

    def _next_good(self, trial: Ints, before: Ints) -> Ints:
        """Return the next packet that the receiver accepts: one with a new counter value."""
        after = self._seek.next(trial, before + 1)
        if self._counts:
            end, last = self._seek.end, before.copy()
            while (same := (after < end) & ((after - last) % 256 == 0)).any():
                last[same] = after[same]
                after[same] = self._seek.next(trial[same], after[same] + 1)
        return after

    # --- recovery -------------------------------------------------------------------------------------------

    def _return(self, trial: Ints, first: Ints, last: Ints, failed_us: Ints) -> tuple[Ints, Ints]:
        """Return the packet that ends a failsafe and its arrival; past the end and `NEVER` when none does.

        Parameters
        ----------
        trial, first, last, failed_us : (m,) ndarray of int64
            Trial index, first packet of the recovery, last packet before it (`NONE`), begin of failsafe.
        """
        end = self._seek.end
        back, back_us = np.full(len(trial), end), np.full(len(trial), NEVER)
        who = np.flatnonzero(first < end)
        if not self._profile.receiver.recover_on_low_throttle:
            slot, at_us, certain = self._usual_return(trial[who], first[who], failed_us[who])
            back[who[certain]], back_us[who[certain]] = slot[certain], at_us[certain]
            who = who[~certain]
        walk = _Walk(who, first[who], last[who], np.zeros(len(who), np.int64))
        heard = np.zeros(len(trial), np.int64)
        failed = self._clock(failed_us)
        while len(walk.who):
            who = walk.who
            slots = walk.slot[:, None] + np.arange(_WINDOW)
            trials = np.broadcast_to(trial[who][:, None], slots.shape)
            there = bits.window(self.received, trial[who], walk.slot, _WINDOW)
            at_us = self._link.arrival_us(trials, slots)
            good = there & (at_us < self._trials.duration_us)
            if self._counts:
                good &= ~self._repeated(walk, slots, there)
            clock = self._clock(at_us)
            in_a_row = self._in_a_row(walk, heard[who], clock, good)
            enough = good & (in_a_row >= self._profile.receiver.recovery_packets)
            enough &= clock - failed[who][:, None] >= self._profile.receiver.recovery_us
            if self._profile.receiver.recover_on_low_throttle and enough.any():
                row, column = np.nonzero(enough)
                enough[row, column] = self._link.throttle_is_low(trials[row, column], slots[row, column])
            is_back: Mask = np.any(enough, axis=1)
            column = np.argmax(enough, 1)[is_back]
            back[who[is_back]] = slots[is_back, column]
            back_us[who[is_back]] = at_us[is_back, column]
            walk.move_on(slots, there, good, in_a_row, clock, heard, self._seek, trial, is_back)
        return back, back_us

    def _usual_return(self, trial: Ints, first: Ints, failed_us: Ints) -> tuple[Ints, Ints, Mask]:
        """Return packets that end a failsafe, their arrivals, and where that is certain: the usual case, in few steps.

        The packet is the first one after the recovery time that has enough others before it. It is certain where all
        of them follow each other without a gap or an old counter value.
        """
        link, seek, settings = self._link, self._seek, self._profile.receiver
        failed, last = self._clock(failed_us), seek.end - 1
        enough = np.minimum(first, last)  # the first packet with enough others before it
        for _ in range(settings.recovery_packets - 1):
            enough = np.minimum(seek.next(trial, enough + 1), last)
        earliest_us = failed_us + settings.recovery_us * 1_000_000 // self._rate - link.air.flight_us
        slot = np.maximum(enough, link.air.departures.first_from(earliest_us, trial))
        slot = np.minimum(seek.next(trial, slot), last)
        at_us = link.arrival_us(trial, slot)
        clock = self._clock(at_us)
        certain = (clock - failed >= settings.recovery_us) & (at_us < self._trials.duration_us) & (slot < last)
        this = slot
        for place in range(settings.recovery_packets):
            before = seek.previous(trial, this - 1)
            earlier = self._clock(link.arrival_us(trial, np.maximum(before, 0)))
            if place == 0:
                certain &= (before < enough) | (earlier - failed < settings.recovery_us)
            if place < settings.recovery_packets - 1:
                certain &= (before >= first) & (clock - earlier <= self._gap_us)
            if self._counts:
                certain &= (before < 0) | ((this - before) % 256 != 0)
            this, clock = before, earlier
        return slot, at_us, certain

    @staticmethod
    def _repeated(walk: _Walk, slots: Ints, there: Mask) -> Mask:
        before = np.maximum.accumulate(np.where(there, slots, walk.last[:, None]), axis=1)
        before = np.concatenate([walk.last[:, None], before[:, :-1]], axis=1)
        repeated: Mask = (before >= 0) & ((slots - before) % 256 == 0)
        return repeated

    def _in_a_row(self, walk: _Walk, heard: Ints, clock: Ints, good: Mask) -> Ints:
        """Return the count of consecutive good packets up to each good packet, earlier windows included."""
        before = np.maximum.accumulate(np.where(good, clock, heard[:, None]), axis=1)
        before = np.concatenate([heard[:, None], before[:, :-1]], axis=1)
        count: Ints = np.cumsum(good, axis=1)
        goes_on = (count + walk.row[:, None] > 1) & (clock - before <= self._gap_us)
        begins = np.where(good & ~goes_on, count, 1 - walk.row[:, None])
        in_a_row: Ints = count - np.maximum.accumulate(begins, axis=1) + 1
        return in_a_row


@dataclass(slots=True)
class _Walk:
    """Progress of the recoveries that are not complete."""

    who: Ints  # rows of the walk's own arrays
    slot: Ints  # where the next window begins
    last: Ints  # last received packet before it, good or not
    row: Ints  # good packets in a row so far

    def move_on(
        self,
        slots: Ints,
        there: Mask,
        good: Mask,
        in_a_row: Ints,
        clock: Ints,
        heard: Ints,
        seek: bits.Seeker,
        trial: Ints,
        is_back: Mask,
    ) -> None:
        """Start the next window at the next packet; drop recoveries that are complete or have no packet left."""
        last_good = good.shape[1] - 1 - np.argmax(good[:, ::-1], 1)
        some = good.any(1)
        rows = np.arange(len(self.who))
        self.row = np.where(some, in_a_row[rows, last_good], self.row)
        heard[self.who] = np.where(some, clock[rows, last_good], heard[self.who])
        last_there = there.shape[1] - 1 - np.argmax(there[:, ::-1], 1)
        self.last = np.where(there.any(1), slots[rows, last_there], self.last)
        following: Ints = seek.next(trial[self.who], slots[:, -1] + 1)
        stay = ~is_back & (following < seek.end)
        self.who, self.slot = self.who[stay], following[stay]
        self.last, self.row = self.last[stay], self.row[stay]
