"""Frames and motors for many trials at once: from failsafe episodes to pulses and motor commands.

Only frames around the instants of interest are calculated. With a fixed period they are on a grid. With a fixed gap
each depends on the widths of the one before it, so all are calculated, one frame of every trial at a time.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lostlink_sims.arrays import Ints, Mask, Words
from lostlink_sims.batch import NEVER, NONE, bits
from lostlink_sims.batch.losses import BatchLosses
from lostlink_sims.batch.trials import Drawn, FlightTrials
from lostlink_sims.codes import ADC_COUNTS, FULL_TRAVEL, adc_reading, pulse_table
from lostlink_sims.flight import TRANSITIONS, WITHOUT_SWITCH, Arming, Seen
from lostlink_sims.profile import Profile
from lostlink_sims.sticks import codes, stick_codes, wiper
from lostlink_sims.streams import Purpose, scaled

_FAR_US: Final = 1 << 42
"""Later than any flight; times a million it still fits into 64 bits, which `NEVER` does not."""


def real_us(profile: Profile, own_us: Ints) -> Ints:
    """Return the real duration of times by the receiver's clock, rounded as its timer does."""
    rate = 1_000_000 + profile.receiver.clock_error_ppm
    real: Ints = own_us - (2 * own_us * profile.receiver.clock_error_ppm + rate) // (2 * rate)
    return real


def preset_us(profile: Profile) -> Ints:
    """Return the widths of a frame in failsafe, (output channels,)."""
    padding = [profile.output.unused_us] * (profile.output.channels - len(profile.channels))
    return real_us(profile, np.array([*(channel.failsafe_us for channel in profile.channels), *padding], np.int64))


def _table(profile: Profile) -> Ints:
    settings = profile.receiver
    return real_us(profile, np.array(pulse_table(settings.mapping, settings.low_us, settings.high_us), np.int64))


def _spread(profile: Profile, index: int, least: int, most: int) -> tuple[int, int]:
    """Return the narrowest and widest pulse of a channel between two positions (millionths), noise included."""
    channel, table = profile.channels[index], _table(profile)
    ends = np.array([least, most], np.int64)
    if channel.kind == "stick":
        reading, noise = adc_reading(wiper(channel, ends)), profile.handset.adc_noise_counts
        readings = np.arange(max(0, int(reading.min()) - noise), min(ADC_COUNTS - 1, int(reading.max()) + noise) + 1)
        code = stick_codes(profile, channel, readings)
    else:
        position = np.zeros((2, len(profile.channels)), np.int64)
        position[:, index] = ends
        code = codes(profile, position)[:, index]
    widths = table[code]
    return int(widths.min()), int(widths.max())


def _noise_us(profile: Profile) -> int:
    """Return by how much noise changes a pulse at most: a count may be a whole code, or more than one."""
    noise, readings, table = profile.handset.adc_noise_counts, np.arange(ADC_COUNTS), _table(profile)
    noisy = np.minimum(readings + noise, ADC_COUNTS - 1)
    sticks = [channel for channel in profile.channels if channel.kind == "stick"]
    widths = [table[stick_codes(profile, stick, np.stack([readings, noisy]))] for stick in sticks]
    return max((int(np.abs(noisy_us - width_us).max()) for width_us, noisy_us in widths), default=0)


