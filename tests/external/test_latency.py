"""From stick to pulse: a sum of stages with uniform phase (Irwin 1927, Hall 1927; Feller vol. 2, I.9, from memory)."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from lostlink.measure import latency
from lostlink_sims import Move, Profile, Scenario, simulate
from lostlink_sims.air.loss import Bernoulli
from lostlink_sims.profile import air_time_us


def sum_of_uniforms_cdf(x: float, stages: tuple[float, ...]) -> float:
    total = sum(
        (-1) ** bin(k).count("1") * max(0.0, x - sum(v for i, v in enumerate(stages) if k >> i & 1)) ** len(stages)
        for k in range(1 << len(stages))
    )
    return float(total) / (math.factorial(len(stages)) * math.prod(stages))


def latencies(profile: Profile, trials: int, trial_offset: int = 0, phases: bool = True) -> NDArray[np.int64]:
    """Return one latency of roll (channel 1, whose slot ends 1000 µs + its code after the frame's start) a trial."""
    found = []
    for trial in range(trials):
        move = Move(at_us=301_234, channel="roll", position=0.0)
        fixed: dict[str, Any] = {} if phases else {"packet_phase_us": 1_111, "frame_phase_us": 7_777}
        at_us = move.at_us if phases else 301_234 + 22_500 * trial
        scenario = Scenario(
            seed=9, trial=trial + trial_offset, duration_us=at_us + 300_000,
            moves=(dataclasses.replace(move, at_us=at_us),), **fixed,
        )  # fmt: skip
        latency_us, shown = latency.latencies_us(simulate(profile, scenario), 0)
        assert shown.all()
        found.append(int(latency_us[0]))
    return np.array(found)


def constant_part_us(profile: Profile) -> int:
    """Settling, air time, hand-over, and the slot of the first channel at its low end."""
    radio = profile.radio
    return radio.settle_us + air_time_us(radio, profile.payload_bytes) + radio.latency_us + profile.receiver.low_us


def test_reference_distribution() -> None:
    """5 + 22.5 ms: 5 % 3.3541, 50 % 13.75, 95 % 24.1459 ms; P(S <= 10) = 1/3; Irwin-Hall n = 3."""
    for x, share in ((3.3541, 0.05), (13.75, 0.5), (24.1459, 0.95), (26.0, 0.99), (10.0, 1 / 3)):
        assert sum_of_uniforms_cdf(x, (5, 22.5)) == pytest.approx(share, abs=1e-5)
    for x, share in ((1, 1 / 6), (1.5, 0.5), (2, 5 / 6)):
        assert sum_of_uniforms_cdf(x, (1, 1, 1)) == pytest.approx(share)


def test_latency_with_drawn_phases() -> None:
    """Packet interval 5 ms and PPM 22.5 ms: mean 13.75, sd 6.6536, at most 27.5 ms, plus the constant parts."""
    profile, trials = Profile(), 600
    stages = (latencies(profile, trials) - constant_part_us(profile)) / 1000
    assert stages.mean() == pytest.approx(13.75, abs=4 * 6.65363 / math.sqrt(trials))
    assert stages.std() == pytest.approx(6.65363, rel=0.08)
    assert stages.min() >= 0
    assert stages.max() <= 27.51
    test = stats.kstest(stages, np.vectorize(lambda x: sum_of_uniforms_cdf(x, (5, 22.5))))
    assert test.pvalue > 1e-3, test


def test_frozen_phases() -> None:
    """5 and 22.5 ms are commensurate: without drift the age of a packet at a frame takes two values only."""
    values = latencies(Profile(), 24, phases=False)
    assert len(set(values.tolist())) <= 2


@pytest.mark.long
def test_lost_packets_add_their_intervals() -> None:
    """Each loss adds an interval: T q / p in the mean, 5 ms and q = .3 give 2.1429 ms (geometric).

    Without ``--long`` `test_each_loss_adds_an_interval` looks at mean and law of one link.
    """
    plain = Profile()
    lossy = dataclasses.replace(plain, radio=dataclasses.replace(plain.radio, losses=(Bernoulli(probability=0.3),)))
    trials = 700
    added = latencies(lossy, trials).mean() - latencies(plain, trials, trial_offset=10_000).mean()
    assert added / 1000 == pytest.approx(2.1429, abs=4 * 7 * math.sqrt(2 / trials))


# --- further: other stages, other channels, clocks in step and adrift ------------------------------------------------


def link(interval_us: int = 5_000, period_us: int = 22_500, error_ppm: int = 0) -> Profile:
    plain = Profile()
    handset = dataclasses.replace(plain.handset, packet_interval_us=interval_us, clock_error_ppm=error_ppm)
    output = dataclasses.replace(plain.output, frame_period_us=period_us)
    return dataclasses.replace(plain, handset=handset, output=output)


def stages_ms(profile: Profile, channel: str, position: float, before_us: int, trials: int) -> NDArray[np.float64]:
    """Return the latency of one move less the constant parts: flight, and `before_us` to the end of its slot."""
    radio = profile.radio
    flight_us = radio.settle_us + air_time_us(radio, profile.payload_bytes) + radio.latency_us
    found = []
    for trial in range(trials):
        at_us = 301_234 + 13 * trial
        move = Move(at_us=at_us, channel=channel, position=position)
        scenario = Scenario(seed=21, trial=trial, duration_us=at_us + 150_000, moves=(move,))
        latency_us, shown = latency.latencies_us(simulate(profile, scenario), profile.channel_index(channel))
        assert shown.all(), f"seed 21, trial {trial}"
        found.append(int(latency_us[0]))
    return (np.array(found) - flight_us - before_us) / 1000


@pytest.mark.parametrize(
    ("interval_us", "period_us", "mean", "sd", "most", "share_95"),
    [
        pytest.param(5_000, 20_000, 12.5, 5.95119, 25.0, 21.8377, marks=pytest.mark.long),
        (20_000, 22_500, 21.25, 8.69027, 42.5, 35.7918),
        pytest.param(5_000, 22_500, 13.75, 6.65363, 27.5, 24.1459, marks=pytest.mark.long),  # as above, other moments
    ],
)
def test_two_stages_with_drawn_phases(
    interval_us: int, period_us: int, mean: float, sd: float, most: float, share_95: float
) -> None:
    """Mean, sd, largest and law of two stages of uniform phase (Irwin 1927, Hall 1927, from memory): KS at 0.1 %."""
    sizes = interval_us / 1000, period_us / 1000
    assert (sum(sizes) / 2, math.hypot(*sizes) / math.sqrt(12), sum(sizes)) == pytest.approx((mean, sd, most), rel=1e-5)
    assert sum_of_uniforms_cdf(share_95, sizes) == pytest.approx(0.95, abs=1e-5)
    trials = 500
    found = stages_ms(link(interval_us, period_us), "roll", 0.0, 1000, trials)
    assert found.mean() == pytest.approx(mean, abs=4 * sd / math.sqrt(trials)), "seed 21"
    assert found.min() >= 0
    assert found.max() <= most
    assert (found <= share_95).mean() == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / trials)), "seed 21"
    test = stats.kstest(found, np.vectorize(lambda x: sum_of_uniforms_cdf(x, sizes)))
    assert test.pvalue > 1e-3, f"seed 21: {test}"


