"""Sums of uniform times against the values of Irwin and Hall, and the delay of the simulation."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from lostlink.planning import latency
from lostlink.planning.latency import LatencyBudget, Stage, uniform_sum_cdf
from lostlink_sims import Profile
from lostlink_sims.air.loss import Bernoulli


@pytest.mark.parametrize(
    ("spreads_ms", "mean", "sd", "quantiles"),
    [
        ((5, 22.5), 13.75, 6.65363, {0.05: 3.3541, 0.5: 13.75, 0.95: 24.1459, 0.99: 26.0}),
        ((5, 20), 12.5, 5.95119, {0.05: 3.1623, 0.5: 12.5, 0.95: 21.8377, 0.99: 23.5858}),
        ((20, 22.5), 21.25, 8.69027, {0.05: 6.7082, 0.5: 21.25, 0.95: 35.7918, 0.99: 39.5}),
        ((1, 5, 22.5), 14.25, 6.65989, {0.05: 3.8417, 0.5: 14.25, 0.95: 24.6583, 0.99: 26.528}),
        ((10, 5, 22.5), 18.75, 7.25287, {0.05: 7.0185, 0.5: 18.75, 0.95: 30.4815, 0.99: 33.4284}),
        ((20, 20, 20), 30, 10, {0.05: 13.3887, 0.5: 30, 0.95: 46.6113, 0.99: 52.1703}),
    ],
)
def test_sums(spreads_ms: tuple[float, ...], mean: float, sd: float, quantiles: dict[float, float]) -> None:
    """Irwin 1927 and Hall 1927, Biometrika 19; Feller, vol. 2, I.9 (values checked by simulation)."""
    budget = LatencyBudget([Stage("", 0, 1000 * spread) for spread in spreads_ms], 0.0, 5000)
    assert budget.mean_us == pytest.approx(1000 * mean)
    assert budget.sd_us == pytest.approx(1000 * sd, rel=1e-5)
    for share, value in quantiles.items():
        assert budget.quantile_us(share) == pytest.approx(1000 * value, abs=0.06)
    assert budget.most_us == 1000 * sum(spreads_ms)


def test_distribution_function() -> None:
    """n = 2: F(0.5) 1/8, F(1) 1/2; n = 3: F(1) 1/6, F(1.5) 1/2, F(2) 5/6 (Irwin-Hall)."""
    for count, at, chance in ((2, 0.5, 0.125), (2, 1, 0.5), (3, 1, 1 / 6), (3, 1.5, 0.5), (3, 2, 5 / 6)):
        assert uniform_sum_cdf(at, [1] * count) == pytest.approx(chance)
    assert uniform_sum_cdf(10, (5, 22.5)) == pytest.approx(1 / 3)
    assert 1 - uniform_sum_cdf(25, (5, 22.5)) == pytest.approx(0.0277778, abs=1e-7)
    assert (uniform_sum_cdf(-1, (5,)), uniform_sum_cdf(6, (5,)), uniform_sum_cdf(0, ())) == (0, 1, 1)


def test_lost_packets_add_intervals() -> None:
    """T q / p on the mean: q 0.1, T 5 ms: 0.5556 ms (geometric distribution)."""
    clean, lossy = (LatencyBudget([Stage("", 0, 5000), Stage("", 0, 22_500)], loss, 5000) for loss in (0.0, 0.1))
    assert lossy.mean_us - clean.mean_us == pytest.approx(555.6, abs=0.1)
    assert lossy.cdf(1e9) == pytest.approx(1)
    assert lossy.most_us is None
    assert lossy.quantile_us(0.99) > clean.quantile_us(0.99)


@pytest.mark.parametrize("loss", [0.0, 0.2])
def test_the_simulation_agrees(loss: float) -> None:
    """Kolmogorov-Smirnov at 0.1 %: 1.95 / sqrt(n). Clocks a little apart, as all are, so that phases wander."""
    profile = Profile()
    profile = dataclasses.replace(
        profile,
        handset=dataclasses.replace(profile.handset, clock_error_ppm=311),
        radio=dataclasses.replace(profile.radio, losses=(Bernoulli(probability=loss),) if loss else ()),
    )
    planned = latency.budget(profile, with_losses=True)
    assert planned is not None
    found = latency.simulated_us(profile, 40, 3, with_losses=True)
    assert len(found) == 800
    assert latency.distance(found, planned) < 1.95 / math.sqrt(len(found))
    assert found.mean() == pytest.approx(planned.mean_us, abs=5 * planned.sd_us / math.sqrt(len(found)))
    other = dataclasses.replace(planned, stages=[*planned.stages, Stage("one too many", 1500)])
    assert latency.distance(found, other) > 1.95 / math.sqrt(len(found))


@pytest.mark.parametrize("seed", range(5))
def test_distance_of_two_distributions(seed: int) -> None:
    """The statistic of Kolmogorov and Smirnov, against scipy's; a single stage is uniform."""
    planned = LatencyBudget([Stage("wait", 100.0, 5000.0)], 0.0, 5000.0)
    sample_us = np.random.default_rng(seed).integers(0, 6000, 200)
    library = stats.ks_1samp(sample_us, stats.uniform(100, 5000).cdf).statistic
    assert latency.distance(sample_us, planned) == pytest.approx(library, rel=1e-9)


@pytest.mark.parametrize("steps", [100, 800, 10_000])
def test_distance_by_chance(steps: int) -> None:
    """1.63 / sqrt(n) at 1 % in tables for more than 35 values (Massey, J. Am. Stat. Assoc. 46, 1951, from memory).

    scipy exactly.
    """
    assert latency.chance_distance(steps) * math.sqrt(steps) == pytest.approx(1.63, abs=0.005)
    assert latency.chance_distance(steps) == pytest.approx(stats.kstwo.isf(0.01, steps), rel=0.02)