def unfit_frames(trials: FlightTrials) -> str:
    """Return which property of the profile is not supported; empty when none."""
    profile = trials.profile
    fc, limits, output = profile.flight_controller, profile.requirements, profile.output
    throttle = profile.throttle_index
    preset = preset_us(profile)
    idle_us = min(limits.idle_below_us, fc.arm_below_us)
    widest = [_spread(profile, index, 0, FULL_TRAVEL)[1] for index in range(len(profile.channels))]
    widest += [int(real_us(profile, np.array(output.unused_us)))] * (output.channels - len(widest))
    longest_us = sum(max(wide_us, int(low_us)) for wide_us, low_us in zip(widest, preset, strict=True))
    gap_us = output.frame_gap_us if output.style == "fixed gap" else output.frame_period_us - longest_us
    at_rest = _spread(profile, throttle, 0, 0)
    in_flight = _spread(profile, throttle, round(FULL_TRAVEL * trials.least_throttle), FULL_TRAVEL)
    slack_us = max(
        abs(int(width) - own)
        for width, own in zip(
            _table(profile), pulse_table(profile.receiver.mapping, profile.receiver.low_us, profile.receiver.high_us),
            strict=True,
        )
    ) + _noise_us(profile)  # fmt: skip
    problems = (
        (profile.receiver.pulses_cease, "pulses cease in failsafe"),
        (output.latch != "frame", "pulse widths are read while the frame goes out"),
        (not trials.moves_once, "a stick moves more than once"),
        (int(preset[throttle]) > idle_us, "the failsafe throttle is not idle"),
        (at_rest[1] > idle_us, "the throttle at rest is not idle"),
        (in_flight[0] <= max(limits.idle_below_us, fc.arm_below_us), "the throttle in flight is idle"),
        (gap_us < fc.least_sync_us + 4, "the gap between frames is short"),
        (min(fc.least_pulse_us, 800) > int(preset.min()) or max(widest) > fc.most_pulse_us, "pulses spoil their frame"),
        (min(_spread(profile, i, 0, FULL_TRAVEL)[0] for i in range(len(profile.channels))) < fc.least_pulse_us,
         "pulses spoil their frame"),
        (slack_us > limits.value_tolerance_us, "noise is larger than the tolerance for pulse widths"),
        (profile.arm_index is not None and _spread(profile, profile.arm_index, 0, 0)[1] >= fc.switch_on_us,
         "the arming switch rests where it arms"),
    )  # fmt: skip
    return next((why for wrong, why in problems if wrong), "")


def restarts(profile: Profile) -> bool:
    """Return whether motors stopped by failsafe frames restart with the next frames with the throttle up."""
    fc, preset = profile.flight_controller, preset_us(profile)
    table = TRANSITIONS if profile.arm_index is not None else WITHOUT_SWITCH
    on = profile.arm_index is None or int(preset[profile.arm_index]) >= fc.switch_on_us
    seen = Seen.ON_IDLE if on else Seen.OFF_IDLE
    if int(preset[profile.throttle_index]) < fc.failsafe_below_us:
        seen = Seen.LOST
    return table[table[Arming.ARMED, seen], Seen.ON_UP] is Arming.ARMED


