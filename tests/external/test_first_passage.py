"""Runs of lost packets against handbooks: means, variances, distributions, long-run rates."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from lostlink.planning.first_passage import (
    Channel,
    channel_of,
    packets_to_fire,
    run_rates,
)
from lostlink_sims import Profile
from lostlink_sims.air.loss import Bernoulli, GilbertElliott, LinkBudget, LossModel, PeriodicInterferer

Floats = NDArray[np.float64]
GOOD = np.array([1.0, 0.0])


# --- the chain of all counts of losses in a row, a second method ------------------------------------------------------


def _chain(channel: Channel, run: int) -> Floats:
    """Return the chain of (losses so far, state) without its end, (run * m, run * m)."""
    if channel.loss.shape[0] > 1:
        raise ValueError("an interferer's phase is no state of this chain")
    states, loss = len(channel.move), channel.at(0)[0]
    chain = np.zeros((run * states, run * states))
    for have in range(run):
        rows = slice(have * states, (have + 1) * states)
        chain[rows, :states] = channel.move * (1 - loss)
        if have + 1 < run:
            chain[rows, (have + 1) * states : (have + 2) * states] = channel.move * loss
    return chain


def mean_and_variance(channel: Channel, run: int, start: Floats | None = None) -> tuple[float, float]:
    """Return mean and variance of the number of packets until the first run of losses, from the chain itself."""
    chain = _chain(channel, run)
    begin = np.zeros(len(chain))
    begin[: len(channel.move)] = channel.stationary if start is None else start
    whole = np.eye(len(chain)) - chain
    first = np.linalg.solve(whole, np.ones(len(chain)))
    second = np.linalg.solve(whole, first)
    mean = float(begin @ first)
    return mean, float(2 * begin @ second) - mean - mean * mean


def chance_within(channel: Channel, run: int, packets: int, start: Floats | None = None) -> float:
    """Return the chance that a run of losses is complete within so many packets, by a state of its own for the end."""
    chain, states = _chain(channel, run), len(channel.move)
    power = np.zeros((len(chain) + 1, len(chain) + 1))
    power[:-1, :-1] = chain
    power[-states - 1 : -1, -1] = channel.move @ channel.at(0)[0]
    power[-1, -1] = 1
    here = np.zeros(len(chain) + 1)
    here[:states] = channel.stationary if start is None else start
    return float((here @ np.linalg.matrix_power(power, packets))[-1])


# --- checks -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("loss", "run", "mean"),
    [(0.5, 2, 6), (0.5, 3, 14), (0.5, 5, 62), (0.5, 10, 2046), (0.1, 3, 1110), (0.1, 5, 111_110), (0.2, 5, 3905)],
)
def test_mean_of_independent_losses(loss: float, run: int, mean: float) -> None:
    """(1 - q^r) / (p q^r); Feller, vol. 1, 3rd ed., XIII.7."""
    assert mean_and_variance(Channel.bernoulli(loss), run)[0] == pytest.approx(mean, rel=1e-9)


@pytest.mark.parametrize(("loss", "run", "variance"), [(0.5, 3, 142), (0.2, 5, 15_215_820), (0.1, 3, 1_226_790)])
def test_variance_of_independent_losses(loss: float, run: int, variance: float) -> None:
    """1 / (p q^r)^2 - (2 r + 1) / (p q^r) - q / p^2; Feller, vol. 1, XIII.7."""
    assert mean_and_variance(Channel.bernoulli(loss), run)[1] == pytest.approx(variance, rel=1e-6)


@pytest.mark.parametrize(
    ("loss", "run", "packets", "chance"),
    [
        (0.5, 3, 3, 0.125), (0.5, 3, 4, 0.1875), (0.5, 3, 10, 1 - 504 / 1024), (0.5, 3, 20, 0.7870283),
        (0.2, 5, 1000, 0.2253925), (0.2, 5, 12_000, 0.9538276), (0.3, 10, 12_000, 0.0483594),
        (0.3, 10, 180_000, 0.5247975),
    ],
)  # fmt: skip
def test_distribution_of_independent_losses(loss: float, run: int, packets: int, chance: float) -> None:
    """Geometric distribution of order r (Philippou et al., Stat. Probab. Lett. 1:171, 1983)."""
    assert chance_within(Channel.bernoulli(loss), run, packets) == pytest.approx(chance, abs=6e-8)


@pytest.mark.parametrize(("run", "mean"), [(5, 251.34766), (10, 777.31096), (25, 22229.615)])
def test_mean_in_bursts(run: int, mean: float) -> None:
    """Started just after a delivery: (1/a + (1 - s)/b) / s, s = (1 - b)^(r - 1); chain and simulation agree."""
    a, b = 0.01, 0.2
    s = (1 - b) ** (run - 1)
    assert mean == pytest.approx((1 / a + (1 - s) / b) / s, rel=1e-7)
    assert mean_and_variance(Channel.gilbert_elliott(a, b), run, GOOD)[0] == pytest.approx(mean, rel=1e-7)


def test_mean_of_the_full_chain() -> None:
    """State moves, then the loss is drawn (independent computation with a chain)."""
    channel = Channel.gilbert_elliott(0.01, 0.2, 0.01, 0.8)
    assert mean_and_variance(channel, 5, GOOD)[0] == pytest.approx(463.96028, rel=1e-7)
    assert mean_and_variance(channel, 5)[0] == pytest.approx(460.21088, rel=1e-7)
    assert mean_and_variance(channel, 10, GOOD)[0] == pytest.approx(4053.2348, rel=1e-7)
    slow = Channel.gilbert_elliott(0.02, 0.1, 0.001, 0.5)
    assert mean_and_variance(slow, 10, GOOD)[0] == pytest.approx(28854.371, rel=1e-7)


def test_distribution_in_bursts() -> None:
    channel = Channel.gilbert_elliott(0.01, 0.2)
    for packets, chance in ((100, 0.3222424), (200, 0.5479823), (1000, 0.9823069)):
        assert chance_within(channel, 5, packets, GOOD) == pytest.approx(chance, rel=2e-7)


def test_long_run_rates() -> None:
    """piG a (1 - b)^(r - 1) in bursts, p q^r one by one (renewal; Poisson clumping); reciprocal = mean + mean burst."""
    rates = run_rates(Channel.gilbert_elliott(0.01, 0.2), 12)
    for run in range(1, 13):
        assert rates[run - 1] == pytest.approx(0.2 / 0.21 * 0.01 * 0.8 ** (run - 1), rel=1e-12)
    assert 1 / rates[4] == pytest.approx(251.34766 + 5, rel=1e-7)
    alone = run_rates(Channel.bernoulli(0.2), 200)
    assert alone[4] == pytest.approx(0.8 * 0.2**5, rel=1e-12)
    assert alone[199] == pytest.approx(0.8 * 0.2**200, rel=1e-9)  # 1e-140: no digit is lost


def test_bursts_change_the_answer() -> None:
    """The same share lost: 4.2883e6 packets one by one against 251 in bursts (a factor of 17 000)."""
    bursts = Channel.gilbert_elliott(0.01, 0.2)
    alone = mean_and_variance(Channel.bernoulli(bursts.mean_loss), 5)[0]
    assert alone == pytest.approx(4.2883e6, rel=1e-4)
    assert alone / mean_and_variance(bursts, 5, GOOD)[0] == pytest.approx(17_061, rel=1e-3)


def test_rare_chances_keep_their_digits() -> None:
    """For small n p q^r the chance is that of one run: n p q^r + q^r, to the order of its square."""
    run, packets, loss = 30, 5000, 0.1
    first_order = (packets - run) * 0.9 * loss**run + loss**run
    assert chance_within(Channel.bernoulli(loss), run, packets) == pytest.approx(first_order, rel=1e-9)


def link(*models: LossModel, **tables: dict[str, int]) -> Profile:
    profile = Profile()
    profile = dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=models))
    return dataclasses.replace(
        profile, **{name: dataclasses.replace(getattr(profile, name), **fields) for name, fields in tables.items()}
    )


def test_layers_are_independent() -> None:
    channel = channel_of(link(Bernoulli(probability=0.1), GilbertElliott(good_to_bad=0.01, bad_to_good=0.2)))
    assert channel is not None
    assert channel.mean_loss == pytest.approx(1 - 0.9 * (1 - 1 / 21), rel=1e-6)
    two = channel_of(link(*[GilbertElliott(good_to_bad=0.01, bad_to_good=0.2)] * 2))
    assert two is not None
    assert two.move.shape == (4, 4)
    assert two.mean_loss == pytest.approx(1 - (1 - 1 / 21) ** 2, rel=1e-6)


def test_an_interferer_hits_by_its_phase() -> None:
    """P(overlap) = (a + b) / P at a random phase (Abramson 1970, periodic case); runs follow the phase exactly."""
    profile = link(PeriodicInterferer(period_us=100_000, burst_us=22_000))
    channel = channel_of(profile, 8)
    assert channel is not None
    air_us = 121  # 8 * (1 + 5 + 6 + 2) + 9 bits at 1 Mbit/s
    assert channel.mean_loss == pytest.approx((22_000 + air_us) / 100_000, abs=0.001)
    rates = run_rates(channel, 8)
    # 20 packets a period; each burst hits 4 or 5 in a row: with (22 121 / 5000) = 4.42 of them, 5 in 42 % of bursts.
    assert rates[3] == pytest.approx(1 / 20, rel=0.01)
    assert rates[4] == pytest.approx(0.4242 / 20, rel=0.03)
    assert rates[5] == 0


def test_what_is_no_small_chain_is_said() -> None:
    assert channel_of(link(LinkBudget(fading="rayleigh"))) is None
    assert channel_of(link(LinkBudget(distance_m=200))) is not None
    assert channel_of(link(*[PeriodicInterferer(period_us=1000 * n, burst_us=10) for n in (70, 90)])) is None


@pytest.mark.parametrize(
    ("timeout_us", "interval_us", "lost"),
    [(100_000, 5_000, 20), (500_000, 20_000, 25), (250_000, 10_000, 25), (100_000, 7_000, 14)],
)
def test_packets_lost_before_the_timer_fires(timeout_us: int, interval_us: int, lost: int) -> None:
    """floor(Tf / T), and m losses at a tie Tf = m T, where the packet that comes at the deadline is first."""
    profile = link(handset={"packet_interval_us": interval_us}, receiver={"timeout_us": timeout_us})
    assert packets_to_fire(profile) == lost
    held = link(
        handset={"packet_interval_us": interval_us}, receiver={"timeout_us": timeout_us - 1000, "hold_us": 1000}
    )
    tie = timeout_us % interval_us == 0
    assert packets_to_fire(held) == lost - tie


def test_retries_help() -> None:
    profile = link(Bernoulli(probability=0.1))
    repeated = dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, acknowledge=True, retries=2))
    channel = channel_of(repeated)
    assert channel is not None
    assert channel.mean_loss == pytest.approx(0.1**3, rel=1e-6)
    assert math.isclose(stats.geom(0.9).sf(3), 0.1**3, rel_tol=1e-9)  # three attempts, all lost