@pytest.mark.parametrize(
    ("channel", "position", "before_us"),
    [
        pytest.param("throttle", 1.0, 1501 + 1501 + 2000, marks=pytest.mark.long),
        ("switch 2", 1.0, 1501 + 1501 + 1000 + 1501 + 1000 + 2000),
    ],
)
def test_place_of_a_channel_in_the_frame(channel: str, position: float, before_us: int) -> None:
    """A channel's pulse ends after those before it and itself: a constant part (arithmetic); the rest as for roll."""
    trials = 300
    found = stages_ms(link(), channel, position, before_us, trials)
    assert found.mean() == pytest.approx(13.75, abs=4 * 6.65363 / math.sqrt(trials)), "seed 21"
    assert found.min() >= 0
    assert found.max() <= 27.5
    test = stats.kstest(found, np.vectorize(lambda x: sum_of_uniforms_cdf(x, (5, 22.5))))
    assert test.pvalue > 1e-3, f"seed 21: {test}"


def test_tail_of_two_stages() -> None:
    """P(S > s) = (27.5 - s)^2 / 225 above 22.5 ms: 2.77778 % beyond 25 (elementary)."""
    assert 1 - sum_of_uniforms_cdf(25, (5, 22.5)) == pytest.approx(6.25 / 225)
    for size, share in ((1.0, 1 / 24), (0.5, 1 / 384)):
        assert sum_of_uniforms_cdf(size, (1, 1, 1, 1)) == pytest.approx(share)
    assert sum_of_uniforms_cdf(2.5, (1, 1, 1)) == pytest.approx(0.9791667, abs=1e-7)