class FrameTimes:
    """Start times and pulse widths of the frames of many trials.

    Parameters
    ----------
    episodes : (m, 3) ndarray of int64
        Trial index, begin and end of each failsafe.
    """

    def __init__(self, trials: FlightTrials, drawn: Drawn, link: Link, episodes: Ints) -> None:
        self._trials, self._drawn, self._link = trials, drawn, link
        profile = self._profile = trials.profile
        self._first_us = profile.receiver.boot_us + np.maximum(1, drawn.frame_phase_us)
        # Frame n begins n * period / rate after the first one, rounded down, as in the event simulation.
        self._rate = 1_000_000 + profile.receiver.clock_error_ppm
        self._period = profile.output.frame_period_us * 1_000_000
        self.preset, self._table = preset_us(profile), _table(profile)
        self._all_us: Ints | None = None
        if profile.output.style == "fixed gap":
            self._all_us = self._made(episodes)

    def at_or_after(self, trial: Ints, at_us: Ints) -> Ints:
        """Return the start of the first frame at or after an instant."""
        if self._all_us is None:
            since_us = np.minimum(at_us, _FAR_US) - self._first_us[trial]
            number = np.maximum(0, -(-since_us * self._rate // self._period))
            start: Ints = self._first_us[trial] + number * self._period // self._rate
            return start
        number = np.empty(len(trial), np.int64)
        for begin in range(0, len(trial), 256):
            part = slice(begin, begin + 256)
            number[part] = (self._all_us[:, trial[part]] < at_us[part]).sum(0)
        starts_us: Ints = self._all_us[np.minimum(number, len(self._all_us) - 1), trial]
        return starts_us

    def _made(self, episodes: Ints) -> Ints:
        """Return the start times of all frames, (frames, trials); the last row is `NEVER`."""
        count, failsafe_us = len(self._first_us), int(self.preset.sum())
        number = np.arange(len(episodes)) - np.searchsorted(episodes[:, 0], episodes[:, 0])
        begin = np.full((count, int(number.max()) + 1), NEVER)
        end = begin.copy()
        begin[episodes[:, 0], number], end[episodes[:, 0], number] = episodes[:, 1], episodes[:, 2]
        gap_us = int(real_us(self._profile, np.array(self._profile.output.frame_gap_us)))
        rows, start_us, everyone = [], self._first_us.copy(), np.arange(count)
        while (going := start_us < self._trials.duration_us).any():
            rows.append(np.where(going, start_us, NEVER))
            total_us = np.full(count, failsafe_us)
            linked = ~((begin <= start_us[:, None]) & (start_us[:, None] < end)).any(1) & going
            who = everyone[linked]
            total_us[linked] = self.widths_us(who, start_us[linked]).sum(1)
            start_us = start_us + total_us + gap_us
        rows.append(np.full(count, NEVER))
        return np.stack(rows)

    # --- widths ---------------------------------------------------------------------------------------------

    def latched(self, trial: Ints, start_us: Ints) -> Ints:
        """Return the packet output in frames of a linked receiver: the last that arrived before their start."""
        link = self._link
        after = link.air.departures.first_from(start_us - link.air.flight_us + 1, trial)
        slot = link.seek.previous(trial, after - 1)
        while (late := (slot >= 0) & (link.arrival_us(trial, np.maximum(slot, 0)) > start_us)).any():
            slot[late] = link.seek.previous(trial[late], slot[late] - 1)
        return slot

    def widths_us(self, trial: Ints, start_us: Ints) -> Ints:
        """Return the widths of frames of a linked receiver, (m, output channels)."""
        slot = np.maximum(self.latched(trial, start_us), 0)
        widths = np.empty((len(trial), len(self.preset)), np.int64)
        widths[:] = self.preset
        widths[:, : len(self._profile.channels)] = self._table[self._link.codes(trial, slot)]
        return widths


class Link:
    """Arrival times and contents of packets."""

    def __init__(self, trials: FlightTrials, drawn: Drawn, air: BatchLosses, received: Words) -> None:
        self._trials, self._drawn, self.air, self.received = trials, drawn, air, received
        self.seek = bits.Seeker(received)
        self._noise: dict[int, Ints] = {}

    def arrival_us(self, trial: Ints, slot: Ints) -> Ints:
        """Return when received packets arrived."""
        return self.air.arrival_us(trial, slot, self.air.attempt(trial, slot))

    def codes(self, trial: Ints, slot: Ints) -> Ints:
        """Return the codes in packets, (m, channels)."""
        left_us = self.air.departures.left_us(trial, slot)
        position = self._trials.positions(self._drawn, trial, left_us)
        return codes(self._trials.profile, position, self._readings(position, trial, slot))

    def _readings(self, position: Ints, trial: Ints, slot: Ints) -> Ints:
        profile, readings = self._trials.profile, np.empty(position.shape, np.int64)
        noise = profile.handset.adc_noise_counts
        for index, channel in enumerate(profile.channels):
            reading = adc_reading(wiper(channel, position[:, index]))
            if noise:
                if index not in self._noise:
                    words = self.air.draws.words(Purpose.ADC_NOISE + index, self.air.departures.words)
                    self._noise[index] = scaled(words, 2 * noise + 1) - noise
                reading = np.clip(reading + self._noise[index][slot, trial], 0, ADC_COUNTS - 1)
            readings[:, index] = reading
        return readings

    def throttle_is_low(self, trial: Ints, slot: Ints) -> Mask:
        """Return whether packets carry an idle throttle, by the receiver's rule."""
        profile = self._trials.profile
        settings = profile.receiver
        table = np.array(pulse_table(settings.mapping, settings.low_us, settings.high_us), np.int64)
        width_us = table[self.codes(trial, slot)[:, profile.throttle_index]]
        low: Mask = width_us <= profile.requirements.idle_below_us
        return low


class Pilot:
    """Pulses and motors in each trial, as seen by the flight controller."""

    def __init__(self, trials: FlightTrials, drawn: Drawn, link: Link, episodes: Ints) -> None:
        self._trials, self._drawn, self._link = trials, drawn, link
        profile = self._profile = trials.profile
        self._count = len(drawn.lost_us)
        self._frames = frames = FrameTimes(trials, drawn, link, episodes)
        self._throttle = profile.throttle_index
        self._idle_end_us = int(frames.preset[: self._throttle + 1].sum())
        self._sync_us = profile.flight_controller.least_sync_us
        self._idle_done_us = int(frames.preset.sum()) + self._sync_us
        self._trial, self._begin_us, self._end_us = episodes.T
        following = np.append(self._trial[1:], -1) == self._trial
        self._next_us = np.where(following, np.append(self._begin_us[1:], NEVER), NEVER)
        self._up_frame_us, self._unsure = self._take_off()

    # --- before the link loss -------------------------------------------------------------------------------

    def _take_off(self) -> tuple[Ints, Mask]:
        """Return the first frame with the throttle up, and in which trials the take-off is irregular."""
        trials, link, frames, everyone = self._trials, self._link, self._frames, np.arange(self._count)
        at_us = {move.channel: move.at_us for move in trials.moves}
        name = self._profile.flight_controller
        up_us = at_us[name.throttle]
        arm_us = up_us if name.arm_channel is None else at_us[name.arm_channel]
        departures, slots = link.air.departures, link.air.departures.slots
        first_up = link.seek.next(everyone, departures.first_from(np.full(self._count, up_us)))
        there = first_up < np.minimum(slots, departures.count)
        arrives_us = np.where(there, link.arrival_us(everyone, np.minimum(first_up, slots - 1)), trials.duration_us)
        up_frame_us = frames.at_or_after(everyone, arrives_us)
        unsure = ~there | (up_frame_us > trials.air_us - 2 * self._profile.output.frame_period_us)
        unsure |= up_frame_us + 60_000 > self._drawn.lost_us
        # Linked with the switch off, then on, then with the throttle up: no failsafe in between.
        linked_us = self._end_us[np.searchsorted(self._trial, everyone)]
        next_us = self._next_us[np.searchsorted(self._trial, everyone)]
        unsure |= (next_us <= up_frame_us) | (linked_us >= arm_us)
        for from_us, until_us in ((0, arm_us), (arm_us, up_us)):
            if until_us > from_us:
                unsure |= ~self._shown(everyone, np.maximum(linked_us, from_us), until_us)
        return up_frame_us, unsure

    def _shown(self, trial: Ints, from_us: Ints, until_us: int) -> Mask:
        """Return whether a frame shows a packet that left between two instants, the receiver being linked."""
        link, departures = self._link, self._link.air.departures
        end = link.seek.end
        slot = link.seek.next(trial, departures.first_from(from_us))
        inside = np.minimum(slot, end - 1)
        start_us = self._frames.at_or_after(trial, np.maximum(link.arrival_us(trial, inside), from_us))
        latched = self._frames.latched(trial, start_us)
        shown: Mask = (slot < end) & (latched >= 0)
        shown &= departures.left_us(trial, np.maximum(latched, 0)) < until_us
        return shown

    # --- after the link loss --------------------------------------------------------------------------------

    def results(self) -> dict[str, NDArray[Any]]:
        """Return the columns of `Outcomes` from `flew` on."""
        drawn, duration_us = self._drawn, self._trials.duration_us
        air_us = np.full(self._count, self._trials.air_us)
        false_us = self._first_idle(air_us, drawn.lost_us)
        cut_us = self._first_idle(drawn.lost_us, np.full(self._count, duration_us))
        flew, stop_us, restart_us = self._motors(cut_us)
        rose_us = self._first_up(np.where(cut_us >= 0, cut_us, NEVER), drawn.back_us)
        return {
            "flew": flew, "false_us": false_us, "cut_us": cut_us, "stop_us": stop_us, "rose_us": rose_us,
            "restart_us": restart_us, "control_us": self._control(), "unsure": np.flatnonzero(self._unsure),
        }  # fmt: skip

    def _least(self, value_us: Ints, valid: Mask) -> Ints:
        """Return the least of the valid values of each trial's episodes, `NONE` where there is none."""
        least = np.full(self._count, NEVER)
        np.minimum.at(least, self._trial[valid], value_us[valid])
        return np.where(least < NEVER, least, NONE)

    def _first_idle(self, from_us: Ints, until_us: Ints) -> Ints:
        """Return the end of the first failsafe throttle pulse in [from, until)."""
        wanted_us = np.maximum(self._begin_us, from_us[self._trial] - self._idle_end_us)
        start_us = self._frames.at_or_after(self._trial, wanted_us)
        end_us = start_us + self._idle_end_us
        valid = (start_us < self._end_us) & (end_us < until_us[self._trial])
        valid &= start_us + self._idle_done_us <= self._trials.duration_us
        return self._least(end_us, valid)

    def _first_up(self, from_us: Ints, until_us: Ints) -> Ints:
        """Return the end of the first throttle pulse above idle in (from, until), after a failsafe has ended."""
        some = np.flatnonzero((self._end_us < until_us[self._trial]) & (self._end_us > from_us[self._trial]))
        value_us, valid = np.zeros(len(self._trial), np.int64), np.zeros(len(self._trial), np.bool_)
        start_us = self._frames.at_or_after(self._trial[some], self._end_us[some])
        shown = start_us < np.minimum(self._next_us[some], self._trials.duration_us)
        some, start_us = some[shown], start_us[shown]
        widths = self._frames.widths_us(self._trial[some], start_us)
        value_us[some] = start_us + widths[:, : self._throttle + 1].sum(1)
        valid[some] = (value_us[some] < until_us[self._trial[some]]) & self._seen(start_us, widths)
        return self._least(value_us, valid)

    def _seen(self, start_us: Ints, widths: Ints) -> Mask:
        seen: Mask = start_us + widths.sum(1) + self._sync_us <= self._trials.duration_us
        return seen

    def _motors(self, cut_us: Ints) -> tuple[Mask, Ints, Ints]:
        lost_us, duration_us = self._drawn.lost_us, self._trials.duration_us
        start_us = self._frames.at_or_after(self._trial, self._begin_us)
        done_us = start_us + self._idle_done_us
        stops = (start_us < self._end_us) & (done_us < duration_us) & (start_us > self._up_frame_us[self._trial])
        turn_us = np.full(len(self._trial), NEVER)  # when the motors start again
        if restarts(self._profile):
            again = np.flatnonzero(stops & (self._end_us < duration_us))
            frame_us = self._frames.at_or_after(self._trial[again], self._end_us[again])
            shown = frame_us < np.minimum(self._next_us[again], duration_us)
            again, frame_us = again[shown], frame_us[shown]
            widths = self._frames.widths_us(self._trial[again], frame_us)
            turn_us[again] = np.where(self._seen(frame_us, widths), frame_us + widths.sum(1) + self._sync_us, NEVER)
        lost = lost_us[self._trial]
        at_rest = stops & (done_us <= lost) & (turn_us > lost)
        flew = np.ones(self._count, np.bool_)
        flew[self._trial[at_rest]] = False
        stop_us = self._least(done_us, stops & (done_us > lost))
        after = turn_us > np.where(cut_us >= 0, cut_us, NEVER)[self._trial]
        return flew, stop_us, self._least(turn_us, after & (turn_us < duration_us))

    def _control(self) -> Ints:
        """Return the end of the first frame after the link's return that follows the sticks."""
        back_us, duration_us = self._drawn.back_us, self._trials.duration_us
        channels = len(self._profile.channels)
        # The receiver is linked from the end of one time in failsafe to the beginning of the next.
        some = np.flatnonzero((self._next_us > back_us[self._trial] - 40_000) & (back_us[self._trial] < duration_us))
        value_us, valid = np.zeros(len(self._trial), np.int64), np.zeros(len(self._trial), np.bool_)
        trial = self._trial[some]
        longest_us = 2_300 * channels
        start_us = self._frames.at_or_after(trial, np.maximum(self._end_us[some], back_us[trial] - longest_us))
        while len(some):
            going = start_us < np.minimum(self._next_us[some], duration_us)
            some, start_us = some[going], start_us[going]
            trial = self._trial[some]
            widths = self._frames.widths_us(trial, start_us)
            ends_us = start_us + widths[:, :channels].sum(1)
            hit = (ends_us >= back_us[trial]) & self._seen(start_us, widths)
            value_us[some[hit]], valid[some[hit]] = ends_us[hit], True
            some, trial, start_us = some[~hit], trial[~hit], start_us[~hit]
            start_us = self._frames.at_or_after(trial, start_us + 1)
        return self._least(value_us, valid)
