"""Packet losses of many trials at once, as bits: identical to those of `fates`.

Losses are calculated in one of three ways, fastest first: by bits, where a model compares random words with a threshold
(Bernoulli, Gilbert-Elliott, a steady link budget); by time spans (an interferer's bursts, a cut link); else by the
model's own sampler, trial by trial. A new model in `air.loss` needs no change here.
"""

from __future__ import annotations

import numpy as np

from lostlink_sims.air import loss
from lostlink_sims.arrays import Ints, Mask, Words
from lostlink_sims.batch import NEVER, bits
from lostlink_sims.batch.trials import Drawn, FlightTrials
from lostlink_sims.fates import on_air
from lostlink_sims.handset import TILE
from lostlink_sims.profile import air_time_us, fatal_bits
from lostlink_sims.streams import BLOCK, MODEL_SPAN, BatchStreams, Purpose, Streams, scaled, threshold


class Departures:
    """When packets leave the handset, in many trials.

    Attributes
    ----------
    slots : int
        Maximum number of packets of a trial.
    words : int
        Words of 64 slots that hold them.
    count : (trials,) ndarray of int64
        Packets of each trial.
    interval_us : int
        Shortest time between packets, without jitter.
    """

    def __init__(self, trials: FlightTrials, drawn: Drawn, draws: BatchStreams) -> None:
        handset = trials.profile.handset
        self._base_us = handset.boot_us + drawn.packet_phase_us
        interval_us, error = handset.packet_interval_us, handset.clock_error_ppm
        most = (trials.duration_us - handset.boot_us) * (1_000_000 + error) // (1_000_000 * interval_us) + 2
        self.words = -(-max(1, most) // BLOCK)
        self.slots = BLOCK * self.words
        own_us = np.arange(self.slots) * interval_us
        # One entry more than slots, for packets that never leave.
        self._own_us = np.append(own_us - own_us * error // (1_000_000 + error), NEVER)
        self._rate = (1_000_000 + error) / (interval_us * 1_000_000)
        self.interval_us = interval_us * 1_000_000 // (1_000_000 + error)
        self.jitter_us: Ints | None = None
        if handset.jitter_us:
            self.jitter_us = scaled(draws.words(Purpose.PACKET_JITTER, self.words), handset.jitter_us + 1)
        off = trials.switched_off(drawn.cause)
        self.count = self.first_from(np.where(off, drawn.lost_us, trials.duration_us))

    def left_us(self, trial: Ints, slot: Ints) -> Ints:
        """Return when packets leave; `trial` and `slot` of one shape."""
        slot = np.minimum(slot, self.slots - 1)
        left_us: Ints = self._base_us[trial] + self._own_us[slot]
        if self.jitter_us is not None:
            left_us += self.jitter_us[slot, trial]
        return left_us

    def leave_before(self, at_us: Ints, trial: Ints, slot: Ints) -> Mask:
        """Return which packets leave before an instant, all of one shape; not for packets with jitter."""
        before: Mask = self._own_us.take(slot, mode="clip") < at_us - self._base_us[trial]
        return before

    def near(self, begin_us: Ints, period_us: int, times: int, length_us: int) -> tuple[Ints, Ints]:
        """Return number and trial of times that recur, without those in which no packet leaves; not with jitter.

        Parameters
        ----------
        begin_us : (trials,) ndarray of int64
            Begin of time 0 of each trial; the others follow by `period_us`.
        times, length_us : int
        """
        # In intervals of packets, which leave at whole numbers, up to 1 us later.
        first = (begin_us - self._base_us - 2) * self._rate
        since = first + (np.arange(times) * (period_us * self._rate))[:, None]
        until = np.ceil(since)
        until -= since
        number, trial = np.divmod(np.flatnonzero(until <= (length_us + 4) * self._rate), len(begin_us))
        return number, trial

    def all_left_us(self) -> Ints:
        """Return when all packets leave, (slots, trials)."""
        table: Ints = self._own_us[:-1, None] + self._base_us
        return table if self.jitter_us is None else table + self.jitter_us

    def first_from(self, at_us: Ints, trial: Ints | None = None) -> Ints:
        """Return the first slot that leaves at or after an instant; `slots` when none does.

        Parameters
        ----------
        at_us : (trials,) or (m, trials) ndarray of int64
            For each trial, or for those named by `trial`.
        """
        since_us = at_us - (self._base_us if trial is None else self._base_us[trial])
        # The guess is this slot or the one before it; with jitter a packet leaves up to half an interval later.
        slot = np.ceil((since_us - 2) * self._rate).astype(np.int64)
        slot = np.minimum(np.maximum(slot, 0), self.slots)
        slot += self._own_us[slot] < since_us
        if self.jitter_us is not None:
            if trial is None:
                trial = np.broadcast_to(np.arange(len(self._base_us)), slot.shape)
            before = np.maximum(slot - 1, 0)
            slot = slot - ((slot > 0) & (self.left_us(trial, before) >= at_us))
        first: Ints = slot
        return first


class BatchLosses:
    """Losses and arrivals of the packets of many trials.

    Attributes
    ----------
    departures : Departures
    heard : list of (words, trials) ndarray of uint64
        Packets that get through, for each attempt; later attempts of acknowledged packets only.
    received : (words, trials) ndarray of uint64
        Packets that reached the running receiver, in any attempt.
    flight_us : int
        Time from the send command to the delivery of the payload, without jitter.
    """

    def __init__(self, trials: FlightTrials, drawn: Drawn, first: int) -> None:
        profile = trials.profile
        self._trials, self._drawn, self._first = trials, drawn, first
        self._count = len(drawn.lost_us)
        self._radio = profile.radio
        self.draws = BatchStreams(trials.seed, first, self._count)
        self.departures = Departures(trials, drawn, self.draws)
        self._air_us = air_time_us(profile.radio, profile.payload_bytes)
        self._bits = fatal_bits(profile.radio, profile.payload_bytes)
        self.flight_us = profile.radio.settle_us + self._air_us + profile.radio.latency_us
        self._late_us: Ints | None = None
        if profile.radio.latency_jitter_us:
            words = self.draws.words(Purpose.LATENCY_JITTER, self.departures.words)
            self._late_us = scaled(words, profile.radio.latency_jitter_us + 1)
        self._states: dict[int, Words] = {}  # of Gilbert-Elliott chains, by purpose
        self._samplers: dict[int, list[loss.Sampler]] = {}
        attempts = 1 + profile.radio.retries if profile.radio.acknowledge else 1
        self.heard = [self._heard(attempt) for attempt in range(attempts)]
        self.received = self._received()

    def _heard(self, attempt: int) -> Words:
        words = self.departures.words
        before_us = self._radio.settle_us + attempt * self._radio.retry_delay_us
        # Lost when any of it is on the air while the link is lost.
        begin = self.departures.first_from(self._drawn.lost_us - self._air_us + 1 - before_us)
        end = self.departures.first_from(self._drawn.back_us - before_us)
        off = self._trials.switched_off(self._drawn.cause)  # no packet begins then
        begin = np.where(off, self.departures.count, begin)
        end = np.where(off, self.departures.slots, end)
        heard = ~bits.from_to(words, begin, end)
        for index, model in enumerate(self._trials.profile.radio.losses):
            heard &= ~self._lost(model, Purpose.MODEL + MODEL_SPAN * index, attempt, heard)
        return heard

    def _received(self) -> Words:
        up_us, end_us = self._trials.profile.receiver.boot_us, self._trials.duration_us
        received = np.zeros_like(self.heard[0])
        for attempt, heard in enumerate(self.heard):
            first, after = (self._first_arrival(at_us, attempt) for at_us in (up_us, end_us))
            after = np.minimum(after, self.departures.count)
            received |= heard & bits.from_to(len(heard), first, after)
        return received

    def _first_arrival(self, at_us: int, attempt: int) -> Ints:
        """Return the first slot of each trial that arrives at or after an instant."""
        before_us = self.flight_us + attempt * self._radio.retry_delay_us
        first = self.departures.first_from(np.full(self._count, at_us - before_us))
        if self._late_us is not None:  # the packet before may be late enough
            before = np.maximum(first - 1, 0)
            arrives_us = self.arrival_us(np.arange(self._count), before, np.full(self._count, attempt))
            first = np.where((first > 0) & (arrives_us >= at_us), before, first)
        return first

    def attempt(self, trial: Ints, slot: Ints) -> Ints | None:
        """Return the attempt in which received packets got through, None when each is sent once only."""
        if len(self.heard) == 1:
            return None
        at = np.full(trial.shape, len(self.heard) - 1)
        inside = np.minimum(slot, self.departures.slots - 1)
        up_us = self._trials.profile.receiver.boot_us
        for attempt in range(len(self.heard) - 2, -1, -1):
            word = self.heard[attempt][inside >> 6, trial]
            there = (word >> (inside & 63).astype(np.uint64)) & np.uint64(1) != 0
            there &= self.arrival_us(trial, inside, np.full(trial.shape, attempt)) >= up_us
            at = np.where(there, attempt, at)
        return at

    def arrival_us(self, trial: Ints, slot: Ints, attempt: Ints | None = None) -> Ints:
        """Return when packets would be delivered; all of one shape."""
        at_us = self.departures.left_us(trial, slot) + self.flight_us
        if self._late_us is not None:
            at_us += self._late_us[np.minimum(slot, self.departures.slots - 1), trial]
        if attempt is not None:
            at_us += attempt * self._radio.retry_delay_us
        return at_us

    # --- loss models ----------------------------------------------------------------------------------------

    def _lost(self, model: loss.LossModel, purpose: int, attempt: int, heard: Words) -> Words:
        """Return which packets a model loses; of those that are not `heard` anyway it may return anything."""
        match model:
            case loss.Bernoulli():
                return self._below(purpose + 4 * attempt, model.probability)
            case loss.GilbertElliott() if model.good_to_bad <= 1 - model.bad_to_good:
                return self._lost_in_bursts(model, purpose, attempt, heard)
            case loss.LinkBudget() if model.fading == "none" and self._radio.crc_bytes:
                limits = loss.packet_loss_thresholds(self._bits)
                limit = model.steady_threshold(limits, self._radio.bit_rate_bit_s)
                return self.draws.bits_under(purpose + 4 * attempt, self.departures.words, limit)[0]
            case loss.PeriodicInterferer() if self.departures.jitter_us is None:
                return self._lost_to_interferer(model, purpose, attempt, heard)
            case _:
                return self._lost_one_by_one(model, purpose, attempt)

    def _below(self, purpose: int, share: float) -> Words:
        words = self.departures.words
        limit = threshold(share)
        if limit in (0, 1 << 32):  # the same for every number
            return np.full((words, self._count), 0 if limit == 0 else 0xFFFF_FFFF_FFFF_FFFF, np.uint64)
        return self.draws.bits_under(purpose, words, limit)[0]

    def _lost_in_bursts(self, model: loss.GilbertElliott, purpose: int, attempt: int, heard: Words) -> Words:
        words = self.departures.words
        if purpose not in self._states:
            limits = threshold(model.good_to_bad), threshold(1 - model.bad_to_good)
            self._states[purpose] = bits.carried(*self.draws.bits_under(purpose, words, *limits))
        bad, chance = self._states[purpose], purpose + 4 * attempt + 1
        limits = threshold(model.loss_good), threshold(model.loss_bad)
        if limits[0] == 0:  # numbers matter only while the channel is bad
            return self._lost_where(bad & heard, chance, limits[1])
        if all(limit in (0, 1 << 32) for limit in limits):
            good_lost, bad_lost = (self._below(chance, share) for share in (model.loss_good, model.loss_bad))
        else:
            good_lost, bad_lost = self.draws.bits_under(chance, words, *limits)
        lost: Words = (bad & bad_lost) | (~bad & good_lost)
        return lost

    def _lost_where(self, where: Words, purpose: int, limit: int) -> Words:
        """Return `where`, each bit only if its number is below the limit."""
        if limit in (0, 1 << 32):
            return where if limit else np.zeros_like(where)
        return self.draws.bits_under_at(purpose, where, limit)

    def _lost_to_interferer(self, model: loss.PeriodicInterferer, purpose: int, attempt: int, heard: Words) -> Words:
        departures, period_us = self.departures, model.period_us
        phase_us = np.full(self._count, model.phase_us or 0)
        if model.phase_us is None:
            phase_us = scaled(self.draws.firsts(purpose + loss.ONCE, 1)[0], period_us)
        before_us = self._radio.settle_us + attempt * self._radio.retry_delay_us
        # A packet is hit that leaves from the beginning of this time to its end.
        begin_us = phase_us % period_us - period_us - self._air_us + 1 - before_us
        length_us = model.burst_us + self._air_us - 1
        # All bursts that can overlap a packet, with a margin.
        bursts = (self._trials.duration_us + before_us + self._air_us) // period_us + 3
        burst, trial = departures.near(begin_us, period_us, bursts, length_us)
        begin_us = begin_us[trial] + burst * period_us
        slot, end_us = departures.first_from(begin_us, trial), begin_us + length_us
        hit = np.zeros((departures.words, self._count), np.uint64)
        # A burst hits consecutive packets.
        for _ in range(min(length_us // departures.interval_us + 1, departures.slots)):
            hits = departures.leave_before(end_us, trial, slot)
            bits.put(hit, slot[hits], trial[hits])
            slot += 1
        return self._lost_where(hit & heard, purpose + 4 * attempt, threshold(model.loss))

    def _lost_one_by_one(self, model: loss.LossModel, purpose: int, attempt: int) -> Words:
        """Use the model's own sampler, trial by trial and tile by tile as in the event simulation."""
        left_us = self.departures.all_left_us()
        if purpose not in self._samplers:
            self._samplers[purpose] = [
                model.sampler(on_air(self._trials.profile, Streams(self._trials.seed, self._first + index), purpose))
                for index in range(self._count)
            ]
        before_us = self._radio.settle_us + attempt * self._radio.retry_delay_us
        lost = np.zeros((self.departures.slots, self._count), np.bool_)
        for trial, sampler in enumerate(self._samplers[purpose]):
            for begin in range(0, int(self.departures.count[trial]), TILE):
                end = min(begin + TILE, int(self.departures.count[trial]))
                tile = loss.Tile(begin, left_us[begin:end, trial] + before_us, attempt)
                lost[begin:end, trial] = sampler(tile) != 0
        return bits.packed(lost)