def ages_us(profile: Profile, duration_us: int, packet_phase_us: int, frame_phase_us: int) -> NDArray[np.int64]:
    """Return how old the newest packet is at the start of each frame."""
    trace = simulate(
        profile,
        Scenario(duration_us=duration_us, packet_phase_us=packet_phase_us, frame_phase_us=frame_phase_us),
    )
    arrived = trace.packets.arrived_us
    starts = trace.frames.start_us[trace.frames.start_us > arrived[arrived >= 0][0]]
    arrived = arrived[arrived >= 0]
    ages: NDArray[np.int64] = starts - arrived[np.searchsorted(arrived, starts, side="right") - 1]
    return ages[2:]


@pytest.mark.parametrize(("period_us", "step_us"), [(22_500, 2_500), (20_000, 0)])
@pytest.mark.parametrize(("packet_phase_us", "frame_phase_us"), [(0, 1), (1_111, 7_777), (4_999, 22_000)])
def test_clocks_in_step(period_us: int, step_us: int, packet_phase_us: int, frame_phase_us: int) -> None:
    """Without drift the age of a packet at a frame is phi mod 5 and (phi + 2.5) mod 5 ms, or one value at 20 ms.

    5 and 22.5 ms have the divisor 2.5 ms: the trap of taking one long run for a uniform phase (arithmetic).
    """
    ages = ages_us(link(period_us=period_us), 2_000_000, packet_phase_us, frame_phase_us)
    phi = int(ages[0])
    assert set(ages.tolist()) == {phi, (phi + step_us) % 5_000}


def test_drift_makes_every_phase_come() -> None:
    """50 ppm walk through the 5 ms in 100 s: the ages of one long run are uniform then (arithmetic).

    Neighbouring ages are no independent sample, so not a test of significance but the largest distance to the law.
    """
    ages = ages_us(link(error_ppm=50), 100_000_000, 0, 1)
    assert stats.kstest(ages / 5_000, "uniform").statistic < 0.01
    assert ages.max() < 5_000


def test_each_loss_adds_an_interval() -> None:
    """Longest chain: with q .1 the mean grows by .5556 ms (T q / p); the whole law is that of U + K T + V.

    Geometric K; the sum of two stages, shifted by K packets, weighted with p q^K: KS at 0.1 %. Here q is .3: the mean
    grows by 2.1429 ms, and the sd is that of the sum, (6.6536^2 + T^2 q / p^2)^(1/2).
    """
    q, trials = 0.3, 500
    plain = link()
    lossy = dataclasses.replace(plain, radio=dataclasses.replace(plain.radio, losses=(Bernoulli(probability=q),)))
    found = stages_ms(lossy, "roll", 0.0, 1000, trials)

    def cdf(x: float) -> float:
        return sum((1 - q) * q**k * min(1.0, sum_of_uniforms_cdf(max(0.0, x - 5 * k), (5, 22.5))) for k in range(12))

    test = stats.kstest(found, np.vectorize(cdf))
    assert test.pvalue > 1e-3, f"seed 21: {test}"
    assert pytest.approx(0.5556, abs=1e-4) == 5 * 0.1 / 0.9
    sd = math.sqrt(6.65363**2 + 5**2 * q / (1 - q) ** 2)
    assert found.mean() == pytest.approx(13.75 + 2.1429, abs=4 * sd / math.sqrt(trials)), "seed 21"
    assert found.max() > 27.5, "no longer bounded"


@pytest.mark.parametrize(
    ("share", "value"), [(0.0, 1), (0.01, 1), (0.5, 50), (0.95, 95), (0.99, 99), (0.991, 100), (1.0, 100)]
)
def test_quantile(share: float, value: int) -> None:
    """The smallest observation with at least that share at or below it (inverse of the empirical law; Hyndman & Fan 1).

    From memory; numpy's "inverted_cdf" is the same.
    """
    trace = simulate(Profile(), Scenario(duration_us=100_000))
    values = np.random.default_rng(3).permutation(np.arange(1, 101))
    found = latency.quantile(values, np.ones(100, np.bool_), share, trace)
    assert (found.value, found.only_at_least) == (value, False)
    assert found.value == np.quantile(values, share, method="inverted_cdf")
