"""Choice of the timeout: the shorter it is, the more false failsafes occur.

For each timeout: the rate of false failsafes by ordinary loss (`first_passage`, exact; or counted in a simulation of
the packets, with its uncertainty), the time from link loss to the throttle cut, and the movement of the model in that
time. Distances and heights are upper bounds, for constant speed or a fall without drag.
"""

from __future__ import annotations

import bisect
import dataclasses
import math
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.statistics import upper_bound
from lostlink.measure.loss import loss_runs
from lostlink.planning.first_passage import Channel, channel_of, packets_to_fire, run_chances, run_rates
from lostlink.profiles.rules import longest_cut_us
from lostlink_sims import Profile
from lostlink_sims.air.loss import Recorded
from lostlink_sims.batch import bits
from lostlink_sims.batch.frames import preset_us
from lostlink_sims.batch.losses import BatchLosses
from lostlink_sims.profile import air_time_us

Floats = NDArray[np.float64]

GRAVITY_M_S2: Final = 9.80665
"""Standard acceleration of free fall (CGPM 1901)."""
_HOUR_US: Final = 3_600_000_000
_TRIAL_US: Final = 60_000_000
_CONFIDENCE: Final = 0.95
_STEP_US: Final = 1000
"""Recommended timeouts are multiples of this."""
_MOST_STEPS: Final = 1000
"""Of a curve."""


@dataclass(frozen=True, slots=True)
class RunRates:
    """Rates of runs of lost packets.

    Attributes
    ----------
    per_hour : (most,) ndarray of float
        Runs of at least 1, 2, ... losses; where they are counted, minutes with such a run.
    upper_per_hour : (most,) ndarray of float
        One-sided upper bound at 95 %; the same object as `per_hour` if that is exact.
    loss : float
        Share of packets lost.
    how : str
        Method, in words.
    channel : Channel or None
        What exact rates are calculated from; None where they are counted.
    """

    per_hour: Floats
    upper_per_hour: Floats
    loss: float
    how: str
    channel: Channel | None = None

    @property
    def is_exact(self) -> bool:
        return self.channel is not None


@dataclass(frozen=True, slots=True)
class TimeoutRow:
    """One timeout.

    Attributes
    ----------
    timeout_us : int
    packets : int
        Consecutive losses until a failsafe.
    per_hour, upper_per_hour : float
        False failsafes, and their upper bound.
    in_flight : float or None
        Probability of at least one in a flight; None where only a bound is known.
    in_flight_upper : float
        Its upper bound.
    independent_per_hour : float
        False failsafes if the same share of packets were lost independently.
    mean_us, worst_us : int
        From link loss to the end of the first idle throttle pulse.
    """

    timeout_us: int
    packets: int
    per_hour: float
    upper_per_hour: float
    in_flight: float | None
    in_flight_upper: float
    independent_per_hour: float
    mean_us: int
    worst_us: int

    def blind_m(self, speed_m_s: float) -> float:
        """Return the longest distance that the model covers until the cut."""
        return speed_m_s * self.worst_us / 1e6

    @property
    def fall_m(self) -> float:
        """Height of a fall without drag in that time."""
        return GRAVITY_M_S2 * (self.worst_us / 1e6) ** 2 / 2


def false_failsafes(profile: Profile, most: int, *, simulate_us: int, seed: int = 1) -> RunRates:
    """Return the rates of runs of losses in ordinary use.

    Parameters
    ----------
    most : int
        Longest run.
    simulate_us : int
        Simulated time where the exact rates are not known.
    """
    hourly = _HOUR_US / _interval_us(profile)
    channel = channel_of(profile, most)
    if channel is not None:
        exact = run_rates(channel, most) * hourly
        return RunRates(exact, exact, channel.mean_loss, "exact, by a finite Markov chain", channel)
    return _simulated(profile, most, max(_TRIAL_US, simulate_us), seed)


def _interval_us(profile: Profile) -> float:
    handset = profile.handset
    return handset.packet_interval_us * 1_000_000 / (1_000_000 + handset.clock_error_ppm)


