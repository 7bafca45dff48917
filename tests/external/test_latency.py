"""From stick to pulse: a sum of stages with uniform phase (Irwin 1927, Hall 1927; Feller vol. 2, I.9, from memory)."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from lostlink.measure import latency
from lostlink_sims import Move, Profile, Scenario, simulate
from lostlink_sims.loss import Bernoulli
from lostlink_sims.radio import air_time_us
from numpy.typing import NDArray
from scipy import stats


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


def test_lost_packets_add_their_intervals() -> None:
    """Each loss adds an interval: T q / p in the mean, 5 ms and q = .3 give 2.1429 ms (geometric)."""
    plain = Profile()
    lossy = dataclasses.replace(plain, radio=dataclasses.replace(plain.radio, losses=(Bernoulli(probability=0.3),)))
    trials = 700
    added = latencies(lossy, trials).mean() - latencies(plain, trials, trial_offset=10_000).mean()
    assert added / 1000 == pytest.approx(2.1429, abs=4 * 7 * math.sqrt(2 / trials))