def _simulated(profile: Profile, most: int, simulate_us: int, seed: int) -> RunRates:
    """Count runs in simulated packets, in trials of a minute without link loss."""
    lot = dataclasses.replace(
        flight_trials(profile, seed, duration_us=_TRIAL_US), lost_from_us=_TRIAL_US - 2, lost_until_us=_TRIAL_US - 1
    )
    trials = -(-simulate_us // _TRIAL_US)
    longest = np.zeros(most + 1, np.int64)  # trials by their longest run
    lost = packets = 0
    for first in range(0, trials, 16):
        count = min(16, trials - first)
        air = BatchLosses(lot, lot.drawn(first, count), first)
        is_lost = ~bits.unpacked(air.received)
        for trial in range(count):
            row = is_lost[: int(air.departures.count[trial]) - 1, trial]  # the last one may meet the end of the trial
            longest[min(int(loss_runs(row)[1].max(initial=0)), most)] += 1
            lost, packets = lost + int(row.sum()), packets + len(row)
    with_run = np.cumsum(longest[::-1])[::-1][1:]
    spans, recorded = _independent_spans(profile, trials)
    counts = np.ceil(with_run * (spans / trials)).astype(np.int64)
    # Runs come in clusters, so their number has no simple distribution; the trials are independent.
    upper = np.array([upper_bound(int(count), spans, _CONFIDENCE) for count in counts])
    # A run is whole within a trial if it begins early enough.
    room_us = np.maximum(_TRIAL_US - np.arange(1, most + 1) * _interval_us(profile), 1.0)
    hours = trials * _TRIAL_US / _HOUR_US
    how = f"minutes with one, counted in {hours:.2g} h of simulated packets, seed {seed}{recorded}"
    return RunRates(with_run / trials * _HOUR_US / room_us, upper * _HOUR_US / room_us, lost / max(1, packets), how)


def _independent_spans(profile: Profile, trials: int) -> tuple[int, str]:
    """Return how many independent minutes as many trials are worth, and a remark on it.

    Trials that repeat a recording show no more than the recording. The variances of both samples add up: that of the
    recording from the channel, and that of the trials from the recording.
    """
    recordings = [len(model.pattern) for model in profile.radio.losses if isinstance(model, Recorded)]
    if not recordings:
        return trials, ""
    minutes = min(recordings) * _interval_us(profile) / _TRIAL_US
    return math.floor(minutes * trials / (minutes + trials)), f"; bounds are for the {minutes:.2g} min recorded"


def cut_times_us(profile: Profile, timeout_us: int, loss: float) -> tuple[int, int]:
    """Return the mean and the longest time from link loss to the end of the first idle throttle pulse.

    The silence counts from the last packet, up to an interval before the link loss, or earlier if packets were lost
    before. The failsafe value is in the next frame, in the throttle's pulse.
    """
    receiver, link, output = profile.receiver, profile.radio, profile.output
    rate = 1_000_000 + receiver.clock_error_ppm
    silence_us = -(-(timeout_us + receiver.hold_us) * 1_000_000 // rate)
    interval_us = _interval_us(profile)
    flight_us = link.settle_us + air_time_us(link, profile.payload_bytes) + link.latency_us
    late_us = flight_us + link.latency_jitter_us + profile.handset.jitter_us
    late_us += link.retries * link.retry_delay_us if link.acknowledge else 0
    frame_us = output.frame_period_us
    if output.style == "fixed gap":
        frame_us = output.channels * max(profile.receiver.high_us, output.unused_us) + output.frame_gap_us
    real_us = frame_us * 1_000_000 / rate
    pulses_us = 0 if receiver.pulses_cease else int(preset_us(profile)[: profile.throttle_index + 1].sum())
    mean_us = silence_us - interval_us / 2 - interval_us * loss / max(1e-9, 1 - loss) + flight_us
    return round(mean_us + real_us / 2 + pulses_us), math.ceil(silence_us + late_us + real_us + pulses_us)


def candidates_us(from_us: int, to_us: int, own_us: int) -> list[int]:
    """Return round timeouts between two ends, and the profile's own."""
    steps = (1, 1.5, 2, 2.5, 3, 4, 5, 6, 8)
    timeouts = {own_us} if from_us <= own_us <= to_us else set()
    decade = 10 ** math.floor(math.log10(max(1, from_us)))
    while decade <= to_us:
        timeouts |= {round(decade * step) for step in steps if from_us <= decade * step <= to_us}
        decade *= 10
    return sorted(timeouts | {from_us, to_us})


def plan(
    profile: Profile, timeouts_us: list[int], *, flight_us: int, simulate_us: int, seed: int = 1
) -> tuple[list[TimeoutRow], RunRates]:
    """Return a row for each timeout, and the rates that they are based on."""
    runs = [packets_to_fire(profile, timeout_us) for timeout_us in timeouts_us]
    rates = false_failsafes(profile, max(runs), simulate_us=simulate_us, seed=seed)
    independent = run_rates(Channel.bernoulli(rates.loss), max(runs)) * _HOUR_US / _interval_us(profile)
    chances, bounds = _in_flight(rates, runs, flight_us, _interval_us(profile))
    rows = []
    for timeout_us, run, chance, bound in zip(timeouts_us, runs, chances, bounds, strict=True):
        mean_us, worst_us = cut_times_us(profile, timeout_us, rates.loss)
        rows.append(
            TimeoutRow(
                timeout_us, run, float(rates.per_hour[run - 1]), float(rates.upper_per_hour[run - 1]), chance, bound,
                float(independent[run - 1]), mean_us, worst_us,
            )
        )  # fmt: skip
    return rows, rates


def _in_flight(
    rates: RunRates, runs: list[int], flight_us: int, interval_us: float
) -> tuple[list[float] | list[None], list[float]]:
    """Return the probabilities of at least one run in a flight, if they are known, and upper bounds.

    A bound is the expected number of runs, or of minutes with one, which is never below the probability.
    """
    if rates.channel is not None and rates.channel.is_steady:
        chances = run_chances(rates.channel, runs, math.ceil(flight_us / interval_us)).tolist()
        return chances, chances
    span_us = flight_us if rates.is_exact else -(-flight_us // _TRIAL_US) * _TRIAL_US
    expected = rates.upper_per_hour[np.array(runs) - 1] * span_us / _HOUR_US
    return [None] * len(runs), np.minimum(expected, 1.0).tolist()


@dataclass(frozen=True, slots=True)
class RateCurve:
    """The rates of false failsafes over the timeout: a step at each timeout that needs one more lost packet.

    Attributes
    ----------
    timeouts_us : list of int
        Ends of the steps, ascending; each twice, for the rates on its left and on its right.
    per_hour : dict of str to list of float
        Rates by what they are of: this link, its upper bound where they are counted, and independent losses.
    """

    timeouts_us: list[int]
    per_hour: dict[str, list[float]]


def rate_curve(profile: Profile, rates: RunRates, from_us: int, to_us: int) -> RateCurve:
    """Return the rates between two timeouts: every step, or, of more than a curve can show, evenly spaced ones."""
    first, last = packets_to_fire(profile, from_us), packets_to_fire(profile, to_us)
    runs = range(first, last + 1, 1 + (last - first) // _MOST_STEPS)
    begins_us = [
        from_us + bisect.bisect_left(range(from_us, to_us), run, key=partial(packets_to_fire, profile)) for run in runs
    ]
    curves = {"this link": rates.per_hour, "upper bound at 95 %": rates.upper_per_hour}
    if rates.is_exact:
        del curves["upper bound at 95 %"]
    independent = run_rates(Channel.bernoulli(rates.loss), last) * _HOUR_US / _interval_us(profile)
    curves["if losses were independent"] = independent
    steps = np.repeat(np.array(runs) - 1, 2)
    timeouts_us = [begins_us[0], *np.repeat(begins_us[1:], 2).tolist(), to_us]
    return RateCurve(timeouts_us, {name: per_hour[steps].tolist() for name, per_hour in curves.items()})


@dataclass(frozen=True, slots=True)
class Advice:
    """The range of timeouts that keeps both limits; empty if `least_us` is None or above `most_us`.

    Attributes
    ----------
    least_us : int or None
        Shortest timeout with few enough false failsafes; None beyond the longest one examined.
    most_us : int
        Longest timeout with which the limits of the profile can be kept.
    has_losses : bool
        Whether packets are lost at all in the profile's ordinary use; without, nothing is known of false failsafes.
    least_bound_per_hour : float or None
        Where false failsafes are counted, their upper bound at 95 % with the longest timeout; None where their rate is
        exact.
    """

    least_us: int | None
    most_us: int
    has_losses: bool = True
    least_bound_per_hour: float | None = None

    @property
    def exists(self) -> bool:
        return self.least_us is not None and self.least_us <= self.most_us


def advise(profile: Profile, *, most_per_hour: float, longest_us: int, simulate_us: int, seed: int = 1) -> Advice:
    """Return the range of timeouts with the cut in time and few enough false failsafes.

    Parameters
    ----------
    most_per_hour : float
        Acceptable rate of false failsafes; compared with the upper bound where they are counted.
    longest_us : int
        Longest timeout to examine.
    """
    interval_us = profile.handset.packet_interval_us
    most_us = _longest_timeout_us(profile)
    most = packets_to_fire(profile, max(2 * interval_us, longest_us))
    rates = false_failsafes(profile, most, simulate_us=simulate_us, seed=seed)
    if not rates.loss:
        return Advice(None, most_us, has_losses=False)
    bound = None if rates.is_exact else float(rates.upper_per_hour.min())
    quiet = np.flatnonzero(rates.upper_per_hour <= most_per_hour)
    if not len(quiet):
        return Advice(None, most_us, least_bound_per_hour=bound)
    need = int(quiet[0]) + 1
    least_us = 2 * interval_us
    while packets_to_fire(profile, least_us) < need:
        least_us += interval_us
    return Advice(-(-least_us // _STEP_US) * _STEP_US, most_us, least_bound_per_hour=bound)


def _longest_timeout_us(profile: Profile) -> int:
    """Return the longest timeout that a profile with these limits may have, by the rule of its reader."""
    limits, plain = profile.requirements, dataclasses.replace(profile.receiver, timeout_us=_STEP_US)
    cut_us, motor_us = longest_cut_us(dataclasses.replace(profile, receiver=plain))
    left_us = min(limits.cut_within_us - cut_us, limits.motor_cut_within_us - motor_us)
    own_us = left_us * (1_000_000 + profile.receiver.clock_error_ppm) // 1_000_000  # by the receiver's clock
    return max(0, own_us // _STEP_US * _STEP_US + _STEP_US)
